from dataclasses import replace

import numpy as np

from spc.wear.path_shape import SHAPES
from spc.wear.pooled import ALONE_SHAPES, fit_pooled
from spc.wear.pooled_apart import fit_apart, with_own_way
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path

rng = np.random.default_rng
WHY = "no past cycle goes as this one does"


def cycle(start, drift, n, seed, noise=0.05):
    y = start + drift * np.arange(n) + noise * np.random.default_rng(seed).standard_normal(n)
    return wear_path(f"cycle {seed}", np.arange(n), y - 0.02, y + 0.02)


def steady(cycles, seed=1):
    past = [cycle(-0.35, 0.001 * (c % 3 - 1), 24, c) for c in range(cycles)]
    straight = [s for s in SHAPES if not s.needs_positive]
    return fit_pooled(past, shapes=straight, rng=rng(seed))


def forecast(pooled, own):
    return time_to_limit(pooled, own, limit=1.0, lower_limit=-1.0, rng=rng(2))


def test_its_own_readings_say_where_it_goes_and_past_cycles_how_they_scatter():
    own, truth = cycle(-0.35, 0.03, 20, 99), 1.35 / 0.03 - 19
    held = []
    for seed in range(4):
        pooled = steady(8, seed)
        apart = forecast(fit_apart(pooled, own, lacking=WHY, rng=rng(3)), own)
        assert apart.low <= truth <= apart.high
        assert apart.borrowed == f"20 faces of its own, little from 8 past cycles: {WHY}"
        with_the_group = forecast(pooled, own)
        held.append((with_the_group.low or np.inf) <= truth <= (with_the_group.high or np.inf))
    assert not all(held)  # the few draws of the group that miss it least decide: where they say, is luck


def test_its_median_is_that_of_the_least_squares_line():  # second way, where noise hardly matters
    own, pooled = cycle(-0.35, 0.03, 24, 99, noise=0.005), steady(8)
    apart = fit_apart(pooled, own, lacking=WHY, rng=rng(3))
    linear = apart.shapes[[s.scale.shape.name for s in apart.shapes].index("linear")]
    answer = forecast(replace(apart, shapes=(replace(linear, share=1.0),)), own)
    slope, start = np.polyfit(own.age, (own.low + own.high) / 2, 1)
    assert abs(answer.median - ((1 - start) / slope - 23)) < 0.5


def test_too_few_past_cycles_or_readings_leave_it_alone():
    own = cycle(-0.35, 0.03, 20, 99)
    few = fit_apart(steady(2), own, lacking=WHY, rng=rng(3))
    assert few.alone and few.lacking == WHY and len(few.shapes) == len(ALONE_SHAPES)
    young = fit_apart(steady(8), cycle(-0.35, 0.03, 5, 99), lacking=WHY, rng=rng(3))
    assert young.refused == f"{WHY}, and 5 readings of its own where 6 are needed"


def straight(slope, n, seed, start=1.0, noise=0.3, step=2.0):
    age = step * np.arange(1.0, n + 1)
    read = start + slope * age + noise * np.random.default_rng(seed).standard_normal(n)
    return wear_path(f"unit {seed}", age, read, limit=11.0)


def others():
    return fit_pooled([straight(0.2 + 0.01 * (c - 4), 25, c) for c in range(8)], rng=rng(1))


def test_a_unit_ten_times_as_fast_is_forecast_from_its_own_readings_and_that_is_said():
    own = straight(2.0, 12, 99, step=0.2)
    lone, asked = others(), rng(3)
    slope, start = np.polyfit(own.age, own.low, 1)
    own_line = (11 - start) / slope - own.age[-1]  # by least squares, the second way
    answer = time_to_limit(with_own_way(lone, own, rng=asked), own, limit=11.0, rng=asked)
    assert answer.low <= own_line <= answer.high and answer.own_way_share > 0.9
    assert answer.borrowed.endswith("of its own, little from 8 past cycles: its readings do not go as theirs")
    from_the_others = time_to_limit(lone, own, limit=11.0, rng=asked)
    assert from_the_others.low > own_line and from_the_others.own_way_share == 0.0


def test_a_unit_like_the_others_borrows_as_before():
    own, lone = straight(0.2, 12, 99), others()
    answer = time_to_limit(with_own_way(lone, own, rng=rng(3)), own, limit=11.0, rng=rng(2))
    plain = time_to_limit(lone, own, limit=11.0, rng=rng(2))
    assert answer.own_way_share < 0.05 and "the rest from 8 past cycles" in answer.borrowed
    assert (
        abs(answer.median - plain.median) < 0.5 and abs((answer.high - answer.low) / (plain.high - plain.low) - 1) < 0.1
    )


def test_a_unit_that_scatters_far_less_is_told_closer_than_the_others_allow():
    own, lone = straight(0.2, 12, 99, noise=0.01), others()
    answer = time_to_limit(with_own_way(lone, own, rng=rng(3)), own, limit=11.0, rng=rng(2))
    plain = time_to_limit(lone, own, limit=11.0, rng=rng(2))
    assert answer.high - answer.low < 0.5 * (plain.high - plain.low) and answer.low <= 50 - 24 <= answer.high


def test_covariates_and_limits_of_their_own_do_not_stand_in_the_way():
    past = [
        replace(straight(0.2 * load, 25, c), limit=6.0 + 2 * load, covariates=(load, 3.0))
        for c, load in enumerate([1.0, 2.0, 3.0] * 3)
    ]
    pooled = fit_pooled(past, rng=rng(1))
    assert any(s.with_covariates for s in pooled.shapes)
    own = replace(straight(4.0, 10, 99, step=0.1), limit=10.0, covariates=(2.0, 3.0))
    both = with_own_way(pooled, own, rng=rng(3))
    assert abs(sum(s.share for s in both.shapes) - 1) < 1e-9
    assert abs(sum(s.share for s in both.shapes if s.own_way) - 0.05) < 1e-9
    answer = time_to_limit(both, own, limit=10.0, rng=rng(3))
    slope, start = np.polyfit(own.age, own.low, 1)
    assert answer.low <= (10 - start) / slope - own.age[-1] <= answer.high and answer.own_way_share > 0.9


def test_young_units_and_few_others_are_left_to_the_pool():
    lone = others()
    young = straight(2.0, 5, 99)
    assert with_own_way(lone, young, rng=rng(2)) is lone
    few = replace(lone, past=lone.past[:2])
    assert with_own_way(few, straight(2.0, 12, 99), rng=rng(2)) is few
