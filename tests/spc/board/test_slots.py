"""Reconditioning slots: by hand, and against trying every assignment."""

import math
from collections import Counter
from datetime import datetime, time
from itertools import permutations, product

import numpy as np
import pytest

from spc.board.shifts import breaks_ahead
from spc.board.slots import LapNeed, plan_slots
from spc.settings import Settings, Shift

SITE = Settings(shifts=(Shift("early", time(6), time(14)), Shift("late", time(14), time(22))))
FRIDAY = datetime(2026, 3, 6, 18)
BREAKS = breaks_ahead(FRIDAY, SITE, most=4)  # half a shift, then one and a half, ...


def need(lap, low, pace=10.0, state="watch", over=False):
    return LapNeed(lap, state, low, pace, over)


def urgency(lap):
    return lap.state != "due", lap.faces_left_low


def test_breaks_are_the_ends_of_shifts_in_working_time():
    assert [b.text for b in BREAKS] == [
        "end of the late shift, 22:00", "end of the early shift on Saturday, 14:00",
        "end of the late shift on Saturday, 22:00", "end of the early shift on Sunday, 14:00",
    ]  # fmt: skip
    assert [b.shifts_ahead for b in BREAKS] == [0.5, 1.5, 2.5, 3.5]
    assert breaks_ahead(FRIDAY, Settings()) == ()


def test_a_night_shift_ends_on_the_next_day():
    night = Settings(shifts=(Shift("night", time(22), time(6)),))
    (first, second) = breaks_ahead(datetime(2026, 3, 6, 23), night, most=2)
    assert first.at == datetime(2026, 3, 7, 6) and first.shifts_ahead == pytest.approx(7 / 8)
    assert second.shifts_ahead == pytest.approx(15 / 8)


def test_a_lap_takes_the_last_break_it_lasts_until():
    (slot,) = plan_slots([need("CI-1", 15)], BREAKS)
    assert slot.break_text == "end of the early shift on Saturday, 14:00" and slot.faces_until == 15
    assert slot.why == "about 15 faces until then, at least 15 left."


def test_what_cannot_wait_comes_first_and_what_is_held_last_without_a_break():
    over = need("O", 0, state="due", over=True)
    slots = plan_slots([need("A", 20), need("H", 3, state="held"), need("B", 2), over], BREAKS)
    assert [s.lap for s in slots] == ["O", "B", "A", "H"]
    assert slots[0].why == "before its next face: it is likely at its limit."
    assert "may not last until the first break" in slots[1].why
    assert slots[3].break_text == "" and slots[3].why == "answer its signal first; then it is planned."


def test_a_lap_that_is_due_is_never_planned_past_the_next_break():
    (slot,) = plan_slots([need("A", 30, state="due")], BREAKS)
    assert slot.break_text == BREAKS[0].text
    assert slot.why == "about 5 faces until then, at least 30 left."
    (slot,) = plan_slots([need("A", 0, state="due")], BREAKS)  # its sentence says: at the next break
    assert slot.break_text == BREAKS[0].text
    assert slot.why == "about 5 faces until then; it may run out before, so read each against the limit."


def test_laps_that_last_rest_or_have_no_forecast_need_no_place():
    assert plan_slots([need("A", 99), need("B", math.nan), need("R", 1, state="resting")], BREAKS) == ()
    assert plan_slots([need("A", 2)], ()) == ()


def test_two_laps_do_not_share_a_break():
    slots = plan_slots([need("A", 16), need("B", 17)], BREAKS)
    assert [(s.lap, s.break_text) for s in slots] == [("A", BREAKS[0].text), ("B", BREAKS[1].text)]
    assert len({s.break_text for s in plan_slots([need("A", 16), need("B", 17)], BREAKS, at_once=2)}) == 1


def test_no_assignment_keeps_more_laps_from_running_out():
    rng = np.random.default_rng(4)
    for _ in range(60):
        lows = rng.uniform(1, 34, size=rng.integers(1, 5))
        planned = sum(s.break_text != "" for s in plan_slots([need(f"L{i}", x) for i, x in enumerate(lows)], BREAKS))
        best = 0
        for places in product([-1, 0, 1, 2, 3], repeat=len(lows)):  # every assignment there is
            used = [p for p in places if p >= 0]
            lasts = all(p < 0 or 10 * BREAKS[p].shifts_ahead <= x for p, x in zip(places, lows, strict=True))
            if lasts and len(set(used)) == len(used):
                best = max(best, len(used))
        assert planned == best


def test_a_due_lap_keeps_the_next_break_and_the_lap_with_the_most_faces_left_is_pushed_out():
    needs = [need("B", 4.5, 8, "due"), need("D", 14.8, 8), need("C", 22.7, 8), need("A", 23.3, 8)]
    ahead = breaks_ahead(datetime(2026, 3, 6, 20, 30), SITE, most=4)  # 1.5, 9.5, 17.5, 25.5 faces ahead
    for order in permutations(needs):
        *planned, out = plan_slots(order, ahead)
        assert [(s.lap, s.break_text) for s in planned] == [
            (n.lap, b.text) for n, b in zip(needs[:3], ahead[:3], strict=True)
        ]
        assert (out.lap, out.break_text, out.faces_until) == ("A", "", 17.5)
        assert out.instead == f"none free up to the {ahead[2].text}"
        assert out.why == "at least 23 left; taken by B, D and C. Recondition it beside one of them, or take a spare."


def test_a_lap_that_loses_its_break_lasts_all_the_same_and_stands_after_needier_ones():
    slots = plan_slots([need("Fresh", 33), need("D", 32), need("B", 20), need("C", 30), need("A", 7)], BREAKS)
    assert [s.lap for s in slots] == ["A", "B", "C", "D", "Fresh"]
    assert not any("cannot wait" in s.instead or "may not last" in s.why for s in slots)


def test_no_lap_pushed_out_could_have_stood_where_a_less_needy_lap_stands():
    rng = np.random.default_rng(9)
    for _ in range(200):
        at_once, count = int(rng.integers(1, 3)), int(rng.integers(3, 10))
        needs = [need(f"L{i}", x, state="due" if x < 10 else "watch") for i, x in enumerate(rng.uniform(5, 34, count))]
        slots = plan_slots(needs, BREAKS, at_once=at_once)
        place = {b.text: i for i, b in enumerate(BREAKS)}
        planned = {s.lap: place[s.break_text] for s in slots if s.break_text}
        by_name = {n.lap: n for n in needs}
        assert max(Counter(planned.values()).values()) <= at_once
        for lap in {s.lap for s in slots} - set(planned):
            pushed = by_name[lap]
            lasts = [i for i, b in enumerate(BREAKS) if 10 * b.shifts_ahead <= pushed.faces_left_low]
            lasts = lasts[:1] if pushed.state == "due" else lasts
            holders = [by_name[name] for name, at in planned.items() if at in lasts]
            assert len(holders) == at_once * len(lasts)  # every break it lasts until is taken
            assert all(urgency(h) < urgency(pushed) for h in holders)


def test_at_least_one_lap_at_a_break():
    with pytest.raises(ValueError, match="`at_once` must be 1 or more, got 0"):
        plan_slots([], BREAKS, at_once=0)
