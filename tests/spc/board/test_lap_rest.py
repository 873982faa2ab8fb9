"""When a lap is out of use, by what was logged and registered of it."""

import time
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.cell_view import look_at_cell
from spc.board.lap_memo import LapMemo
from spc.board.lap_rest import Rest, no_face_left, rest_of
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.wear.made_up_log import events_frame, faces_frame

WHEN = ("3 March", "4 March", "5 March")


def view_of(events, *, newest_us=0, registered="in use", written_us=9, ended="running"):
    """View of one lap: events (what, reason) on the days of `WHEN`, and when its newest face was lapped."""
    told = events_frame(
        [
            {"event": what, "reason": why, "time_text": day, "sort_us": at + 1}
            for at, ((what, why), day) in enumerate(zip(events, WHEN, strict=False))
        ]
    )
    return SimpleNamespace(
        memo=LapMemo(),
        settings=Settings(time_zone="UTC"),
        events_of=lambda lap: told,
        lapped_of=lambda lap: faces_frame([{"sort_us": newest_us}]),
        cycles_of=lambda lap: pd.DataFrame({"ended": ["due", ended]}),
        lap_row=lambda lap: pd.Series({"state": registered, "state_us": written_us}),
    )


@pytest.mark.parametrize(
    ("events", "more", "rest"),
    [
        ((), {}, Rest("")),
        ((("reconditioned", "worn"), ("cleaned", "")), {}, Rest("")),
        ((("swapped", "worn"),), {"ended": "due"}, Rest("resting since 3 March", "worn")),
        ((("swapped", ""),), {"ended": "found late"}, Rest("resting since 3 March", "worn")),
        ((("swapped", ""), ("cleaned", "")), {}, Rest("resting since 3 March")),  # its cycle goes on
        ((("swapped", ""), ("returned", "")), {}, Rest("")),
        ((("swapped", ""), ("returned", ""), ("retired", "cracked")), {},
         Rest("retired (cracked) since 5 March", "retired")),
        ((("swapped", "worn"),), {"newest_us": 2}, Rest("")),  # it has lapped since
        ((("retired", ""),), {"newest_us": 1}, Rest("retired since 3 March", "retired")),
        ((), {"registered": "retired"}, Rest("retired", "retired")),
        ((("swapped", ""),), {"registered": "retired"}, Rest("retired", "retired")),
        ((), {"registered": "stand-by"}, Rest("resting since it was put on stand-by")),
        ((), {"registered": "stand-by", "ended": "due"}, Rest("resting since it was put on stand-by", "worn")),
    ],
)  # fmt: skip
def test_a_lap_rests_from_the_event_that_took_it_out_until_it_laps_again(events, more, rest):
    assert rest_of(view_of(events, **more), "A") == rest


@pytest.mark.parametrize(
    ("events", "more", "said"),
    [
        (
            (),
            {"newest_us": 10},
            "on stand-by in the list of laps, but 1 face was lapped on it since: it counts as in use",
        ),
        (
            (("returned", ""),),
            {"written_us": 0},
            "on stand-by in the list of laps, but it was logged as returned since",
        ),
        ((), {"newest_us": 10, "registered": "retired"}, "is retired in the list of laps, but 1 face was lapped"),
        ((("swapped", ""),), {"newest_us": 10}, "on stand-by in the list of laps, but 1 face was lapped on it since"),
        (
            (("retired", ""), ("returned", "")),
            {"newest_us": 10, "registered": "retired"},
            "but 1 face was lapped on it",
        ),
    ],
)
def test_a_lap_that_is_used_against_the_list_of_laps_is_watched_and_said_to_be(events, more, said):
    rest = rest_of(view_of(events, **{"registered": "stand-by", **more}), "A")
    assert not rest.words and not rest.ended and said in rest.remark
    assert 'lapcell laps set A --state "in use"' in rest.remark


@pytest.mark.parametrize(
    ("event", "rest"), [("swapped", Rest("resting since it was put on stand-by")), ("retired", "retired since 3 March")]
)
def test_what_the_log_took_out_after_that_is_out_of_use(event, rest):
    """Lapped on against the list of laps, and then taken out in the log: both say the same again."""
    view = view_of([(event, "")], newest_us=10, registered="stand-by")
    view.events_of("A")["sort_us"] = 11
    assert rest_of(view, "A") == (rest if isinstance(rest, Rest) else Rest(rest, "retired"))


