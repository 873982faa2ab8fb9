from dataclasses import replace

import numpy as np

from spc.wear.path_shape import SHAPES
from spc.wear.pooled import ALONE_SHAPES, fit_pooled
from spc.wear.pooled_apart import fit_apart
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path

WHY = "no past cycle goes as this one does"


def cycle(start, drift, n, seed, noise=0.05):
    y = start + drift * np.arange(n) + noise * np.random.default_rng(seed).standard_normal(n)
    return wear_path(f"cycle {seed}", np.arange(n), y - 0.02, y + 0.02)


def steady(cycles):
    past = [cycle(-0.35, 0.001 * (c % 3 - 1), 24, c) for c in range(cycles)]
    straight = [s for s in SHAPES if not s.needs_positive]
    return fit_pooled(past, shapes=straight, rng=np.random.default_rng(1))


def forecast(pooled, own):
    return time_to_limit(pooled, own, limit=1.0, lower_limit=-1.0, rng=np.random.default_rng(2))


def test_its_own_readings_say_where_it_goes_and_past_cycles_how_they_scatter():
    own, pooled = cycle(-0.35, 0.03, 20, 99), steady(8)
    apart = forecast(fit_apart(pooled, own, lacking=WHY, rng=np.random.default_rng(3)), own)
    truth = 1.35 / 0.03 - 19
    assert apart.low <= truth <= apart.high
    assert apart.borrowed == f"20 faces of its own, the scatter from 8 past cycles: {WHY}"
    with_the_group = forecast(pooled, own)
    assert with_the_group.low > truth  # the group holds it back


def test_its_median_is_that_of_the_least_squares_line():  # second way, where noise hardly matters
    own, pooled = cycle(-0.35, 0.03, 24, 99, noise=0.005), steady(8)
    apart = fit_apart(pooled, own, lacking=WHY, rng=np.random.default_rng(3))
    linear = apart.shapes[[s.scale.shape.name for s in apart.shapes].index("linear")]
    answer = forecast(replace(apart, shapes=(replace(linear, share=1.0),)), own)
    slope, start = np.polyfit(own.age, (own.low + own.high) / 2, 1)
    assert abs(answer.median - ((1 - start) / slope - 23)) < 0.5


def test_too_few_past_cycles_or_readings_leave_it_alone():
    own = cycle(-0.35, 0.03, 20, 99)
    rng = np.random.default_rng(3)
    few = fit_apart(steady(2), own, lacking=WHY, rng=rng)
    assert few.alone and few.lacking == WHY and len(few.shapes) == len(ALONE_SHAPES)
    young = fit_apart(steady(8), cycle(-0.35, 0.03, 5, 99), lacking=WHY, rng=rng)
    assert young.refused == f"{WHY}, and 5 readings of its own where 6 are needed"
