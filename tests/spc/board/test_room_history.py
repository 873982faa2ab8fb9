"""A shift in which the whole room read high, seen from the shifts after it: no single lap is called or forecast by it.

Invented cells of six alike laps; in some of their shifts every flatness reading is multiplied.
"""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from spc.board.board import Board
from spc.chart.norm import scored
from spc.settings import load_settings
from tests.spc.commands.planted_cell import PlantedCell, run, told

LAPS = tuple(f"L{number}" for number in range(1, 7))
LATE = ("2026-03-03 14:00", "2026-03-03 22:00")  # of the running cycle, some faces before it
EARLY_AFTER = ("2026-03-04 06:00", "2026-03-04 14:00")
LATE_AFTER = ("2026-03-04 14:00", "2026-03-04 22:00")
HELD_UP = 1.6  # sd of a reading: 0.15 of its logarithm


def cell_of(folder, seed=1, *, last=26, stretches=(LATE,), only=LAPS, factor=HELD_UP, limit="3 um", **options):
    """Store of a cell whose readings within stretches are multiplied on the laps named."""
    made = PlantedCell(seed, laps=LAPS, cycles=3, faces=20, last=last, **options)
    for row in made.rows:
        if row.get("flatness um") and row["lap"] in only and any(a <= row["time"] < b for a, b in stretches):
            row["flatness um"] = f"{float(row['flatness um']) * factor:.2f}"
    folder.mkdir(exist_ok=True)
    return made.store(folder, limit=limit)


def board_of(path):
    return Board(path, load_settings(path.parent / "lapcell.toml"))


def called(shift):
    """Laps with an open signal of their flatness."""
    return [lap["lap"] for lap in shift["laps"] if "flatness" in [signal["sign"] for signal in lap["signals"]]]


def flatness_signals(report):
    return [signal for lap in report.laps for signal in lap.signals if signal.sign == "flatness"]


