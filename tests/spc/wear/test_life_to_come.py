"""What is left of a cycle by the lives of others: against the exact law, and what may be asked of it."""

import numpy as np
import pytest
from scipy.stats import weibull_min

from spc.wear.life_to_come import life_to_come


def lives(seed, count, *, scale=30.0, shape=4.0):
    """Lives in whole faces, each known to lie within one."""
    life = np.ceil(scale * np.random.default_rng(seed).weibull(shape, count))
    return np.maximum(life - 1, 0), life


def told(low, high, laps=None, **more):
    laps = ["L1"] * len(low) if laps is None else laps
    return life_to_come(low, high, laps, **({"lap": "L1", "age": 12.0, "rng": np.random.default_rng(1)} | more))


def test_of_very_many_lives_the_range_is_that_of_their_law_given_the_age():
    """Quantiles of a Weibull law beyond an age, by scipy."""
    low, high = lives(2, 4000)
    law = weibull_min(4.0, scale=30.0)
    beyond = law.isf(law.sf(12.0) * np.array([0.95, 0.5, 0.05])) - 12.0
    found = told(low, high, draws=20_000)
    assert [found.low, found.median, found.high] == pytest.approx(beyond.tolist(), abs=0.5)
    assert found.used.all() and found.horizon == 3 * low.max()


def test_few_lives_leave_a_wider_range_than_many():
    width = [told(*lives(3, count)).high - told(*lives(3, count)).low for count in (6, 200)]
    assert width[0] > 1.1 * width[1]


def test_cycles_taken_off_good_count_up_to_there():
    low, high = lives(4, 20)
    ended = np.where(np.arange(20) % 2, np.inf, high)  # half of them came off by plan, two faces before they were worn
    found = told(np.where(np.isinf(ended), np.maximum(low - 2, 0), low), ended)
    assert found.median > told(low, high).median


def test_laps_that_do_not_last_alike_are_told_apart():
    one, other = lives(5, 12), lives(6, 12, scale=90.0)
    low, high = (np.concatenate(each) for each in zip(one, other, strict=True))
    laps = ["L1"] * 12 + ["L2"] * 12
    found = told(low, high, laps)
    assert found.used.tolist() == [True] * 12 + [False] * 12
    assert found.high == pytest.approx(told(*one).high, rel=0.1)
    few = told(low[9:], high[9:], laps[9:])  # three lives of its own: too few for a law
    assert few is not None and few.used.all()


def test_nothing_is_said_of_too_few_lives_or_of_lives_that_are_all_alike():
    assert told(*lives(7, 4)) is None
    assert told([9.0] * 8, [10.0] * 8) is None
    assert told([], []) is None
    with pytest.raises(ValueError, match="must satisfy"):
        told([5.0], [3.0])


def test_a_cycle_older_than_any_has_little_left_and_none_is_left_below_nought():
    found = told(*lives(8, 30), age=60.0)
    assert 0 <= found.low <= found.median <= found.high < 12 and found.horizon == 180


def test_what_reaches_beyond_the_horizon_is_open():
    low = np.array([2.0, 3.0, 5.0, 8.0, 13.0, 20.0, 20.0, 20.0])
    high = np.where(low < 20, low + 1, np.inf)
    found = told(low, high, age=0.0, level=0.98)
    assert np.isinf(found.high) and found.low < found.median <= found.horizon == 60
