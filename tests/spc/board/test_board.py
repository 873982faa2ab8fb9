"""The board that screens share: one look, the same reports as asked one by one, kept only where it may be."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from spc.board import cell_view as cell_view_module
from spc.board.answers import with_lap_that_serves
from spc.board.board import Board
from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_report import UnknownLapError, report_of
from spc.board.lap_that_serves import lap_that_serves
from spc.board.room_history import look_at_room
from spc.board.shift import shift_of
from spc.settings import Settings
from spc.store.store import Store

REPLAYED = Settings(clock=datetime(2026, 3, 4, 12), time_zone="UTC")


@pytest.fixture
def cell(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    path = tmp_path / "lapcell.db"
    at = datetime(2026, 3, 4, 6, tzinfo=UTC)
    with Store.open(path) as store:
        store.set_limit("*", "flatness", upper_um=0.6, who="QE")
        for number in range(24):
            low = 0.1 + 0.005 * number
            store.append_face(
                {"lap": ("CI-1", "CI-2")[number % 2], "serial": f"S{number}", "time_utc": at, "minutes": 9.0,
                 "flatness_low_um": low, "flatness_high_um": low + 0.1, "flatness_text": f"{low:.3f}"}, who="Ann",
            )  # fmt: skip
            at += timedelta(minutes=9)
    return path


def never(*_args, **_options):
    raise AssertionError("looked again")


def test_it_says_what_the_reports_say(cell):
    board = Board(cell, REPLAYED)
    with Store.open(cell) as store:
        view = look_at_cell(store, REPLAYED)
    charts = chart_cell(view)
    room = look_at_room(view, charts)
    reports = [report_of(view, charts, lap, room=room) for lap in ("CI-1", "CI-2")]
    serves = lap_that_serves(
        view, "CI-1", out_of_use=lambda _: "", state_of=lambda lap: {r.lap: r.state for r in reports}[lap]
    )
    reports = [replace(r, answers=with_lap_that_serves(r.answers, serves)) for r in reports]
    assert repr(board.lap("CI-1")) == repr(reports[0])
    assert repr(board.shift()) == repr(shift_of(view, charts, reports, room=room))
    assert board.lap("CI-1") is next(report for report in board.shift().laps if report.lap == "CI-1")
    with pytest.raises(UnknownLapError, match="no lap called 'CI-9'"):
        board.lap("CI-9")


def test_the_cell_is_looked_at_once(cell, monkeypatch):
    board = Board(cell, REPLAYED)
    board.lap("CI-2")
    monkeypatch.setattr(cell_view_module, "look_at_cell", never)
    board.shift()
    board.lap("CI-1")


def test_a_replayed_log_is_reported_from_what_was_kept_until_it_changes(cell, monkeypatch):
    first = Board(cell, REPLAYED).shift()
    with monkeypatch.context() as closed:
        closed.setattr(cell_view_module, "look_at_cell", never)
        again = Board(cell, REPLAYED)
        assert repr(again.shift()) == repr(first) and again.lap("CI-1").lap == "CI-1"
    with Store.open(cell) as store:
        store.append_event({"lap": "CI-1", "event": "reconditioned"}, who="Ann")
    monkeypatch.setattr(cell_view_module, "look_at_cell", never)
    with pytest.raises(AssertionError, match="looked again"):
        Board(cell, REPLAYED).shift()


def test_a_copy_is_the_same_log_until_one_of_them_goes_on(cell, tmp_path, monkeypatch):
    copy = tmp_path / "copy.db"
    Board(cell, REPLAYED).shift()
    with Store.open(cell) as store:
        store.connection.execute("VACUUM INTO ?", (str(copy),))
    for path in (cell, copy):
        with Store.open(path) as store:
            store.append_event({"lap": "CI-1", "event": "cleaned", "note": str(path)}, who="Ann")
    Board(cell, REPLAYED).shift()
    monkeypatch.setattr(cell_view_module, "look_at_cell", never)
    Board(cell, REPLAYED).shift()
    with pytest.raises(AssertionError, match="looked again"):
        Board(copy, REPLAYED).shift()


def test_a_running_clock_keeps_nothing(cell, tmp_path):
    Board(cell, Settings()).shift()
    assert not list((tmp_path / "kept").glob("shift-*"))
