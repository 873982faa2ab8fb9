"""`lapcell due` on invented cells whose fault is known: it must name what was planted, and only that."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from spc.board.board import Board
from tests.spc.commands.planted_cell import PlantedCell, run, told


def test_a_change_of_grit_is_no_drift(tmp_path):
    """A finer grit in mid-cycle takes longer: that is another stream, not a lap that has stopped cutting."""

    def finer(lap, cycle, age, row):
        if cycle == 4 and age >= 10:
            row |= {"grit": "3 um", "minutes": str(round(2.2 * float(row["minutes"]), 1))}
            if age == 10:
                return [{"time": row["time"], "lap": lap, "event": "grit changed", "grit": "3 um"}]

    path = PlantedCell(3, fault=finer).store(tmp_path)
    report = told(path, "due", "--lap", "L1")
    assert [s["sign"] for s in report["signals"]] == []
    wear = told(path, "chart", "L1", "--sign", "wear")
    assert len(wear["readings"]) == 10 and "3 um" not in report["sentence"]
    chart = run(path, "chart", "L1", "--sign", "minutes")
    assert "no earlier cycle of this lap ran with 3 um" in chart.output


def jump(lap, cycle, age, row):
    if cycle == 4 and age >= 12:
        row["flatness um"] = f"{2 * float(row['flatness um']):.2f}"


def test_fine_readings_of_a_short_cycle_are_searched_for_a_jump(tmp_path):
    """Readings to a hundredth of a micrometre seldom repeat: a jump among them must not be refused as coarse."""
    path = PlantedCell(0, fault=jump).store(tmp_path, limit="3 um")
    assert (
        "Not wearing as usual: a jump, begun at face 13 of the cycle"
        in run(path, "chart", "L1", "--sign", "wear").output
    )
    report = told(path, "due", "--lap", "L1")
    assert (
        report["unusual_wear"] == "a jump, begun at face 13 of the cycle" and "wears as usual" not in report["sentence"]
    )
    assert any("a jump, begun at face 13 of the cycle" in reason for reason in report["reasons"])


def test_what_the_sentence_says_is_not_printed_again_below_it(tmp_path):
    path = PlantedCell(3).store(tmp_path, limit="3 um")
    left = told(path, "due", "--lap", "L1")["faces_left"]["sentence"]
    assert "faces left" in left and run(path, "due", "--lap", "L1").output.count(left) == 1


def test_faces_far_off_are_called_unusual_where_their_kind_cannot_be_told(tmp_path):
    path = PlantedCell(4, fault=jump).store(tmp_path, limit="3 um")
    said = run(path, "chart", "L1", "--sign", "wear").output
    assert "whether it jumped, turned steeper or bent cannot be told yet" in said


def test_a_lap_that_turns_through_flat_is_not_said_to_last(tmp_path):
    """Concave at 0.35 um, it goes convex by 0.03 um a face; its past cycles stayed concave."""
    rng = np.random.default_rng(3)

    def turning(lap, cycle, age, row):
        bow = (0.03 * age if cycle == 4 else 0.0) - 0.35 + 0.03 * rng.normal()
        row["flatness um"] = f"{max(round(abs(bow) / 0.05), 1) * 0.05:.2f}"
        row["shape"] = "convex" if bow > 0 else "concave"

    path = PlantedCell(2, last=22, fault=turning).store(tmp_path)
    report = told(path, "due", "--lap", "L1")
    assert any(signal["sign"] == "bow" for signal in report["signals"])
    assert report["faces_left"]["low"] <= (1 + 0.35) / 0.03 - 22 <= report["faces_left"]["high"] <= 60
    assert "convex and concave told apart" in report["confidence"]
    beside = "a form is called turning that is not, in at most one cycle in 50"
    assert beside in told(path, "due")["false_calls"]
    (tmp_path / "plain").mkdir()
    assert beside not in told(PlantedCell(2, cycles=2).store(tmp_path / "plain"), "due")["false_calls"]


@pytest.mark.parametrize("back", [False, True], ids=["as the others", "the other way"])
def test_a_lap_that_turns_as_its_past_cycles_did_calls_nobody(tmp_path, back):
    """Every cycle goes from concave to convex; one that goes the other way is as unusual as a first turn."""
    rng = np.random.default_rng(4)

    def turning(lap, cycle, age, row):
        bow = (-0.6 + 0.04 * age + 0.03 * rng.normal()) * (-1 if back and cycle == 4 else 1)
        row["flatness um"] = f"{max(round(abs(bow) / 0.05), 1) * 0.05:.2f}"
        row["shape"] = "convex" if bow > 0 else "concave"

    path = PlantedCell(2, faces=38, last=20, fault=turning).store(tmp_path)
    report = told(path, "due", "--lap", "L1")
    as_before = [
        reason for reason in report["reasons"] if ", as in 4 of 4 past cycles: the faces left take it in" in reason
    ]
    assert [signal["sign"] for signal in report["signals"]].count("bow") == back == (not as_before)
    assert report["faces_left"]["low"] <= (1 + 0.6) / 0.04 - 20 <= report["faces_left"]["high"]


def test_the_hands_that_all_bad_faces_share_are_found(tmp_path):
    def bo(lap, cycle, age, row):
        if cycle == 3 and age >= 6 and row["operator"] == "Bo":
            row["flatness um"] = f"{1.8 * float(row['flatness um']):.2f}"

    path = PlantedCell(7, laps=("L1", "L2", "L3"), cycles=4, fault=bo).store(tmp_path, limit="4 um")
    causes = told(path, "due", "--lap", "L3")["causes"]
    assert "it follows one operator" in causes[0]["why"], causes
    assert {c["name"] for c in causes[:2]} == {
        "pressure or hold of the part", "read warm, in poor light or by another eye"
    }  # fmt: skip


def test_what_moved_with_the_room_is_put_down_to_the_room(tmp_path):
    def warm(lap, cycle, age, row):
        if cycle == 3 and age >= 14:
            row["flatness um"] = f"{1.7 * float(row['flatness um']):.2f}"

    laps = ("L1", "L2", "L3", "L4", "L5", "L6")
    path = PlantedCell(6, laps=laps, cycles=4, fault=warm).store(tmp_path, limit="1.3 um")
    shift = told(path, "due")
    assert "look at the room before any lap" in shift["sentence"]
    said = run(path, "due").output
    assert all(f"  check: {check}" in said for check in shift["room"]["checks"]) and "answer --room" in said
    assert shift["room"]["causes"][0]["name"].startswith("the room") and shift["room"]["answered"] == ""
    _answer_the_room(path)
    due = [lap for lap in shift["laps"] if lap["state"] == "due"]
    assert due
    for lap in shift["laps"]:
        assert any("laps moved together" in reason for reason in lap["reasons"]), lap
        assert not lap["causes"] or lap["causes"][0]["name"].startswith("the room")
    for lap in due:
        assert lap["sentence"].startswith(f"Look at the room before {lap['lap']} is worked on")


def _answer_the_room(path):
    """It is accepted, counted, settles the alarm, and can be taken back."""
    signed = ("--who", "Ann")
    assert run(path, "answer", "--room", "--cause", "handed on?", *signed).exit_code == 3
    assert "Kept for the room: the room: temp" in run(path, "answer", "--room", "--cause", "the room", *signed).output
    room = told(path, "due")["room"]
    assert room["answered"] == "Found by Ann: the room: temperature, lamp, flat, slurry batch."
    assert room["causes"][0]["counted"] == "found 1 of 1 times"
    assert room["answered"] in run(path, "due").output
    again = run(path, "answer", "--room", "--cause", "not found", *signed)
    assert again.exit_code == 3 and "is answered: Found by Ann" in again.output
    assert run(path, "answer", "--room", "--take-back", *signed).output.startswith("Taken back on the room: the room: ")
    assert told(path, "due")["room"]["answered"] == ""


def test_a_log_without_any_flatness_says_nothing_of_it(tmp_path):
    path = PlantedCell(8, cycles=2, fault=lambda lap, cycle, age, row: row.update({"flatness um": ""})).store(tmp_path)
    report = told(path, "due", "--lap", "L1")
    _, serves, what = (each["answer"] for each in report["answers"])
    assert "good at the first pass" not in serves and "that were read" in serves
    assert what == "Nothing has moved, so none of them shows."
    assert report["faces_left"]["status"] == "refused"
    for clock in ("faces", "minutes"):
        age = told(path, "age", "L1", "--clock", clock)
        assert "only 1 of 2 cycles ended worn" in age["sentence"]
    assert told(path, "chart", "L1", "--sign", "wear")["status"] == "refused"


def test_a_part_number_without_a_limit_is_named(tmp_path):
    def other(lap, cycle, age, row):
        row["part"] = f"P{1 + age % 2}"

    path = PlantedCell(9, cycles=3, fault=other).store(tmp_path, limit="")
    assert "No limit is set for this part" in told(path, "due", "--lap", "L1")["sentence"]
    run(path, "parts", "set", "P2", "flatness", "1 um", "--who", "QE")
    report = told(path, "due", "--lap", "L1")
    assert any(said.startswith("No flatness limit is set for P1 (34 of the last 68 faces)")
               for said in report["data_health"])  # fmt: skip
    assert "(P2)" in report["sentence"]


def test_equal_readings_and_a_lap_out_of_use_are_said_in_words(tmp_path):
    path = PlantedCell(2, fault=lambda lap, cycle, age, row: row.update({"flatness um": "0.40"})).store(tmp_path)
    assert "All 20 readings are equal: no wear can be seen" in run(path, "chart", "L1", "--sign", "wear").output
    out = ("events", "add", "L1", "retired", "--time", "2026-03-05 19:00", "--reason", "worn", "--who", "QE")
    assert run(path, *out).exit_code == 0
    (tmp_path / "lapcell.toml").write_text('clock = 2026-03-06T06:00:00\ntime_zone = "UTC"\n')
    assert "Nothing needs a person: 1 lap resting, none in use." in run(path, "due").output


def test_no_faces_are_promised_from_equal_readings_and_no_past_cycle(tmp_path):
    equal = PlantedCell(2, cycles=1, fault=lambda lap, cycle, age, row: row.update({"flatness um": "0.40"}))
    report = told(equal.store(tmp_path), "due", "--lap", "L1")
    assert (report["state"], report["next_step"]) == ("watch", "Check the reading")
    assert report["sentence"].startswith(
        "L1: the readings do not move. Check the reading before a face is passed by it."
    )
    assert report["faces_left"]["status"] == "refused"


def test_a_lap_without_a_past_cycle_is_not_said_to_wear_as_usual(tmp_path):
    path = PlantedCell(2, cycles=1).store(tmp_path, limit="3 um")
    assert told(path, "due", "--lap", "L1")["sentence"].startswith("L1 has no past cycle to compare with")
    assert "as usual" not in told(path, "due")["sentence"]


def test_a_lap_out_of_use_and_worn_or_retired_has_no_faces_left(tmp_path):
    cell = PlantedCell(3, fault=jump)
    path = cell.store(tmp_path, limit="1.5 um")
    before = told(path, "due", "--lap", "L1")
    assert before["signals"] and before["causes"] and before["faces_left"]["status"] == "range"
    for second, event, left, how in (
        ("05", "swapped", "none until reconditioned", "resting"),
        ("10", "retired", "", "retired (worn)"),
    ):
        out = ("events", "add", "L1", event, "--time", cell.rows[-1]["time"][:-2] + second, "--reason", "worn")
        assert run(path, *out, "--who", "Ann").exit_code == 0
        lap = told(path, "due", "--lap", "L1")
        assert (lap["state"], lap["faces_left"]["status"], lap["faces_left"]["sentence"]) == ("resting", "ended", left)
        assert lap["sentence"] == f"L1 has been {how} since {cell.rows[-1]['time'][:-2]}{second}."
        assert lap["next_step"] == ""
        assert (lap["signals"], lap["causes"], lap["confidence"]) == ([], [], "")
        assert "Nothing has moved" in lap["answers"][-1]["answer"]
        (line,) = (line for line in run(path, "due").output.splitlines() if line.startswith("L1 "))
        assert left in line and "faces left" not in line and "average" not in line
        assert "faces left" not in run(path, "due", "--lap", "L1").output


def test_a_lap_retired_in_the_register_alone_is_said_to_be_retired(tmp_path):
    path = PlantedCell(3, cycles=2).store(tmp_path)
    assert run(path, "laps", "retire", "L1", "--who", "Ann", "--why", "worn through").exit_code == 0
    assert told(path, "due", "--lap", "L1")["sentence"] == "L1 is retired."


def test_nothing_beside_a_hold_invites_to_go_on(tmp_path):
    """A scratch on a lap with faces left: the range is evidence for a program, and no plan for a person."""

    def scratched(lap, cycle, age, row):
        if cycle == 4 and age == 19:
            row["scratch"] = "yes"

    path = PlantedCell(6, fault=scratched).store(tmp_path, limit="1.2 um")
    held = told(path, "due", "--lap", "L1")
    assert (held["state"], held["faces_left"]["status"], held["next_break"]) == ("held", "range", "")
    screen = run(path, "due", "--lap", "L1").output
    assert "next break" not in screen and "90% range" not in screen
    (line,) = (line for line in run(path, "due").output.splitlines() if line.startswith("L1 "))
    assert "none until answered" in line and "faces left" not in line


def test_a_cause_that_is_listed_is_never_said_to_be_impossible(tmp_path, monkeypatch):
    path = PlantedCell(4, fault=jump).store(tmp_path)
    looked_at = Board.lap

    def told_small(board, lap):
        report = looked_at(board, lap)
        shares = (0.984, 0.006, 0.0049, 0.0)
        causes = (replace(c, likelihood=share) for c, share in zip(report.causes, shares, strict=True))
        return replace(report, causes=tuple(causes))

    monkeypatch.setattr(Board, "lap", told_small)
    printed = run(path, "due", "--lap", "L1").output.partition("likeliest first:\n")[2].splitlines()[:4]
    assert [line[:10].strip() for line in printed] == ["98%", "1%", "under 1%", "under 1%"]  # as on the screen


def test_a_lap_retired_and_returned_goes_on_with_the_same_wear(tmp_path):
    cell = PlantedCell(6)
    path = cell.store(tmp_path, limit="0.8 um")
    before = told(path, "due", "--lap", "L1")
    for second, event in (("05", "retired"), ("10", "returned")):
        add = ("events", "add", "L1", event, "--time", cell.rows[-1]["time"][:-2] + second, "--who", "Ann")
        assert run(path, *add).exit_code == 0
        lap = told(path, "due", "--lap", "L1")
        assert (lap["state"] == "resting") == (event == "retired") == (lap["next_break"] == "")
    for same in ("state", "sentence", "faces_left", "age_faces", "signals"):
        assert lap[same] == before[same]
    assert before["faces_left"]["own_faces"] > 0


def test_a_reconditioning_closes_what_the_cycle_before_showed(tmp_path):
    """Worn out, over its limit and turning; then reconditioned, and no face lapped since."""

    def worn(lap, cycle, age, row):
        row["shape"] = "convex" if cycle < 4 or age > 9 else "concave"
        if cycle == 4 and age >= 14:
            row |= {name: f"{2 * float(row[name]):.2f}" for name in ("flatness um", "minutes")}

    cell = PlantedCell(6, fault=worn)
    path = cell.store(tmp_path, limit="0.8 um")
    before = told(path, "due", "--lap", "L1")
    assert before["state"] == "held" and {"flatness", "minutes", "bow"} <= {s["sign"] for s in before["signals"]}
    done = ("events", "add", "L1", "reconditioned", "--time", cell.rows[-1]["time"][:-2] + "05", "--reason", "worn")
    assert run(path, *done, "--who", "Ann").exit_code == 0
    after = told(path, "due", "--lap", "L1")
    assert (after["signals"], after["causes"], after["age_faces"]) == ([], [], 0)
    assert after["state"] in ("cutting", "watch") and "Stop" not in after["sentence"]
    assert after["sentence"].startswith("L1 is fresh and has no face of its own yet")
    assert after["answers"][2]["answer"] == "Nothing has moved, so none of them shows."
    assert "No face of this cycle has been read yet." in run(path, "chart", "L1", "--sign", "wear").output
    assert run(path, "due").exit_code == 0


def test_a_fresh_lap_is_not_counted_among_those_that_wear_as_usual(tmp_path):
    cell = PlantedCell(1, laps=("L1", "L2"), cycles=4, last=8)
    path = cell.store(tmp_path, limit="5 um")
    assert told(path, "due")["sentence"] == "Nothing needs a person: 2 laps wearing as usual."
    later = f"{datetime.fromisoformat(cell.rows[-1]['time']) + timedelta(minutes=5):%Y-%m-%d %H:%M}"
    done = ("events", "add", "L2", "reconditioned", "--time", later, "--reason", "planned")
    assert run(path, *done, "--who", "Ann").exit_code == 0
    said = "Nothing needs a person: 1 lap wearing as usual; 1 lap fresh, with no face yet."
    assert told(path, "due")["sentence"] == said


def test_what_was_done_to_a_lap_is_said_in_english(tmp_path):
    cell = PlantedCell(6)
    path = cell.store(tmp_path)
    for second, event in (("05", "ring moved"), ("06", "grit changed"), ("07", "recharged")):
        add = ("events", "add", "L1", event, "--time", cell.rows[-1]["time"][:-2] + second)
        assert run(path, *add, "--operator", "Ann", "--who", "Ann").exit_code == 0
    changed = told(path, "due")["changed"]
    assert changed[-3:] == [
        "L1 had its ring moved by Ann.",
        "L1 had its grit changed by Ann.",
        "L1 was recharged by Ann.",
    ]


def test_a_resting_lap_says_nothing_of_a_range_that_is_not_shown(tmp_path):
    cell = PlantedCell(13, last=14)
    path = cell.store(tmp_path)
    assert told(path, "due", "--lap", "L1")["confidence"].startswith("90% range")
    out = ("events", "add", "L1", "swapped", "--time", cell.rows[-1]["time"], "--who", "Ann")
    assert run(path, *out).exit_code == 0
    resting = told(path, "due", "--lap", "L1")
    assert (resting["state"], resting["confidence"]) == ("resting", "")
