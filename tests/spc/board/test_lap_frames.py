"""Frames handed out again, and all that is told from them, equal those of a look that knows nothing yet."""

import subprocess
import sys
from collections import OrderedDict
from dataclasses import replace

import pandas as pd
import pytest

from spc.board import cell_charts, lap_forecast, lap_frames, recent_rows
from spc.board.board import Board
from spc.board.cell_view import look_at_cell
from spc.board.frozen_limits import freeze_limits
from spc.board.lap_forecast import PoolCache
from spc.board.lap_memo import LapMemo
from spc.board.reactions import keep_answer, take_back_answer
from spc.board.remembered import Remembered
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import BAND_UM, laps_in_use

SITE = Settings(time_zone="UTC", clock=pd.Timestamp("2026-03-20 12:00").to_pydatetime())
LAPS = ("K1", "K2", "K3")
N = 60


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    return laps_in_use(tmp_path / "cell.db", LAPS, N)


def at(minutes):
    return pd.Timestamp("2026-03-20 06:00", tz="UTC") + pd.Timedelta(minutes=minutes)


def face(lap, number, **said):
    told = {"part": "ring seal", "serial": f"new {number}", "operator": "B. Loom", "time_utc": at(number)}
    told |= {"grit": "9 um", "grit_um": 9.0, "minutes": 14.3, "finish_low_um": 0.07, "finish_high_um": 0.07}
    return {"lap": lap, **told, "flatness_low_um": 0.5, "flatness_high_um": 0.6, "flatness_text": "2", **said}


def newest(store, lap):
    return int(store.faces(lap=lap, last=1)["face_id"].iloc[0])


def a_file(path):
    text = "time,operator,lap,grit,part,serial,minutes,flatness (um),event\n" + "".join(
        f"2026-03-20 07:{minute:02d},C. Fell,{lap},9 um,ring seal,F{minute},11.7,{0.3 + minute / 90:.2f},\n"
        for minute, lap in zip(range(10, 40, 3), LAPS * 4, strict=False)
    )
    (path.parent / "more.csv").write_text(text, encoding="utf-8")
    with Store.open(path) as store:
        assert ingest(store, path.parent / "more.csv", name="more.csv", settings=SITE).faces == 10


def another_process(path):
    write = (
        "import sys, pandas as pd; from spc.store.store import Store\n"
        "with Store.open(sys.argv[1]) as store:\n"
        "    at = pd.Timestamp('2026-03-20T08:00Z')\n"
        "    read = {'flatness_text': '1', 'flatness_low_um': 0.2, 'flatness_high_um': 0.4, 'minutes': 9.9}\n"
        "    store.append_face({'lap': 'K3', 'part': 'gauge pin', 'serial': 'P', 'time_utc': at, **read}, who='P')"
    )
    subprocess.run([sys.executable, "-c", write, str(path)], check=True)


def answered(path):
    """Somebody answers the first open signal there is."""
    signal = next(signal for report in Board(path, SITE).shift().laps for signal in report.signals)
    with Store.open(path) as store:
        keep_answer(
            store, signal, check_done="wiped", cause="bad wipe", action="read again", result="gone", who="Ann",
            one_reading=True,
        )  # fmt: skip


def on_store(work):
    def change(path):
        with Store.open(path) as store:
            work(store)

    return change


CHANGES = {
    "a face": on_store(lambda s: s.append_face(face("K1", 10), who="Ann")),
    "a face undone": on_store(lambda s: s.withdraw_face(newest(s, "K1"), who="Ann", reason="undone")),
    "an event": on_store(
        lambda s: s.append_event({"lap": "K2", "event": "recharged", "time_utc": at(20)}, who="Ann")
    ),
    "an event undone": on_store(
        lambda s: s.withdraw_event(int(s.events(lap="K2")["event_id"].iloc[-1]), who="Ann", reason="undone")
    ),
    "a correction": on_store(
        lambda s: s.correct_face(newest(s, "K2"), {"minutes": 41.7}, who="Ann", reason="misread")
    ),
    "a correction to another lap": on_store(
        lambda s: s.correct_face(newest(s, "K3"), {"lap": "K1"}, who="Ann", reason="the other one")
    ),
    "coarse work": on_store(
        lambda s: s.append_face(face("K3", 30, grit="60 um", grit_um=60.0, operator="C. Fell"), who="Ann")
    ),
    "a scratch after it": on_store(
        lambda s: s.append_face(face("K2", 40, serial="new 30", scratch=True, operator="C. Fell"), who="Ann")
    ),
    "a file": a_file,
    "a face over the limit": on_store(
        lambda s: s.append_face(face("K1", 100, flatness_low_um=2.0, flatness_high_um=2.2), who="Ann")
    ),
    "an answer that strikes a reading out": answered,
    "that answer taken back": on_store(
        lambda s: take_back_answer(s, int(s.reactions()["reaction_id"].iloc[-1]), who="Ann", reason="wiped well")
    ),
    "another process": another_process,
    "an old event": on_store(
        lambda s: s.append_event(
            {"lap": "K2", "event": "reconditioned", "time_utc": pd.Timestamp("2026-01-07 09:10", tz="UTC")}, who="Ann"
        )
    ),
    "a limit": on_store(
        lambda s: s.set_limit("*", "flatness", upper_um=4 * BAND_UM, upper_text="4 bands", who="QE")
    ),
    "a lap put by": on_store(lambda s: s.set_lap("K3", state="stand-by", who="QE")),
    "frozen limits": on_store(
        lambda s: freeze_limits(
            s, SITE, lap="K2", sign="minutes", who="QE", why="stable", until_us=at(0).value // 1000, knowingly=True
        )
    ),
    "a face that takes long": on_store(lambda s: s.append_face(face("K2", 120, minutes=55.0), who="Ann")),
}  # fmt: skip


