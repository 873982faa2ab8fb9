"""Faces left by how long past cycles lasted: what counts as a life, and how it is taken into a range by readings."""

from dataclasses import replace

import numpy as np
import pytest

from spc.wear.past_lives import draws_left, past_lives, taken_in
from spc.wear.time_to_limit import TimeToLimit
from spc.wear.wear_path import wear_path

SHARES = (np.arange(1000) + 0.5) / 1000


def steep(name, turns, *, faces=60, every=1.0, parts=()):
    age = np.arange(0.0, faces, every)
    reading = 0.4 + 0.01 * (age * 7 % 5) / 5 + 0.2 * np.maximum(age - turns, 0.0)
    over = np.flatnonzero(reading >= 1.0)
    end = over[0] + 1 if over.size else age.size
    return wear_path(name, age[:end], reading[:end], parts=parts[:end])


def ranged(draws, *, now=10.0, horizon=100.0):
    low, median, high = np.quantile(draws, [0.05, 0.5, 0.95], method="inverted_cdf")
    return TimeToLimit(
        "range", low, median, high, horizon, now, 0.9, "path", "faces", "", "", 9, 12, "linear", 1.0, 0.0, None, draws
    )  # fmt: skip


def test_a_life_ends_between_the_reading_at_the_limit_and_the_one_before():
    lives = past_lives([steep(f"c{at}", turns) for at, turns in enumerate((7, 11, 14, 20, 26))], 1.0)
    assert lives.high.tolist() == [10.0, 14.0, 17.0, 23.0, 29.0]
    assert lives.low.tolist() == [9.0, 13.0, 16.0, 22.0, 28.0]
    seldom = past_lives([steep(f"c{at}", turns, every=4.0) for at, turns in enumerate((7, 11, 14, 20, 26))], 1.0)
    assert (seldom.high - seldom.low).tolist() == [4.0] * 5


def test_a_cycle_that_ended_before_its_limit_is_censored_and_fewer_than_five_tell_no_law():
    worn = [steep(f"c{at}", turns) for at, turns in enumerate((7, 11, 14, 20, 26))]
    by_plan = steep("planned", 50, faces=18)
    lives = past_lives([*worn, by_plan], 1.0)
    assert (lives.low[-1], lives.high[-1]) == (17.0, np.inf)
    assert past_lives([*worn[:4], by_plan], 1.0) is None
    assert past_lives([], 1.0) is None


def test_a_mistyped_reading_ends_no_life_and_a_first_reading_at_the_limit_is_one():
    paths = [steep(f"c{at}", turns) for at, turns in enumerate((17, 21, 24, 30, 36))]
    mistyped = paths[0].low.copy()
    mistyped[5] = 40.0
    assert past_lives([replace(paths[0], low=mistyped, high=mistyped), *paths[1:]], 1.0).high[0] == 20.0
    at_once = past_lives([*paths, wear_path("bad", [0.0, 1.0], [1.1, 1.2])], 1.0)
    assert (at_once.low[-1], at_once.high[-1]) == (0.0, 0.5)


def test_of_a_part_number_only_its_own_readings_count():
    """B is lapped at every fifth face: its limit was reached somewhere since the face before."""
    parts = [("B" if age % 5 == 0 else "A") for age in range(60)]
    paths = [steep(f"c{at}", turns, parts=parts) for at, turns in enumerate((7, 12, 17, 22, 27))]
    lives = past_lives(paths, 0.9, part="B")
    assert lives.high.tolist() == [10.0, 15.0, 20.0, 25.0, 30.0] and lives.low.tolist() == [5.0, 10.0, 15.0, 20.0, 25.0]
    assert past_lives(paths, 0.9, part="C") is None
    unnamed = [replace(path, parts=()) for path in paths]
    assert past_lives(unnamed, 0.9, part="B").high.tolist() == [10.0, 15.0, 20.0, 25.0, 30.0]


def test_what_is_left_counts_from_where_the_range_counts_and_ends_at_its_horizon():
    lives = past_lives([steep(f"c{at}", turns) for at, turns in enumerate((7, 11, 14, 20, 26, 31))], 1.0)
    answer = ranged(np.linspace(1, 40, 1500))
    at_now, later, near = (
        draws_left(lives, replace(answer, now=now, horizon=horizon), age=9.0, rng=np.random.default_rng(1))
        for now, horizon in ((9.0, 1e9), (12.0, 1e9), (9.0, 20.0))
    )
    assert later == pytest.approx(np.maximum(at_now - 3.0, 0.0))
    assert np.isinf(near).sum() == (at_now > 20).sum() > 0
    older = draws_left(lives, replace(answer, now=25.0, horizon=1e9), age=25.0, rng=np.random.default_rng(1))
    assert np.median(older) < 0.6 * np.median(at_now)


@pytest.mark.parametrize(
    ("missed", "low", "high"),
    [(("faster",), 5.0, 55.0), (("slower",), 14.0, 91.0), (("faster", "slower"), 5.0, 91.0)],
)
def test_past_cycles_that_came_out_sooner_bring_the_sooner_of_two_ranges(missed, low, high):
    by_readings, by_lives = 10 + 90 * SHARES - 0.5, 2.5 + 55 * SHARES  # 14 to 95 and 5 to 55
    answer = taken_in(ranged(np.minimum(by_readings, 91.0)), by_lives[::-1].copy(), missed)
    assert (answer.low, answer.high) == pytest.approx((low, high), abs=0.6)
    assert answer.low <= answer.median <= answer.high and (np.diff(answer.draws) >= 0).all()
    assert answer.sentence == f"{answer.low:.0f} to {answer.high:.0f} faces left" and answer.fan is None


def test_a_range_that_was_open_ends_where_past_cycles_ended():
    open_above = ranged(np.where(SHARES < 0.6, 20 + 100 * SHARES, np.inf))
    lives = 5 + 30 * SHARES
    assert taken_in(open_above, lives, ("faster",)).high == pytest.approx(33.5, abs=0.1)
    still_open = taken_in(open_above, lives, ("slower",))
    assert still_open.high is None and "to more than 100 faces left" in still_open.sentence
