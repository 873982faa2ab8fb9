"""How old the charge of a lap is, on made-up logs whose recharges are known."""

import numpy as np
import pytest

from spc.board.charge import charge_of_lap
from spc.wear.cycle import number_cycles
from tests.spc.commands.planted_cell import PlantedCell, told
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def charge(at, n, *, after=False, named="recharged"):
    """Charge of a lap of n faces, renewed before the faces numbered in `at`, and after the last one if asked."""
    rows = [{"serial": str(i), "minutes": 3.0, "sort_us": 10 * i} for i in range(n)]
    events = [{"event": named, "sort_us": 10 * i - 5} for i in at]
    events += [{"event": named, "sort_us": 10 * n}] if after else []
    events = events_frame(events)
    return charge_of_lap(number_cycles(faces_frame(rows), events), events, ())


@pytest.mark.parametrize(
    ("at", "n", "state", "words"),
    [
        ([10, 20, 30, 40], 45, "usual", "last recharged 5 faces ago, 10 are usual"),
        ([10, 20, 30, 40], 42, "young", "last recharged 2 faces ago, 10 are usual"),
        ([10, 20, 30, 40], 41, "young", "last recharged 1 face ago, 10 are usual"),
        ([10, 20, 30, 40], 56, "old", "last recharged 16 faces ago, 10 are usual"),
        ([10, 20, 30, 40], 55, "usual", "last recharged 15 faces ago, 10 are usual"),
        ([10, 20], 80, "usual", "last recharged 60 faces ago"),  # two charges tell nothing of what is usual
    ],
)
def test_the_age_of_the_charge_is_told_beside_what_is_usual(at, n, state, words):
    found = charge(at, n)
    assert (found.state, found.words) == (state, words)


def test_a_recharge_after_the_last_face_and_one_that_was_a_reconditioning_are_told_as_such():
    assert charge([10, 20, 30, 40], 50, after=True).words == "last recharged after the last face, 10 are usual"
    rows = faces_frame([{"serial": str(i), "sort_us": 10 * i} for i in range(20)])
    events = events_frame([{"event": "recharged", "sort_us": 45}, {"event": "reconditioned", "sort_us": 145}])
    found = charge_of_lap(number_cycles(rows, events), events, ())
    assert found.words == "last reconditioned 5 faces ago and not recharged since"


@pytest.mark.parametrize(
    ("done", "words"),
    [
        (("retired", "returned"), "last recharged 10 faces ago, 10 are usual"),
        (("retired",), "last recharged 10 faces ago, 10 are usual"),
        (("retired", "reconditioned", "returned"), "last reconditioned after the last face and not recharged since"),
        (("grit changed",), "last given another grit after the last face and not recharged since"),
    ],
)
def test_a_retirement_is_no_charge_and_another_grit_is_told_as_one(done, words):
    rows = faces_frame([{"serial": str(i), "minutes": 3.0, "sort_us": 10 * i} for i in range(50)])
    events = [{"event": "recharged", "sort_us": 10 * i - 5} for i in (10, 20, 30, 40)]
    events = events_frame(events + [{"event": name, "sort_us": 500 + k} for k, name in enumerate(done)])
    found = charge_of_lap(number_cycles(rows, events), events, ())
    assert found.words.startswith(words) and (found.state == "usual") == ("recharged 10 faces" in words)


def test_in_a_log_of_dates_alone_the_rows_say_what_a_recharge_came_after():
    day = [{"serial": str(i), "minutes": 3.0, "sort_us": hours(24 * (i // 10)), "row_number": 2 * i} for i in range(50)]
    rows, last = faces_frame(day), {"event": "recharged", "sort_us": hours(96), "intake_id": 1, "row_number": 100}
    before = [last | {"sort_us": hours(24 * k), "row_number": 20 * k - 1} for k in (1, 2, 3, 4)]
    for logged, words in ((before, "10 faces ago"), ([*before, last], "after the last face")):
        events = events_frame(logged)
        found = charge_of_lap(number_cycles(rows, events), events, ())
        assert found.words == f"last recharged {words}, 10 are usual"


def test_a_log_without_recharges_knows_nothing_of_the_charge():
    assert charge([10, 20, 30], 40, named="reconditioned") is None
    assert charge([], 40) is None


def slow(recharges):
    """A lap that takes longer for its last 8 faces, recharged before every face whose age is in `recharges`."""

    def fault(lap, cycle, age, row):
        if cycle == 4 and age >= 12:
            row["minutes"] = str(round(1.8 * float(row["minutes"]), 1))
        if age in recharges(cycle):
            return [{"time": row["time"], "lap": lap, "event": "recharged"}]

    return fault


def used_up(folder, recharges):
    folder.mkdir()
    report = told(PlantedCell(3, fault=slow(recharges)).store(folder), "due", "--lap", "L1")
    return next((c for c in report["causes"] if c["name"] == "charge used up"), None), report["causes"][0]["name"]


def test_a_lap_slow_on_a_young_charge_is_not_put_down_to_it_and_on_an_old_one_it_is(tmp_path):
    often, first = used_up(tmp_path / "often", lambda cycle: range(3, 24, 3))
    assert first == "glazed lap" and often["likelihood"] < 0.3
    assert "last recharged 2 faces ago, 3 are usual" in often["check"]
    seldom, first = used_up(tmp_path / "seldom", lambda cycle: (8, 16) if cycle < 4 else ())
    assert first == "charge used up" and seldom["likelihood"] > 0.85
    assert "an old charge" in seldom["why"] and "last reconditioned 20 faces ago" in seldom["check"]
    never, first = used_up(tmp_path / "never", lambda cycle: ())
    assert first == "charge used up" and "charge" not in never["why"] and "Look up the last recharge" in never["check"]
    assert often["likelihood"] < never["likelihood"] < seldom["likelihood"]


def test_a_fault_that_went_on_over_a_recharge_was_not_cured_by_it(tmp_path):
    cured, first = used_up(tmp_path / "midway", lambda cycle: (6, 12) if cycle < 4 else (6, 16))
    assert first == "glazed lap" and "last recharged 4 faces ago" in cured["check"]
    assert np.isfinite(cured["likelihood"])