@pytest.fixture(autouse=True)
def _nothing_kept(monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_next_shift_calls_no_lap_for_the_readings_of_a_room_that_read_high(tmp_path, seed):
    path = cell_of(tmp_path, seed)
    shift = told(path, "due")
    assert shift["room"] is None
    assert called(shift) == []
    before = shift["room_before"]
    assert sorted(before["laps"]) == list(LAPS) and before["checks"]
    assert before["sentence"].startswith("In the late shift of 2026-03-03 6 of 6 laps moved together, to the worse. ")
    assert "no chart, cause or faces left of these laps leans on them" in before["sentence"]
    for lap in shift["laps"]:
        assert [r for r in lap["reasons"] if "(late shift of 2026-03-03) are set aside: the whole room read high" in r]
        assert not [remark for remark in lap["data_health"] if "may have been reconditioned" in remark]
    assert before["sentence"] in run(path, "due").output
    page = path.parent / "page.html"
    assert run(path, "handover", "--out", str(page)).exit_code < 2
    assert before["sentence"] in page.read_text() and "The room: read the room temperature" in page.read_text()


def test_faces_left_lean_on_the_other_readings_alone(tmp_path):
    """The same cell with another factor in that shift, and with no reading in it at all: the same ranges."""
    ranges = []
    for name, factor in (("a", HELD_UP), ("b", 1.9)):
        shift = told(cell_of(tmp_path / name, factor=factor), "due")
        laps = sorted(shift["laps"], key=lambda lap: lap["lap"])
        ranges.append([(lap["faces_left"]["low"], lap["faces_left"]["high"]) for lap in laps])
        assert {lap["faces_left"]["own_faces"] for lap in laps} == {10}  # of 26, 16 in that shift
    assert ranges[0] == ranges[1]


def test_a_lap_that_moved_further_than_the_room_keeps_its_own_signal(tmp_path):
    def jumps(lap, cycle, age, row):
        if lap == "L3" and cycle == 2 and LATE[0] <= row["time"] < LATE[1]:
            row["flatness um"] = f"{float(row['flatness um']) * 1.6:.2f}"

    shift = told(cell_of(tmp_path, fault=jumps), "due")
    assert called(shift) == ["L3"]
    assert "L3 moved further than the room and is judged as ever" in shift["room_before"]["sentence"]
    (lap,) = (lap for lap in shift["laps"] if lap["lap"] == "L3")
    assert not [reason for reason in lap["reasons"] if "set aside" in reason]
    assert not lap["causes"][0]["name"].startswith("the room")


def test_a_lap_already_called_stays_called_and_its_spell_is_dated_by_all_its_faces(tmp_path):
    def jumps(lap, cycle, age, row):
        if lap == "L3" and cycle == 2 and age < 7:
            row["flatness um"] = f"{float(row['flatness um']) * 2.2:.2f}"

    report = board_of(cell_of(tmp_path, fault=jumps)).lap("L3")
    (signal,) = report.signals
    assert signal.since_faces >= 16 + 3  # those of the room's shift stand between
    assert f" from {signal.since_faces} to " in signal.sentence


def test_a_lap_reconditioned_since_still_has_its_say_on_the_shift(tmp_path):
    """Two of six laps began a new cycle this morning: four alone would be too few to tell the room from the laps."""

    def conditioned(lap, cycle, age, row):
        if lap in ("L1", "L2") and cycle == 2 and age == 24:
            return [{"time": row["time"], "lap": lap, "event": "reconditioned", "reason": "planned"}]
        return None

    shift = told(cell_of(tmp_path, fault=conditioned), "due")
    assert sorted(shift["room_before"]["laps"]) == list(LAPS)
    assert called(shift) == []


def test_the_running_shift_is_tested_as_it_goes_on_and_said_to_be_past_when_it_is(tmp_path):
    now = board_of(cell_of(tmp_path / "now", last=20, limit="30 um"))
    shift = now.shift()
    assert shift.shift_text == "late shift of 2026-03-03" and shift.room_before is None
    assert sorted(shift.room.laps) == list(LAPS) and not flatness_signals(shift) and shift.go_look == ()
    answer = ("answer", "--room", "--cause", "bad reading", "--who", "Ann")
    assert run(tmp_path / "now" / "lapcell.db", *answer).exit_code < 2
    shift = board_of(tmp_path / "now" / "lapcell.db").shift()
    said = [lap.sentence for lap in shift.laps]
    assert all("(found by Ann: bad reading)" in one and "has been looked at" not in one for one in said)
    calm = sum(lap.state == "cutting" for lap in shift.laps)
    assert calm > 1 and f" {calm} laps moved so, with faces left." in shift.sentence
    later = board_of(cell_of(tmp_path / "later", last=44)).shift()  # one shift further on
    assert later.shift_text == "late shift of 2026-03-04" and later.room is later.room_before is None
    assert all([r for r in lap.reasons if "late shift of 2026-03-03" in r] for lap in later.laps)
    assert not flatness_signals(later)


def test_a_room_that_read_low_is_told_so(tmp_path):
    shift = told(cell_of(tmp_path, factor=1 / HELD_UP), "due")
    assert "to the better" in shift["room_before"]["sentence"]
    assert all([r for r in lap["reasons"] if "the whole room read low then" in r] for lap in shift["laps"])


def test_what_has_lasted_three_shifts_counts_for_faces_left_and_calls_no_lap(tmp_path):
    left = {}
    for name, stretches in (("two", (EARLY_AFTER, LATE_AFTER)), ("three", (LATE, EARLY_AFTER, LATE_AFTER))):
        board = board_of(cell_of(tmp_path / name, last=46, stretches=stretches))
        shift = board.shift()
        assert shift.room is not None and not flatness_signals(shift)
        left[name] = {lap.lap: lap.faces_left.own_faces for lap in shift.laps}
        lasting = "Faces left count it, for the room has read so for long."
        assert all((lasting in " ".join(lap.reasons)) == (name == "three") for lap in shift.laps)
        counts = "faces left count them." if name == "three" else "faces left do not count them."
        assert all(lap.sentence.count("moved with the room") == lap.sentence.count(counts) for lap in shift.laps)
        assert any(counts in lap.sentence for lap in shift.laps)
        assert ("The room has read so for 3 shifts or more" in shift.room_before.sentence) == (name == "three")
    assert set(left["three"].values()) == {46} and max(left["two"].values()) < 46


def test_a_grit_that_is_too_coarse_is_not_put_down_to_the_room(tmp_path):
    """Neither while the room reads high nor in the shift after."""

    def coarse(lap, cycle, age, row):
        if lap == "L2" and cycle == 2 and age >= 19:
            row["grit"] = "30 um"

    for name, last in (("now", 20), ("after", 26)):
        shift = told(cell_of(tmp_path / name, last=last, fault=coarse), "due")
        (lap,) = (lap for lap in shift["laps"] if lap["lap"] == "L2")
        assert lap["state"] == "held" and "grit" in [signal["sign"] for signal in lap["signals"]]
        assert lap["causes"][0]["name"] == "coarse grain or contamination"


def test_what_a_lap_does_after_such_a_shift_is_not_put_down_to_the_room(tmp_path):
    """A jump of one lap in the next shift; the others read as usual there."""

    def jumps(lap, cycle, age, row):
        if lap == "L4" and row["time"] >= EARLY_AFTER[0]:
            row["flatness um"] = f"{float(row['flatness um']) * 2.2:.2f}"

    shift = told(cell_of(tmp_path, last=31, fault=jumps), "due")
    assert "L4" in called(shift)
    (lap,) = (lap for lap in shift["laps"] if lap["lap"] == "L4")
    room = [cause["likelihood"] for cause in lap["causes"] if cause["name"].startswith("the room")]
    assert sum(room) < 0.2


def test_charts_say_which_of_their_readings_are_set_aside(tmp_path):
    path = cell_of(tmp_path)
    chart = told(path, "chart", "L1")
    words = "16 readings were taken while the whole room had moved: judged here, set aside where the lap is judged"
    assert words in chart["remarks"]
    assert not [remark for remark in told(path, "chart", "L1", "--sign", "minutes")["remarks"] if "room" in remark]
    wear = told(path, "chart", "L1", "--sign", "wear")
    assert "16 faces of it, read while the whole room had moved, are left out." in wear["sentence"]
    assert "Not wearing as usual" not in wear["sentence"]


@pytest.mark.parametrize("read", ["high", "as usual"])
def test_in_a_log_of_days_alone_the_day_stands_for_the_shift(tmp_path, read):
    """Shift hours are set, and no face says its hour: a room that read high that day calls no lap."""
    made = PlantedCell(1, laps=LAPS, cycles=3, faces=20, last=26)
    for row in made.rows:
        row["time"] = row["time"][:10]
        if read == "high" and row.get("flatness um") and row["time"] == "2026-03-04":
            row["flatness um"] = f"{float(row['flatness um']) * HELD_UP:.2f}"
    path = made.store(tmp_path, limit="3 um")
    shift = told(path, "due")
    assert shift["shift"] == "2026-03-04" and shift["stale"] == "" and shift["faces_this_shift"] > 0
    assert called(shift) == []
    if read == "high":
        assert sorted(shift["room"]["laps"]) == list(LAPS)
    else:
        assert shift["room"] is None
    settings = path.parent / "lapcell.toml"
    for now, words in (
        ("2026-03-04T21:50:00", ""),
        ("2026-03-05T06:10:00", "No face is dated today: the newest is of 2026-03-04."),
        ("2026-03-07T06:10:00", "No face is dated today: the newest is of 2026-03-04, 3 days ago."),
    ):
        lines = settings.read_text().splitlines()
        settings.write_text("\n".join([f"clock = {now}", *lines[1:]]))
        assert told(path, "due")["stale"] == words


def test_a_quiet_cell_remembers_nothing(tmp_path):
    shift = board_of(cell_of(tmp_path, stretches=())).shift()
    assert shift.room is shift.room_before is None
    assert not [r for lap in shift.laps for r in lap.reasons if "set aside" in r]


def test_the_score_of_a_shift_is_the_sum_over_its_standard_deviation(tmp_path):
    """Second route: the covariance of the faces of a shift written out, the faces scored one by one."""
    board = board_of(cell_of(tmp_path, last=20))
    view, charts, history = board.look()
    (shift,) = history.moved
    assert shift.span.start == datetime(2026, 3, 3, 14) and history.alarm is shift.alarm
    scores = []
    for lap in LAPS:
        judged = charts.charts[lap, "flatness"].replayed
        norm, stream = judged.revisions[0].model.norm, judged.stream.where(judged.stream.sort_us >= shift.span.start_us)
        z = scored(stream, replace(norm, cycles=None)).z
        alike = np.outer(stream.age_faces, stream.age_faces) * norm.cycles.slope_sd**2 + norm.cycles.start_sd**2
        scores.append(z.sum() / (alike + norm.cycles.within_sd**2 * np.eye(z.size)).sum() ** 0.5)
    assert f"The middle lap moved by {np.median(scores):.1f} sd" in shift.alarm.evidence
