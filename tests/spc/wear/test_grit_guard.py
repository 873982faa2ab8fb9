import numpy as np
import pandas as pd
import pytest

from spc.wear.cycle import number_cycles
from spc.wear.grit_guard import GUARDS, guard_grit
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours

LAPS = pd.DataFrame({"lap": ["A", "B"], "home_grit": ["3 um", ""]})


def calls(rows, events=(), laps=LAPS, **options):
    events = events_frame(list(events))
    return guard_grit(number_cycles(faces_frame(rows), events), events, laps, **options)


def grit(um, **more):
    return {"grit": f"{um:g} um", "grit_um": um} | more


def test_coarse_grit_on_a_fine_lap_is_named_at_its_first_face():
    found = calls([grit(15.0), grit(15.0), grit(3.0)])
    assert [(c.guard, c.face_id) for c in found] == [("coarse grit", 1)]
    assert found[0].sentence == "A coarse grit on a fine lap: 15 um on A, which carries 3 um."
    assert "Stop." in found[0].action


def test_back_up_the_ladder_is_named_until_reconditioned():
    rows = [grit(g, lap="B", sort_us=hours(i)) for i, g in enumerate([9.0, 3.0, 9.0])]
    assert [c.guard for c in calls(rows)] == ["back up the ladder"]
    assert calls(rows, [{"lap": "B", "event": "reconditioned", "sort_us": hours(1.5)}]) == ()


def test_neighbouring_rungs_and_going_finer_are_quiet():
    assert calls([grit(g, lap="B") for g in (9.0, 3.0, 4.0)]) == ()


@pytest.mark.parametrize(
    ("steps", "named"),
    [
        ((60.0, 10.0), 1),
        ((15.0, 6.0, 1.0), 1),
        ((30.0, 9.0), 1),
        ((15.0, 6.0), 0),
        ((15.0, 6.0, 3.0), 0),
        ((3.0, 1.0), 0),
    ],
)
def test_a_jump_that_skips_neighbours_is_named_until_reconditioned(steps, named):
    """Common practice, no source: 60 back to 10 on one lap asks for scratches, neighbouring grits are tolerated."""
    rows = [grit(g, lap="B", sort_us=hours(i)) for i, g in enumerate(steps)]
    found = calls(rows)
    assert [c.guard for c in found] == ["grit jump"] * named
    if named:
        assert "B jumped from" in found[0].sentence and found[0].face_id == len(steps)
    between = [{"lap": "B", "event": "reconditioned", "sort_us": hours(i + 0.5)} for i in range(len(steps) - 1)]
    assert calls(rows, between) == ()


@pytest.mark.parametrize("steps", [(30.0, 15.0, 9.0), (15.0, 9.0, 6.0, 3.0), (60.0, 30.0, 15.0, 9.0, 6.0, 3.0, 1.0)])
def test_a_ladder_worked_down_rung_by_rung_is_quiet(steps):
    assert calls([grit(g, lap="B", sort_us=hours(i)) for i, g in enumerate(np.repeat(steps, 3).tolist())]) == ()


def test_a_jump_stays_named_after_a_coarse_grit_used_again_and_is_named_from_there_where_that_was_not():
    def named(steps, **options):
        found = calls([grit(g, lap="B", sort_us=hours(i)) for i, g in enumerate(steps)], **options)
        return [(c.guard, c.face_id) for c in found]

    again = [30.0, 9.0, 9.0, 30.0, 30.0, 9.0]
    assert named(again) == [("grit jump", 2), ("back up the ladder", 4)]
    assert named(again, guards=["grit jump"]) == [("grit jump", 2), ("grit jump", 6)]
    worked = [30.0, 15.0, 9.0, 30.0, 9.0]
    assert named(worked) == [("back up the ladder", 4)]
    assert named(worked, guards=["grit jump"]) == [("grit jump", 5)]
    assert named([*worked, 2.0]) == [("back up the ladder", 4), ("grit jump", 6)]