def told(path, site):
    """All that is said: by each lap alone, and by the shift."""
    board = Board(path, site)
    return [*(repr(board.lap(lap)) for lap in LAPS), repr(board.shift())]


def told_afresh(path, site, monkeypatch):
    with monkeypatch.context() as fresh:
        fresh.setattr("spc.board.cell_view.memo_of", lambda *_: LapMemo())
        fresh.setattr(recent_rows, "_STORES", OrderedDict())
        fresh.setattr(cell_charts, "_TRIALS", Remembered(1_000))
        for held in vars(PoolCache()):
            fresh.setattr(lap_forecast.POOLS, held, Remembered(1_000))
        fresh.setenv("LAPCELL_CACHE", "off")
        fresh.setattr("spc.board.board.find_kept", lambda *_: None)
        return told(path, site)


def test_after_every_change_the_reports_are_those_of_a_first_look(path, monkeypatch):
    before = told(path, SITE)
    for number, (what, change) in enumerate(CHANGES.items()):
        change(path)
        after = told(path, SITE)
        assert after != before or what == "frozen limits", what
        before = after
        if number % 2 == 0:  # so that changes meet as well
            assert after == told_afresh(path, SITE, monkeypatch), what


def test_other_settings_are_heeded_at_once(path, monkeypatch):
    told(path, SITE)
    other = replace(SITE, flatness_unit="uin", false_calls_per_week=0.2)
    assert told(path, other) == told_afresh(path, other, monkeypatch)


def test_the_frames_of_all_laps_together_are_those_made_together(path):
    with Store.open(path) as store:
        one_by_one, whole = look_at_cell(store, SITE), look_at_cell(store, SITE, rows=None)
        store.append_face(face("K2", 10), who="Ann")
        grown, whole_grown = look_at_cell(store, SITE), look_at_cell(store, SITE, rows=None)
    for step, all_at_once in ((one_by_one, whole), (grown, whole_grown)):
        for name in ("faces", "events", "cycles", "signs"):
            pd.testing.assert_frame_equal(getattr(step, name), getattr(all_at_once, name))


def test_only_the_lap_that_changed_is_numbered_again(path, monkeypatch):
    numbered = []
    real = lap_frames.number_cycles

    def number(faces, events, **more):
        numbered.append(set(faces["lap"]))
        return real(faces, events, **more)

    monkeypatch.setattr(lap_frames, "number_cycles", number)
    with Store.open(path) as store:
        first = look_at_cell(store, SITE)
        store.append_face(face("K2", 10, part="of its own"), who="Ann")
        store.append_event({"lap": "K2", "event": "cleaned", "time_utc": at(11)}, who="Ann")
        second = look_at_cell(store, SITE)
    assert numbered == [set(LAPS), {"K2"}]
    assert all(a is b for a, b in zip(second.frames_of("K1"), first.frames_of("K1"), strict=True))


def test_a_cycle_of_more_rows_than_are_read_of_a_lap_keeps_its_age(path):
    """Whole look against one that reads ten rows a lap: the running cycle's clocks are the same, whatever is logged."""

    def ages(rows):
        with Store.open(path) as store:
            view = look_at_cell(store, SITE, rows=rows)
        faces = view.faces_of("K1")
        cycles = view.cycles_of("K1")
        now = faces[faces["cycle"] == cycles["cycle"].iloc[-1]]
        columns = ["face_id", "age_faces", "age_minutes", "start_known", "faces_since_charge"]
        return now[columns].reset_index(drop=True), len(faces)

    def same():
        whole, few = ages(None), ages(10)
        pd.testing.assert_frame_equal(whole[0], few[0])
        return whole, few

    whole, few = same()
    assert len(whole[0]) > 10 and few[1] < whole[1]  # 20 faces since a reconditioning, of 60
    with Store.open(path) as store:
        for number in range(3):
            store.append_face(face("K1", number), who="B. Loom")
        same()
        store.append_event({"lap": "K1", "event": "reconditioned", "time_utc": at(5)}, who="B. Loom")
        store.append_face(face("K1", 6), who="B. Loom")
    whole, few = same()
    assert len(whole[0]) == 1 and few[1] == 10
    with Store.open(path) as store:
        for event_id in store.events(lap="K1")["event_id"].tolist():
            store.withdraw_event(event_id, who="B. Loom", reason="never done")
    whole, few = same()
    assert len(few[0]) == N + 4  # no reconditioning at all: its age is counted from the first face logged
