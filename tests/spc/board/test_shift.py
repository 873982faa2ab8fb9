"""The shift in figures: finished faces, and the share of them that was lapped again; which laps stand apart."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from spc.board.board import Board
from spc.board.false_calls import go_look
from spc.board.results import RoomAlarm, Signal
from spc.board.room_history import RoomHistory
from spc.board.shift import go_look_words, shift_of
from spc.settings import Settings, load_settings
from spc.store.store import Store
from tests.spc.board.invented_cell import laps_in_use
from tests.spc.commands.planted_cell import PlantedCell, run, told


def again(lap, cycle, age, row):
    """Only the last pass of a face is written down, with its number."""
    row["attempt"] = str(1 + age % 2)


def test_faces_whose_first_pass_was_never_logged_are_counted(tmp_path):
    path = PlantedCell(1, cycles=2, faces=8, last=7, fault=again).store(tmp_path)
    shift = told(path, "due")
    assert shift["faces_this_shift"] == 15


def test_a_shift_of_further_passes_only_is_reported(tmp_path):
    def all_again(lap, cycle, age, row):
        row["attempt"] = "3"

    path = PlantedCell(1, cycles=1, last=3, fault=all_again).store(tmp_path)
    found = run(path, "due")
    assert found.exit_code < 2, found.output
    assert told(path, "due")["faces_this_shift"] == 3


def test_a_lap_whose_face_is_only_read_again_has_not_run(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    read = {"flatness_low_um": 0.1, "flatness_high_um": 0.2}
    with Store.open(tmp_path / "cell.db") as store:
        for lap, day, again in (("A", 2, False), ("B", 2, False), ("B", 3, False), ("A", 3, True)):
            at, serial = datetime(2026, 3, day, 8, tzinfo=UTC), f"{lap}{2 if again else day}"
            minutes = {} if again else {"minutes": 4.0}
            store.append_face({"lap": lap, "serial": serial, "time_utc": at} | read | minutes, who="Ann")
    shift = Board(tmp_path / "cell.db", Settings(time_zone="UTC", clock=datetime(2026, 3, 3, 12))).shift()
    assert "Ran in the shift before and not in this one yet: A." in shift.changed


@pytest.mark.parametrize(
    ("states", "said"),
    [
        ("held cutting watch", "K1 and K2 stand apart from the other laps this shift. K2 is not among the laps"),
        ("cutting cutting watch", "K1 and K2 stand apart from the other laps this shift. K1 and K2 are not among"),
        ("held due watch", "K1 and K2 stand apart from the other laps this shift. Of 3 laps 2 stand apart by"),
    ],
)
def test_a_lap_that_stands_apart_and_may_carry_on_is_not_said_to_need_a_person(states, said):
    chosen = go_look([0.001, 0.002, 0.9])
    words = go_look_words(dict(zip(("K1", "K2", "K3"), states.split(), strict=True)), chosen)
    assert words.startswith(said) and "need a look" not in words


def test_a_lap_listed_for_its_hold_alone_is_not_said_to_stand_apart():
    words = go_look_words({"K1": "held", "K2": "cutting"}, go_look([0.9, 0.8], never_filtered=[True, False]))
    assert words.startswith("Of 2 laps none stands apart by the faces of this shift, 1 more is listed for a face over")
    assert go_look_words({"K1": "cutting"}, go_look([0.9])) == ""


@pytest.mark.parametrize(("spoke", "new"), [(-1, True), (0, True), (-20, False)])
def test_a_signal_is_new_in_the_shift_in_which_its_spell_first_spoke(tmp_path, monkeypatch, spoke, new):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    clock = datetime(2026, 1, 5, 9) + timedelta(days=4, hours=5, minutes=30)  # the last of 60 faces, 12 a day
    board = Board(laps_in_use(tmp_path / "cell.db", ["K1"], 60), Settings(time_zone="UTC", clock=clock))
    view, cell, room = board.look()
    faces = view.faces_of("K1")["face_id"].tolist()
    first = -1 if spoke == -1 else faces[spoke - 1]
    told = Signal("K1", "minutes", "", "Minutes.", "look", 0.001, faces[-1], 1, 9, "", 0.1, 5.0, spoke_face_id=first)
    report = replace(board.lap("K1"), signals=(told,))
    assert ("New this shift: Minutes." in shift_of(view, cell, [report], room=room).changed) == new


@pytest.mark.parametrize(
    ("answered", "said"),
    [
        ("", "Most moved: look at the room. K1 held for a person."),
        ("Found by Ann: a lamp.", "Most moved. Found by Ann: a lamp. K1 held for a person; K2 due for reconditioning."),
    ],
)
def test_what_moved_the_room_is_said_first_and_hides_no_hold(tmp_path, monkeypatch, answered, said):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    board = Board(laps_in_use(tmp_path / "cell.db", ["K1", "K2"], 30), Settings(time_zone="UTC"))
    view, cell, room = board.look()
    reports = [replace(board.lap(lap), state=state) for lap, state in (("K1", "held"), ("K2", "due"))]
    alarm = RoomAlarm("Most moved: look at the room.", ("K1", "K2"), 0.001, (), answered=answered)
    monkeypatch.setattr("spc.board.shift._room", lambda view, room: alarm)
    monkeypatch.setattr(RoomHistory, "alarm", alarm)
    monkeypatch.setattr(RoomHistory, "with_it", frozenset())
    found = shift_of(view, cell, reports, room=room)
    assert found.sentence == said and found.changed[0] == "New this shift: Most moved."


@pytest.mark.parametrize("reconditioned", [False, True])
def test_faces_before_a_reconditioning_do_not_make_a_lap_stand_apart_by_frozen_limits(tmp_path, reconditioned):
    cell = PlantedCell(3, rate=0.0)
    usual = cell.rows[-1]
    at = (datetime.fromisoformat(usual["time"]) + timedelta(days=1)).replace(hour=6)
    list_ends = f"{at:%Y-%m-%d}"
    for number in range(12):
        at += timedelta(minutes=20)
        if reconditioned and number == 8:
            cell.rows.append({"time": f"{at:%Y-%m-%d %H:%M}", "lap": "L1", "event": "reconditioned"})
        read = {"serial": f"Z{number}", "flatness um": "0.60" if number < 8 or not reconditioned else "0.40"}
        cell.rows.append({**usual, **read, "time": f"{at:%Y-%m-%d %H:%M}"})
    path = cell.store(tmp_path, limit="2 um")
    frozen = run(path, "limits", "freeze", "L1", "--until", list_ends, "--who", "QE", "--why", "stable", "--knowingly")
    assert "judges faces from" in frozen.output
    report = Board(path, load_settings(tmp_path / "lapcell.toml")).shift()
    assert report.go_look == (() if reconditioned else ("L1",))