def test_a_coarse_charge_is_named_before_any_face():
    charge = {"event": "recharged", "grit": "9 um", "grit_um": 9.0, "sort_us": hours(5)}
    found = calls([grit(3.0)], [charge])
    assert [(c.guard, c.face_id) for c in found] == [("coarse grit", -1)]


def test_a_sudden_scratch_tells_what_was_shared():
    rows = [grit(3.0, sort_us=hours(0.1 * i), operator="kim", serial=str(i)) for i in range(6)]
    rows.append(grit(15.0, lap="B", sort_us=hours(0.62), operator="kim", serial="7"))
    rows += [grit(3.0, sort_us=hours(0.7 + 0.1 * i), operator="kim", serial="7", scratch=True) for i in range(2)]
    found = calls(rows)
    assert [(c.guard, c.face_id) for c in found] == [("scratch", 8)]
    assert "the part came from B with 15 um" in found[0].evidence
    assert "the same hands worked 15 um" in found[0].evidence
    assert "no wash logged" in found[0].evidence
    washed = calls(rows, [{"event": "cleaned", "sort_us": hours(0.65)}])
    assert "look at the wash" in washed[0].evidence


def test_laps_one_after_the_other_give_the_same_calls():
    rows = [grit(3.0, sort_us=hours(0.1 * i), operator="kim") for i in range(6)]
    rows.append(grit(15.0, lap="B", sort_us=hours(0.62), operator="kim"))
    rows.append(grit(3.0, sort_us=hours(0.7), operator="kim", scratch=True))
    numbered = number_cycles(faces_frame(rows), events_frame([]))
    by_lap = numbered.sort_values("lap", kind="stable").reset_index(drop=True)
    assert guard_grit(by_lap, events_frame([]), LAPS) == guard_grit(numbered, events_frame([]), LAPS)


def test_a_finish_jump_is_named_once_and_within_its_cutoff():
    rows = [grit(3.0, finish_um=0.05 + 0.002 * (i % 3), cutoff_mm=0.8) for i in range(8)]
    jumped = rows + [grit(3.0, finish_um=0.2, cutoff_mm=0.8)] * 2
    (call,) = calls(jumped)
    assert (call.guard, call.face_id) == ("finish jump", 9)
    assert calls([*rows, grit(3.0, finish_um=0.2, cutoff_mm=0.25)]) == ()
    assert calls([*rows, grit(3.0, finish_um=0.09, cutoff_mm=0.8)]) == ()


def test_a_finish_jump_is_told_beside_the_middle_of_the_readings_before_it():
    step = {"finish_low_um": 0.01, "finish_high_um": 0.014, "cutoff_mm": 0.8}
    jump = {"finish_low_um": 0.04, "finish_high_um": 0.044, "cutoff_mm": 0.8}
    (call,) = calls([*[grit(3.0, **step)] * 20, grit(3.0, **jump), *[grit(3.0, **step)] * 3])
    assert "Ra 0.042 um where the 15 before read about 0.012 um." in call.sentence


def test_false_calls_of_the_finish_guard_are_rare():
    rng = np.random.default_rng(1)
    rows = [grit(3.0, finish_um=float(v), cutoff_mm=0.8) for v in rng.lognormal(np.log(0.05), 0.2, 600)]
    assert len(calls(rows)) <= 6  # one in a hundred faces at a spread of 20 %


def test_guards_can_be_switched_off_and_unknown_ones_are_refused():
    rows = [grit(3.0)] * 5 + [grit(15.0, scratch=True)]
    assert {c.guard for c in calls(rows)} == {"back up the ladder", "scratch"}
    assert calls(rows, guards=()) == ()
    assert {c.guard for c in calls(rows, guards=["scratch"])} == {"scratch"}
    with pytest.raises(ValueError, match=r"`guards` must be among .*; got luck"):
        calls(rows, guards=["luck"])
    assert set(GUARDS) == {"coarse grit", "back up the ladder", "grit jump", "scratch", "finish jump"}


def test_unknown_grits_say_nothing():
    assert calls([{"grit": "600"}] * 3, laps=LAPS.iloc[:0]) == ()
