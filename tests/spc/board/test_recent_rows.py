"""What is remembered between looks equals what the store holds, whatever was written in between."""

import pandas as pd
import pytest

from spc.board.recent_rows import recent_events, recent_rows
from spc.store.store import Store


def log(store, lap, number, **said):
    at = pd.Timestamp("2026-03-02 08:00", tz="UTC") + pd.Timedelta(minutes=number)
    return store.append_face({"lap": lap, "serial": f"S{number}", "time_utc": at, **said}, who="Tester")


def assert_as_stored(store, laps, **asked):
    for lap, rows in recent_rows(store, laps, **asked).items():
        pd.testing.assert_frame_equal(rows, store.faces(lap=lap, **asked))
    for lap, rows in recent_events(store, laps).items():
        pd.testing.assert_frame_equal(rows, store.events(lap=lap))


def test_every_change_is_seen(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store, Store.open(tmp_path / "lapcell.db") as other:
        laps = ["CI-1", "CI-2", "CI-3"]
        first = log(store, "CI-1", 1, minutes=4.0)
        log(store, "CI-2", 2, minutes=4.0)
        assert_as_stored(store, laps, last=3)
        log(other, "CI-1", 3)
        log(other, "CI-3", 4)
        assert_as_stored(store, laps, last=3)
        store.correct_face(first, {"minutes": 6.0}, who="Tester", reason="misread")
        assert_as_stored(store, laps, last=3)
        event = store.append_event({"lap": "CI-1", "event": "cleaned"}, who="Tester")
        assert_as_stored(store, laps, last=3)
        store.withdraw_event(event, who="Tester", reason="another lap")
        assert_as_stored(store, laps, last=3)
        store.correct_face(first, {"lap": "CI-2"}, who="Tester", reason="another lap")
        assert_as_stored(store, laps, last=3)
        other.withdraw_face(first, who="Tester", reason="not lapped")
        assert_as_stored(store, laps, last=3)


def test_a_correction_has_only_its_own_lap_read_again(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        first = log(store, "CI-1", 1)
        log(store, "CI-2", 2)
        before = recent_rows(store, ["CI-1", "CI-2"], last=5)
        store.withdraw_face(first, who="Tester", reason="not lapped")
        after = recent_rows(store, ["CI-1", "CI-2"], last=5)
        assert after["CI-2"] is before["CI-2"] and after["CI-1"].empty


def test_rows_of_an_unchanged_lap_are_not_read_again(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        log(store, "CI-1", 1)
        log(store, "CI-2", 2)
        before = recent_rows(store, ["CI-1", "CI-2"], last=5)
        log(store, "CI-2", 3)
        after = recent_rows(store, ["CI-1", "CI-2"], last=5)
        assert after["CI-1"] is before["CI-1"]
        assert len(after["CI-2"]) == 2


def test_a_store_made_anew_at_the_same_path_is_another_one(tmp_path):
    path = tmp_path / "lapcell.db"
    for lap in ("CI-1", "CI-2"):
        with Store.open(path) as store:
            log(store, lap, 1)
            assert_as_stored(store, ["CI-1", "CI-2"], last=5)
        path.unlink()


def test_an_unfinished_change_is_not_remembered(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        log(store, "CI-1", 1)
        with pytest.raises(RuntimeError), store.writing(who="Tester", what="taken back"):
            log(store, "CI-1", 2)
            assert len(recent_rows(store, ["CI-1"], last=5)["CI-1"]) == 2
            raise RuntimeError
        assert_as_stored(store, ["CI-1"], last=5)


def minute_us(number):
    return int((pd.Timestamp("2026-03-02 08:00", tz="UTC") + pd.Timedelta(minutes=number)).value // 1000)


def serials(store, **asked):
    return recent_rows(store, ["CI-1"], last=3, **asked)["CI-1"]["serial"].tolist()


def test_a_stretch_asked_for_is_read_whole_however_it_grows(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        for number in range(6):
            log(store, "CI-1", number)
        assert serials(store) == ["S3", "S4", "S5"]
        since = {"CI-1": minute_us(1)}
        assert serials(store, since_us=since) == ["S1", "S2", "S3", "S4", "S5"]
        log(store, "CI-1", 6)  # read on
        assert serials(store, since_us=since) == ["S1", "S2", "S3", "S4", "S5", "S6"]
        since = {"CI-1": minute_us(6)}  # a new cycle: the newest rows are enough again
        assert serials(store, since_us=since) == ["S4", "S5", "S6"]
        for number in (7, 8, 9):  # and outgrown by one of more rows
            log(store, "CI-1", number)
            assert serials(store, since_us=since) == [f"S{n}" for n in range(min(6, number - 2), number + 1)]


def test_a_stretch_that_reaches_back_before_what_was_read_is_read_anew(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        for number in range(6):
            log(store, "CI-1", number)
        assert serials(store, since_us={"CI-1": minute_us(5)}) == ["S3", "S4", "S5"]
        log(store, "CI-1", 6)
        assert serials(store, since_us={"CI-1": minute_us(1)}) == ["S1", "S2", "S3", "S4", "S5", "S6"]
