"""A shift in which most laps read high: the room's, or one operator's or part number's faces alone.

Invented cells of six alike laps; three operators take turns on every lap.
"""

import numpy as np
import pandas as pd

from spc.board.move_sources import LapFaces, weigh_sources
from spc.board.one_source import Carried, carried_words, waits_for_second_reader
from spc.board.results import RoomAlarm
from spc.board.room_source import told_of_one_source
from tests.honesty.moved_cell import Moved, reports_of
from tests.spc.commands.planted_cell import PlantedCell, run, told

SINCE = "2026-03-03 14:00"  # the shift that runs at the end
HIGH = 1.9
READ, HAND = "read warm", "pressure or hold"


def high(lap, cycle, age, row):
    row["part"] = ("P1", "P2")[(age // 3 + int(lap[1])) % 2]
    if row["time"] >= SINCE and row["operator"] == "Bo":
        row["flatness um"] = f"{float(row['flatness um']) * HIGH:.2f}"


def test_one_operators_readings_are_no_room_alarm(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    laps = tuple(f"L{number}" for number in range(1, 6))
    path = PlantedCell(1, laps=laps, cycles=3, faces=20, last=20, fault=high).store(tmp_path, limit="3 um")
    shift = told(path, "due")
    assert shift["room"] is None
    found = shift["not_the_room"]
    assert " read high this shift in the faces of one operator alone: these are " in found["sentence"]
    assert "Bo" not in found["sentence"] and found["checks"][0].startswith("let a second reader read")
    alone = " laps read high this shift in the faces of one operator alone"
    assert f"{alone}: let a second reader read one of these faces again" in shift["sentence"]
    assert shift["changed"][0].startswith("New this shift: ") and shift["changed"][0].endswith(f"{alone}.")
    assert not any("wears as usual" in lap["sentence"] for lap in shift["laps"] if lap["lap"] in found["laps"])
    called = [lap for lap in shift["laps"] if "flatness" in [signal["sign"] for signal in lap["signals"]]]
    assert len(called) >= 3
    for lap in called:
        again = f"Let a second reader read one of the last faces of {lap['lap']} again"
        assert lap["sentence"].startswith(
            (f"{again}; if it still reads so, recondition it", f"{again} before the next")
        )
        assert lap["next_step"] == "Second reader"
        assert lap["causes"][0]["name"].startswith((READ, HAND))
        (reason,) = (reason for reason in lap["reasons"] if reason.startswith("It follows one operator: the faces of"))
        assert reason.endswith("cool and wiped: it may be the reading, the gauge or the hand.")
        assert "First: Let a second reader read one of these faces again" in lap["answers"][2]["answer"]
    assert found["sentence"] in run(path, "due").output
    page = path.parent / "page.html"
    assert run(path, "handover", "--out", str(page)).exit_code < 2
    assert found["sentence"] in page.read_text() and "All laps: let a second reader" in page.read_text()


def test_one_operators_shift_is_not_forgotten_in_the_next(tmp_path, monkeypatch):
    """The faces count, and nobody touches a lap for them before another has read one again; then no more is said."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    laps = tuple(f"L{number}" for number in range(1, 6))

    def in_that_shift(lap, cycle, age, row):
        if row["time"] < "2026-03-03 22:00":
            high(lap, cycle, age, row)

    cell = PlantedCell(1, laps=laps, cycles=3, faces=20, last=23, fault=in_that_shift)
    path = cell.store(tmp_path, limit="3 um")
    shift = told(path, "due")
    assert shift["not_the_room"] is shift["room"] is shift["room_before"] is None
    before = shift["not_the_room_before"]["sentence"]
    assert before.startswith(
        "5 laps read high in the late shift of 2026-03-03 in the faces of one operator alone: these "
    )
    assert before in run(path, "due").output
    page = path.parent / "page.html"
    run(path, "handover", "--out", str(page))
    assert before in page.read_text() and "All laps: let a second reader" in page.read_text()
    suspect = (
        "5 faces of this cycle (late shift of 2026-03-03) are of one operator whose faces alone read high then, on 5"
    )
    for lap in shift["laps"]:
        assert [reason for reason in lap["reasons"] if reason.startswith(suspect)] and "Bo" not in lap["sentence"]
        if lap["state"] == "due" or "flatness" in [signal["sign"] for signal in lap["signals"]]:
            assert lap["next_step"] == "Second reader"


def carried_rows(**repeat):
    """Four faces of a shift, two of them of Bo's, one after it; and a repeat reading where one is given."""
    rows = [
        {"kind": "face", "cycle": 2, "sort_us": at, "operator": who, "part": "P1", "serial": f"S{at}", "face": "A"}
        for at, who in ((1, "Bo"), (2, "Ann"), (3, "Bo"), (4, "Ann"), (12, "Bo"))
    ]
    more = [{**rows[0], "kind": "repeat", "sort_us": 13, **repeat}] if repeat else []
    return pd.DataFrame(rows + more)


def test_suspect_faces_wait_until_somebody_else_has_read_one_of_them_again():
    shift = Carried(0, 10, "late shift of 2026-03-03", "low", 6, "operator", "Bo")
    (said,) = carried_words(carried_rows(), [shift])
    assert said == (
        "2 faces of this cycle (late shift of 2026-03-03) are of one operator whose faces alone read low then, on 6 "
        "laps: they count, and are suspect until a second reader has read one, such as P1 S3 A, again."
    )
    assert waits_for_second_reader(carried_rows(), [shift])
    for repeat in ({"operator": "Bo"}, {"operator": ""}, {"operator": "Ann", "serial": "S4"}):
        assert waits_for_second_reader(carried_rows(**repeat), [shift])
        assert carried_words(carried_rows(**repeat), [shift]) == (said,)
    assert not waits_for_second_reader(carried_rows(operator="Ann"), [shift])
    assert carried_words(carried_rows(operator="Ann"), [shift]) == ()  # it has been read again
    early = shift._replace(start_us=3)  # a reading before the shift, of a face without a serial number, is another face
    rows = carried_rows(operator="Ann", sort_us=2).assign(serial="")
    assert waits_for_second_reader(rows, [early]) and not waits_for_second_reader(rows.assign(sort_us=9), [early])
    part = shift._replace(column="part", name="P1", read="high")
    (said,) = carried_words(carried_rows(), [part])
    assert said.startswith("4 faces") and "are of part number P1 whose faces" in said and "second reader" not in said
    assert not waits_for_second_reader(carried_rows(), [part])
    later = carried_rows().assign(cycle=[1, 1, 1, 1, 2])  # another cycle runs: nothing of it is suspect
    assert carried_words(later, [shift]) == () and not waits_for_second_reader(later, [shift])


def a_part_high(lap, cycle, age, row):
    row["part"] = ("P1", "P2")[(age // 3 + int(lap[1])) % 2]
    if row["time"] >= SINCE and row["part"] == "P2":
        row["flatness um"] = f"{float(row['flatness um']) * HIGH:.2f}"


def test_one_part_number_that_reads_high_is_put_against_another_before_the_lap_is_touched(tmp_path):
    laps = tuple(f"L{number}" for number in range(1, 6))
    path = PlantedCell(1, laps=laps, cycles=3, faces=20, last=20, fault=a_part_high).store(tmp_path, limit="3 um")
    shift = told(path, "due")
    assert "It is the part or the stage before it and not the room." in shift["not_the_room"]["sentence"]
    called = [lap for lap in shift["laps"] if "flatness" in [signal["sign"] for signal in lap["signals"]]]
    assert len(called) >= 3
    for lap in called:
        assert lap["sentence"].startswith(f"Read a face of another part number on {lap['lap']} ")
        assert lap["next_step"] == "Another part"
        assert lap["causes"][0]["name"].startswith("part out of form")
        answer = lap["answers"][2]["answer"]
        assert answer.startswith("Most likely the part ") and "First: Read a face of another part number" in answer


def test_one_part_number_is_no_room_alarm():
    part = Moved("", "one part number", 1.9, last=4)
    _, room = reports_of(part, np.random.default_rng(3))
    assert room.alarm is None
    assert " in the faces of part number P1 alone: " in room.not_the_room.sentence
    assert room.not_the_room.checks[0] == "ask whether its batch came in different"


def test_no_lap_blames_the_room_where_the_shift_does_not_call_it():
    """A move of all laps too small for the shift's test: the odds of one lap's faces alone would name the room."""
    reports, room = reports_of(Moved("", "many laps", 1.3, last=4), np.random.default_rng(4))
    assert room.alarm is room.before is room.not_the_room is None
    (report,) = (report for report in reports.values() if report.signals)
    follows = f"The last faces cannot tell {report.lap} and the room apart. Lap and read a check piece on another lap."
    assert follows in report.reasons and not any("move the same way" in reason for reason in report.reasons)
    assert not report.causes[0].name.startswith("the room")
    assert "Most likely the room" not in report.answers[-1][1]


def test_an_operator_with_a_part_number_to_himself_is_not_told_from_it():
    rng = np.random.default_rng(5)
    who = np.array(["Ann", "Bo", "Cy", "Bo"], object)
    part = np.where(who == "Bo", "P2", "P1").astype(object)
    laps = [
        LapFaces(f"L{k}", np.arange(4) * 10 + k, rng.normal(0.7 * (who == "Bo"), 0.15), who, part, 0.15, 0.1)
        for k in range(5)
    ]
    source = weigh_sources(laps)
    assert source.among == ("one operator", "one part number")
    alarm = told_of_one_source(RoomAlarm("", ("L0", "L1"), 0.001, ()), source, "worse")
    assert alarm.sentence.endswith("Not the room, and the readings cannot tell one operator from one part number yet.")
    assert (
        alarm.checks[0].startswith("let a second reader") and "ask whether its batch came in different" in alarm.checks
    )


def test_one_operator_alone_in_the_shift_cannot_be_told_from_the_room():
    alone = Moved("", "many laps", 1.9, last=4, one_hand=True)
    reports, room = reports_of(alone, np.random.default_rng(3))
    assert room.not_the_room is None
    assert room.alarm.sentence.endswith(
        "Its faces are of one operator: the readings cannot tell the room from one operator yet."
    )
    assert room.alarm.checks[0].startswith("Have somebody else read one of these faces again")
    told = [report.answers[-1][1] for report in reports.values() if "First: " in report.answers[-1][1]]
    assert told
    for answer in told:
        assert "the room " in answer and "the hand " in answer and "the reading " in answer
        assert "First: Have somebody else read one of these faces again" in answer