def test_without_a_zone_the_list_is_held_against_the_wall_time_of_the_log(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Tokyo")  # nine hours before Greenwich
    time.tzset()
    try:
        wall = datetime.now().replace(tzinfo=UTC)  # as a log without a zone is read
        face = {"lap": "L1", "face": "A", "flatness_low_um": 0.1, "flatness_high_um": 0.2, "time_utc": pd.NaT}
        with Store.open(tmp_path / "cell.db") as store:
            before, after = (round((wall + timedelta(minutes=by)).timestamp() * 1e6) for by in (-30, 30))
            store.append_face(face | {"serial": "1", "sort_us": before}, who="Ann")
            store.set_lap("L1", state="stand-by", who="QE")
            assert rest_of(look_at_cell(store, Settings()), "L1").words
            store.append_face(face | {"serial": "2", "sort_us": after}, who="Ann")
            assert "1 face was lapped on it since" in rest_of(look_at_cell(store, Settings()), "L1").remark
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("state", ["stand-by", "retired"])
def test_the_list_of_laps_holds_from_when_it_was_written_down(tmp_path, state):
    at = datetime.now(UTC)
    face = {"lap": "L1", "face": "A", "flatness_low_um": 0.1, "flatness_high_um": 0.2}
    site = Settings(time_zone="UTC")
    with Store.open(tmp_path / "cell.db") as store:
        store.append_face(face | {"serial": "1", "time_utc": at - timedelta(hours=1)}, who="Ann")
        store.set_lap("L1", state=state, who="QE")
        store.set_lap("L1", note="on the shelf", who="QE")  # says nothing new of its state
        assert rest_of(look_at_cell(store, site), "L1").words
        store.append_face(face | {"serial": "2", "time_utc": at - timedelta(minutes=30)}, who="Ann")  # logged late
        assert rest_of(look_at_cell(store, site), "L1").words
        store.append_face(face | {"serial": "3", "time_utc": at + timedelta(minutes=5)}, who="Ann")
        assert "1 face was lapped on it since" in rest_of(look_at_cell(store, site), "L1").remark
    report = Board(tmp_path / "cell.db", site).lap("L1")
    assert report.state != "resting" and any("1 face was lapped on it since" in told for told in report.data_health)


def test_a_face_that_is_read_again_is_none_that_the_lap_has_lapped_since(tmp_path):
    at = datetime(2026, 2, 2, 6, tzinfo=UTC)
    face = {"lap": "L1", "serial": "7", "face": "A", "flatness_low_um": 0.1, "flatness_high_um": 0.2}
    with Store.open(tmp_path / "cell.db") as store:
        store.append_face(face | {"time_utc": at}, who="Ann")
        swap = {"lap": "L1", "event": "swapped", "reason": "worn", "time_text": "08:00"}
        store.append_event(swap | {"time_utc": at.replace(hour=8)}, who="Ann")
        resting = Rest("resting since 2026-02-02 08:00", "worn")
        for hour, more, rest in ((9, {"kind": "repeat"}, resting), (10, {"serial": "8"}, Rest(""))):
            store.append_face(face | more | {"time_utc": at.replace(hour=hour)}, who="Bo")
            assert rest_of(look_at_cell(store, Settings(time_zone="UTC")), "L1") == rest


@pytest.mark.parametrize(("row", "rest"), [(2, Rest("")), (3, Rest("resting since 3 March"))])
def test_in_a_log_of_dates_alone_the_rows_say_whether_it_has_lapped_since(row, rest):
    view = view_of([("swapped", "")])
    view.events_of("A")[["sort_us", "intake_id", "row_number"]] = [7, 1, row]
    view.lapped_of = lambda lap: faces_frame([{"sort_us": 7, "row_number": 1}, {"sort_us": 7, "row_number": 2.5}])
    assert rest_of(view, "A") == rest


def test_an_event_without_a_time_is_said_to_have_none():
    view = view_of([("swapped", "")])
    view.events_of("A")["time_text"] = ""
    assert rest_of(view, "A").words == "resting since an unknown time"


def test_an_event_that_nothing_places_among_the_faces_is_left_out_as_its_cycle_leaves_it_out():
    view = view_of([("swapped", "")])
    view.events_of("A")["time_text"], view.events_of("A")["time_utc"] = "", pd.NaT
    assert rest_of(view, "A") == Rest("")
    view.lapped_of = lambda lap: faces_frame([{}]).iloc[:0]
    assert rest_of(view, "A").words == "resting since an unknown time"  # of a lap without a face there is no other word


def test_a_cycle_that_goes_on_keeps_its_forecast():
    forecast = object()
    assert no_face_left(forecast, Rest("resting since 3 March")) is forecast
