"""A face left over its limit holds its lap until somebody answers; what puts it right is a pass of that very piece."""

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.over_limit import over_limit_signals
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import BAND_UM, events_of, faces_of, fill
from tests.spc.commands.planted_cell import PlantedCell, run, told

OVER = {"flatness um": "1.8"}
BLANK = ("operator", "grit", "minutes", "part", "flatness um", "attempt")  # of the row of an event
UM = {"flatness_text": "0.9", "flatness_unit": "um", "lamp": "", "flatness_low_um": 0.85, "flatness_high_um": 0.95}


@pytest.fixture
def cell(tmp_path, monkeypatch):
    """Give what the board says of L1 after rows of ours, each beside what a usual row holds."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def after(*rows, laps=("L1",)):
        planted = PlantedCell(3, laps=laps)
        at = datetime.fromisoformat(max(row["time"] for row in planted.rows))
        usual = {"operator": "Bo", "lap": "L1", "grit": "9 um", "minutes": "4.0", "part": "P1", "flatness um": "0.5"}
        for row in rows:
            at += timedelta(minutes=20, hours=row.get("later h", 0))
            planted.rows.append({**usual, "time": f"{at:%Y-%m-%d %H:%M}", "attempt": "", **row})
        path = planted.store(tmp_path)
        return path, told(path, "due", "--lap", "L1")

    return after


def good(n, **more):
    return [{"serial": f"B{k}", **more} for k in range(n)]


def holds(report):
    return [s["sentence"] for s in report["signals"] if s["rule"] == "a face over its limit"]


def test_good_faces_after_it_put_a_face_over_its_limit_nowhere(cell):
    path, report = cell({"serial": "A1", **OVER}, *good(3))
    (said,) = holds(report)
    assert report["state"] == "held" and report["sentence"].startswith(f"Stop. {said} Nothing more on L1")
    assert said.startswith("A face read on L1 is over its limit, and nobody has answered for it: A1 of 2026-")
    assert said.endswith(" by Bo, flatness 1.8 um (1.79 um or more) against 1 um for P1.")
    assert run(path, "answer", "L1", "--cause", "not found", "--who", "QE").exit_code < 2
    assert holds(told(path, "due", "--lap", "L1")) == []


def test_a_limit_made_tighter_holds_no_face_that_was_read_before_its_day(cell):
    path, report = cell({"serial": "A1", "flatness um": "0.9"}, *good(2))
    day = report["last_face"][:10]
    before, after = (f"{datetime.fromisoformat(day) + timedelta(days=days):%Y-%m-%d}" for days in (-1, 1))

    def limit(upper, since):
        return run(path, "parts", "set", "P1", "flatness", upper, "--who", "QE", "--valid-from", since).exit_code

    assert holds(report) == [] and limit("1 um", "2020-01-01") == limit("0.7 um", after) == 0
    assert holds(told(path, "due", "--lap", "L1")) == []
    assert limit("0.8 um", before) == 0 and holds(told(path, "due", "--lap", "L1"))[0].endswith("0.8 um for P1.")
    assert limit("2 um", after) == 0 and holds(told(path, "due", "--lap", "L1")) == []  # made wider: no longer over


def test_a_face_read_before_the_first_limit_known_is_judged_by_that_one_and_it_is_said(cell):
    path, report = cell({"serial": "A1", "flatness um": "1.2"}, {"serial": "A2", "flatness um": "1.6"}, *good(2))
    days = [f"{datetime.fromisoformat(report['last_face'][:10]) + timedelta(days=later):%Y-%m-%d}" for later in (1, 2)]
    for upper, since in (("1.5 um", days[0]), ("0.8 um", days[1])):
        done = run(path, "parts", "set", "P1", "flatness", upper, "--who", "QE", "--valid-from", since)
        assert done.exit_code == 0
    (said,) = holds(told(path, "due", "--lap", "L1"))
    assert ": A2 of " in said  # A1 was good by the first limit known
    assert said.endswith("against 1.5 um for P1, the first limit known, set only after it was read.")
    assert (
        run(path, "parts", "set", "P1", "flatness", "1.4 um", "--who", "QE", "--valid-from", "2020-01-01").exit_code
        == 0
    )
    (said,) = holds(told(path, "due", "--lap", "L1"))
    assert said.endswith("against 1.4 um for P1.")  # now one is known of before


def test_faces_over_their_limit_are_answered_together(cell):
    path, report = cell({"serial": "A1", **OVER}, {"serial": "A2"}, {"serial": "A3", **OVER}, {"serial": "A4"})
    (said,) = holds(report)
    assert said.startswith("2 faces read on L1 are over their limit: A1 of ") and "; and A3 of " in said
    assert run(path, "answer", "L1", "--cause", "not found", "--who", "QE").exit_code < 2
    assert holds(told(path, "due", "--lap", "L1")) == []


@pytest.mark.parametrize(
    ("rows", "held"),
    [
        ([{"serial": "A1", **OVER}, {"serial": "A2"}, {"serial": "A1", "attempt": "2"}], False),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "attempt": "2", **OVER}, {"serial": "A2"}], True),
        ([{"serial": "A1", **OVER}, {"serial": "A2", "attempt": "2"}], True),
        ([OVER, {"attempt": "2"}, {}], False),
        ([OVER, {"attempt": "2", "part": "P2"}], True),
        ([OVER, {}, {"attempt": "2"}], True),
        ([{"serial": "A1", "outcome": "ok", **OVER}, {"serial": "A2"}], True),
        *(([{"serial": "A1", "outcome": said, **OVER}], False) for said in ("re-lap", "regrind", "scrap")),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "attempt": "2", "flatness um": "", "outcome": "scrap"}], False),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "attempt": "2", "flatness um": ""}], True),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "attempt": "2", "lap": "L2"}], False),
    ],
)
def test_what_puts_a_face_right_and_what_does_not(cell, rows, held):
    _, report = cell(*rows, laps=("L1", "L2"))
    assert (report["state"] == "held", bool(holds(report))) == (held, held)


@pytest.mark.parametrize(
    ("rows", "held"),
    [
        ([{"serial": "A1", **OVER}, {"serial": "A1", "later h": 14}], True),  # the next shift's A1
        ([{"serial": "A1", **OVER}, {"serial": "A1", "later h": 6, "minutes": "5.0"}], True),  # and of the same day
        ([{"serial": "A1", **OVER}, {"serial": "A1", "minutes": "5.0"}], False),  # lapped again within the shift
        ([{"serial": "A1", **OVER}, {"serial": "A1", "minutes": "5.0", "attempt": "1"}], True),  # another face, it says
        ([{"serial": "A1", **OVER}, {"serial": "A1", "later h": 14, "attempt": "2"}], False),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "later h": 14}, {"serial": "A1", "attempt": "3"}], True),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "later h": 14, "outcome": "scrap"}], True),
        ([{"serial": "A1", **OVER}, {"serial": "A1", "lap": "L2"}], True),
        (
            [{"serial": "A1", **OVER}, {"serial": "A1", "lap": "L2"}, {"serial": "A1", "lap": "L2", "attempt": "2"}],
            True,
        ),
        (
            [{"serial": "A1", **OVER}, {"serial": "A1", "lap": "L2", "attempt": "2"}, {"serial": "A1", "lap": "L2"}],
            False,
        ),
    ],
)
def test_a_serial_number_that_is_used_again_lifts_no_hold_of_the_face_before(cell, rows, held):
    _, report = cell(*rows, laps=("L1", "L2"))
    said = holds(report)
    assert (report["state"] == "held", bool(said)) == (held, held)
    assert (
        not held
        or " The serial number A1 was read again on L" in said[0]
        and "may be another face: the hold stays until" in said[0]
    )


def test_a_face_at_the_next_stage_is_the_same_face(cell):
    rough, finish = ({"serial": "A1", "stage": stage} for stage in ("rough", "finish"))
    assert holds(cell(rough | OVER, finish)[1]) == []


def test_an_attempt_that_was_counted_stays_one_that_was_counted_when_it_is_corrected(cell):
    path, _ = cell({"serial": "A1", **OVER}, {"serial": "A1", "later h": 14})
    with Store.open(path) as store:
        face = int(store.faces()["face_id"].max())
        store.correct_face(face, {"flatness_text": "0.6"}, who="QE", reason="misread")
    assert len(holds(told(path, "due", "--lap", "L1"))) == 1


def test_a_face_of_long_ago_holds_nothing_and_is_remembered(cell):
    _, report = cell({"serial": "A1", **OVER}, *good(8))
    assert holds(report) == [] and report["data_health"][0].startswith(
        "1 face of L1 was over the flatness limit, A1 of 2026-"
    )


def test_a_reconditioning_frees_the_lap_and_not_the_face(cell):
    _, report = cell({"serial": "A1", **OVER}, {**dict.fromkeys(BLANK, ""), "event": "reconditioned", "reason": "worn"})
    assert holds(report) == [] and "A1 of " in report["data_health"][0]


def test_a_lap_swapped_out_by_plan_does_not_hide_the_face(cell):
    swapped = {**dict.fromkeys(BLANK, ""), "event": "swapped", "reason": "planned"}
    path, report = cell({"serial": "A1", **OVER}, swapped)
    assert report["state"] == "resting" and f" {holds(report)[0]} See that nothing is passed on." in report["sentence"]
    shift = told(path, "due")
    assert shift["sentence"] == "L1 resting with a stop that nobody has answered."
    assert shift["holds"] == [report["sentence"]]
    assert run(path, "handover", "--out", str(page := path.parent / "page.html")).exit_code < 2
    assert all(said in page.read_text() for said in ("Held: nothing goes on these laps", "See that nothing is passed"))
    assert run(path, "answer", "L1", "--sign", "flatness", "--cause", "not found", "--who", "QE").exit_code < 2
    assert told(path, "due")["sentence"] == "Nothing needs a person: 1 lap resting, none in use."


@pytest.mark.parametrize(
    ("typed", "limit_um", "said"),
    [
        ({"flatness_text": "3", "flatness_unit": "band", "lamp": "helium"}, 2 * BAND_UM, "3 bands (2.5 bands or more)"),
        (UM, 2 * BAND_UM, "0.9 um (0.85 um or more)"),
    ],
)
def test_a_face_over_its_limit_is_told_in_one_unit(tmp_path, typed, limit_um, said):
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces_of("K1", 12, np.random.default_rng(2)), events_of("K1", 12))
        store.set_limit("*", "flatness", upper_um=limit_um, upper_text="2 bands", who="QE")
        at = pd.Timestamp("2026-01-07 06:00", tz="UTC")
        last = {"flatness_low_um": 2.5 * BAND_UM, "flatness_high_um": 3.5 * BAND_UM} | typed
        store.append_face(
            {"lap": "K1", "part": "GB-15", "time_utc": at, "time_text": "2026-01-07 06:00", "operator": "Ann"} | last,
            who="Ann",
        )
    view, _, _ = Board(tmp_path / "cell.db", Settings(time_zone="UTC")).look()
    (signal,) = over_limit_signals(view, "K1")
    against = "2 bands" if typed["flatness_unit"] == "band" else "0.588 um"
    assert (
        signal.sentence == "The last face read on K1 is over its limit: a face without a serial number of 2026-01-07 "
        f"06:00 by Ann, flatness {said} against {against} for GB-15."
    )
