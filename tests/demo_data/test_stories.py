"""The demonstration has planted stories; the tool must find each from the logs alone."""

import re
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from demo_data.dirty import DIRTY_ROWS
from demo_data.life import DIRTY_WASH_LAP, GLAZED_LAP, HEALTHY_LAP, HOLLOW_LAP, WARM_DAY, live
from spc.board.board import Board
from spc.board.results import CANNOT_WAIT
from spc.cli import cli
from spc.settings import load_settings
from spc.store.store import Store

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
NUMBER = r"\b\d+(?= faces| to )"


def lap(shift, name):
    return next(report for report in shift.laps if report.lap == name)


def intake(demonstration, name):
    return [result for result in demonstration.intakes if result.name == name]


def test_the_same_seed_lives_the_same_life():
    assert live(7) == live(7)
    assert live(7) != live(8)


def test_the_hollowing_lap_is_due_and_wear_is_named(shift):
    report = lap(shift, HOLLOW_LAP)
    assert report.state == "due"
    assert any(s.sign == "flatness" for s in report.signals)
    assert report.causes[0].name == "lap worn out of shape"


def test_a_lap_at_its_limit_is_told_of_no_break_it_might_wait_for(demonstration, shift):
    report, (slot,) = lap(shift, HOLLOW_LAP), [slot for slot in shift.slots if slot.lap == HOLLOW_LAP]
    assert report.faces_left.status == "over" and "before the next face" in report.sentence
    assert report.next_break == slot.instead == CANNOT_WAIT and not slot.break_text
    words = ["due", "--store", str(demonstration.store_path), "--settings", str(demonstration.settings_path)]
    printed = CliRunner().invoke(cli, [*words, "--lap", HOLLOW_LAP]).output
    assert "end of the" not in printed and "before the next face" in printed


def test_the_contaminated_lap_is_held_and_comes_first(shift):
    report = lap(shift, DIRTY_WASH_LAP)
    assert report.state == "held"
    assert shift.laps[0].lap == DIRTY_WASH_LAP
    assert report.causes[0].name == "coarse grain or contamination"
    assert report.safety


def test_the_glazed_lap_is_watched_for_its_minutes_and_glaze_is_named(shift):
    report = lap(shift, GLAZED_LAP)
    assert report.state == "watch"
    assert {"minutes", "removal rate"} & {s.sign for s in report.signals}
    assert report.causes[0].name == "glazed lap"


def test_the_healthy_lap_is_left_alone(shift):
    report = lap(shift, HEALTHY_LAP)
    assert report.state == "cutting"
    assert report.signals == ()


def test_the_warm_shift_is_the_rooms_and_calls_no_lap_afterwards(demonstration):
    """Looked at in the evening of that shift, and in the two shifts after it."""
    site = load_settings(demonstration.settings_path)

    def at(hour, day=WARM_DAY):
        clock = datetime.combine(day, time(hour))
        return Board(demonstration.store_path, replace(site, clock=clock)).shift()

    evening, morning, later = at(21), at(8, WARM_DAY + timedelta(days=1)), at(16, WARM_DAY + timedelta(days=1))
    assert evening.room is not None and "to the worse" in evening.sentence
    began_anew = {"CE-1"}  # fresh in the morning: its first cycle has ended, and it has its say now
    assert morning.room is None and set(morning.room_before.laps) == {*evening.room.laps, *began_anew}
    assert later.room is later.room_before is None
    for shift in (evening, morning, later):
        called = [r.lap for r in shift.laps if "flatness" in [s.sign for s in r.signals]]
        assert called == [] and not [r.lap for r in shift.laps if r.state == "held"]
        assert sum("set aside" in " ".join(r.reasons) for r in shift.laps) >= 5


def test_no_other_lap_is_held_or_due(shift):
    assert {r.lap for r in shift.laps if r.state in ("held", "due")} == {DIRTY_WASH_LAP, HOLLOW_LAP}


def test_the_reader_of_whole_bands_is_told_as_a_share_without_a_name(shift):
    told = [finding for report in shift.laps for finding in report.data_health if "whole bands" in finding]
    assert told
    assert not any("Iversen" in finding for finding in told)


def test_the_board_in_the_readme_is_the_one_printed_today(demonstration, shift):
    """Numbers of faces may differ by what another machine's arithmetic does to a simulated range."""
    words = ["due", "--store", str(demonstration.store_path), "--settings", str(demonstration.settings_path)]
    printed = CliRunner().invoke(cli, words).output
    quoted = re.findall(r"^[A-Z]{2}-\d +(?:held|due|watch|cutting) .*$", README, flags=re.MULTILINE)
    assert len(quoted) == 4
    for row in quoted:
        said = next(line for line in printed.splitlines() if line.startswith(row[:4]))
        assert said.split()[:2] == row.split()[:2] and _texts(row) == _texts(said)[: len(_texts(row))]
        assert _numbers(row) == pytest.approx(_numbers(said), rel=0.03, abs=1.5)


def _texts(row):
    """What a row of the board says in words, without its numbers of faces and the spaces between columns."""
    return re.sub(NUMBER, "", row).split()


def _numbers(row):
    return [float(number) for number in re.findall(NUMBER, row)]


def test_the_file_sent_twice_changes_nothing(demonstration):
    copy = intake(demonstration, "bench_2026-W19 copy.csv")[0]
    assert copy.rows == copy.doubles > 0
    assert copy.source == "bench_2026-W19.csv"


def test_the_grown_file_adds_its_new_rows_only(demonstration):
    early, whole = intake(demonstration, "bench_2026-W26.csv")
    assert (whole.doubles, whole.faces + whole.quarantined) == (early.rows, whole.rows - early.rows)


def test_every_dirty_row_ends_where_it_must_with_its_reason(demonstration):
    result = intake(demonstration, "tablet_2026-06-25.csv")[0]
    wanted = [row.becomes for row in DIRTY_ROWS]
    counts = {name: wanted.count(name) for name in ("face", "repeat", "double", "quarantine")}
    found = {"face": result.faces, "repeat": result.repeats, "double": result.doubles, "quarantine": result.quarantined}
    assert found == counts
    with Store.open(demonstration.store_path) as store:
        held = store.quarantine()
    held = held[held["name"] == result.name].set_index("row_number")["reasons"]
    for number, row in enumerate(DIRTY_ROWS, start=1):
        if row.becomes == "quarantine":
            assert row.word in held[number].lower()


def test_no_row_of_any_file_is_lost(demonstration):
    for result in demonstration.intakes:
        accounted = result.faces + result.repeats + result.events + result.quarantined + result.doubles
        assert result.rows == accounted, result.name


def test_only_the_bad_day_leaves_rows_behind(demonstration):
    assert {r.name for r in demonstration.intakes if r.quarantined or r.refused} == {"tablet_2026-06-25.csv"}


def test_the_faces_read_again_are_repeats_and_no_new_faces(demonstration):
    assert sum(r.repeats for r in demonstration.intakes) > 20


def test_a_lap_that_does_not_wear_as_usual_is_named_where_it_is_counted(shift):
    unusual = [report.lap for report in shift.laps if report.state == "cutting" and report.unusual_wear]
    assert len(unusual) == 1 and f"1 lap not wearing as usual, with faces left ({unusual[0]})." in shift.sentence
