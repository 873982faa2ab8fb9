"""Forecasts held against past cycles: the range by a second way, the count by a published bound, each outcome."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spc.wear.backtest import cut_path
from spc.wear.past_forecasts import LEAST_JUDGED, SHARES, _typed_at, forecast_held, forecasts_held, not_counted
from spc.wear.path_shape import SHAPES
from spc.wear.pooled import PooledWear, fit_pooled
from spc.wear.wear_path import wear_path

SOURCES = Path(__file__).parents[2] / "sources"
LEVEL, SLOPE, SD, OFFSET = 0.7, 0.05, 0.1, 0.5  # of every cycle; part B reads so much more than part A
AGE = np.arange(1.0, 25.0)
PARTS = ("A", "B") * 12
NONE = {"A": math.inf, "B": math.inf, "": math.inf}
LINEAR = [shape for shape in SHAPES if shape.name == "linear"]


def cycle(label, draw, *, parts=True, sign=1.0):
    size = LEVEL + SLOPE * AGE + SD * draw.normal(size=24)
    size = size + np.where(np.array(PARTS) == "B", OFFSET, 0.0) if parts else size
    return wear_path(label, AGE, sign * size, parts=PARTS if parts else ())


def pool_of(*, parts, sign=1.0):
    draw = np.random.default_rng(1)
    past = [cycle(f"past {i}", draw, parts=parts, sign=sign) for i in range(40)]
    return fit_pooled(past, shapes=LINEAR, rng=np.random.default_rng(2))


@pytest.fixture(scope="module")
def pooled():
    return pool_of(parts=False)


@pytest.fixture(scope="module")
def of_parts():
    return pool_of(parts=True)


def hold(pooled, path, *, limits=NONE, readings=12, **more):
    own = cut_path(path, AGE[readings - 1])
    return forecast_held(pooled, path, own, share=0.5, limits=limits, rng=np.random.default_rng(3), **more)


def ending(value, width=0.0, **change):
    """A cycle on its line whose last reading is this."""
    low = LEVEL + SLOPE * AGE
    low = np.append(low[:-1], value - width / 2)
    return wear_path("one", AGE, low, np.append(low[:-1], value + width / 2), **change)


def of_two_parts():
    """A cycle on its line, of part A and part B by turns."""
    return wear_path("one", AGE, LEVEL + SLOPE * AGE + np.where(AGE % 2 == 0, OFFSET, 0.0), parts=PARTS)


def test_the_range_of_the_last_reading_is_that_of_the_known_line(pooled):
    """All cycles have one line: what is said is the line at that age and 1.645 errors of a reading on either side."""
    found = hold(pooled, ending(1.9), draws=20_000)
    at_end = LEVEL + SLOPE * AGE[-1]
    assert (found.said_low, found.said_high) == pytest.approx((at_end - 1.645 * SD, at_end + 1.645 * SD), abs=0.025)
    assert (found.reached, found.came_low, found.came_high, found.outcome) == (False, 1.9, 1.9, "held")
    assert (found.read_to, found.own_readings, found.last_age) == (12.0, 12, 24.0)


def test_the_range_of_the_age_at_the_limit_is_that_of_plain_simulation(pooled):
    draw, later = np.random.default_rng(5), np.arange(13.0, 40.0)
    reading = LEVEL + SLOPE * later + SD * draw.normal(size=(100_000, later.size))
    low, high = np.quantile(later[(reading >= 1.6).argmax(axis=1)], [0.05, 0.95], method="inverted_cdf")
    found = hold(pooled, ending(1.9), limits=dict.fromkeys(NONE, 1.6), draws=20_000)
    assert found.reached and (found.said_low, found.said_high) == pytest.approx((low, high), abs=1)
    assert found.came_low == found.came_high == 18.0 and found.outcome == "held"  # 0.7 + 0.05 x 18 = 1.6


@pytest.mark.parametrize(
    ("value", "width", "outcome"),
    [(2.2, 0.0, "faster"), (1.6, 0.0, "slower"), (2.2, 0.5, "held"), (1.6, 0.5, "held"), (2.2, 0.1, "faster")],
)
def test_a_last_reading_is_held_as_the_interval_it_is(pooled, value, width, outcome):
    assert hold(pooled, ending(value, width)).outcome == outcome


@pytest.mark.parametrize(("rise", "outcome"), [(0.4, "faster"), (0.0, "held"), (-0.5, "slower")])
def test_an_age_at_the_limit_too_early_or_too_late(pooled, rise, outcome):
    low = LEVEL + SLOPE * AGE + np.where(AGE > 12, rise, 0.0)
    found = hold(pooled, wear_path("one", AGE, np.append(low[:-1], 1.61)), limits=dict.fromkeys(NONE, 1.6))
    assert found.reached and found.outcome == outcome


def test_draws_that_end_alike_count_as_no_further_out(pooled):
    """Most draws are at the limit at the very next reading, and so is the cycle: foreseen."""
    found = hold(pooled, ending(1.9), limits=dict.fromkeys(NONE, 1.31))
    assert (found.said_low, found.came_low, found.outcome) == (13.0, 13.0, "held")


def test_a_cycle_that_ends_on_a_high_reading_is_held_by_its_age(pooled):
    """Ended when a reading came over the limit: high by its own error, at an age that was foreseen."""
    path = cut_path(ending(0.0), 16.0)
    path = wear_path("one", path.age, np.append(path.low[:-1], 1.75))
    assert hold(pooled, path).outcome == "faster"  # by the size of that reading alone
    assert hold(pooled, path, limits=dict.fromkeys(NONE, 1.6)).outcome == "held"


def test_a_planned_end_counts_draws_at_the_limit_as_worn_most(pooled):
    """At 24 faces nearly every draw has been at 1.6: a cycle that never was has worn more slowly than said."""
    low = np.minimum(LEVEL + SLOPE * AGE, 1.55)
    found = hold(pooled, wear_path("one", AGE, low), limits=dict.fromkeys(NONE, 1.6))
    assert (found.reached, found.outcome, found.said_high) == (False, "slower", math.inf)


def test_a_signed_cycle_that_reaches_the_limit_on_the_other_side_has_reached_it(pooled):
    """It begins convex and goes over to concave: worn sooner than foreseen, whichever way its readings count."""
    bow = LEVEL + SLOPE * AGE
    bow[12:] = -2.5
    found = hold(pooled, wear_path("one", AGE, bow), limits=dict.fromkeys(NONE, 2.2), signed=True)
    assert (found.reached, found.came_low, found.outcome) == (True, 13.0, "faster")


def test_each_reading_is_foreseen_for_its_part_number(of_parts):
    path = of_two_parts()
    of_b = hold(of_parts, path, draws=5000)
    of_a = hold(of_parts, replace(path, parts=(*PARTS[:-1], "A")), draws=5000)
    assert of_b.said_low - of_a.said_low == pytest.approx(OFFSET, abs=0.05)
    assert (of_b.outcome, of_a.outcome) == ("held", "faster")


def test_each_part_number_has_its_limit(of_parts):
    path = of_two_parts()
    assert hold(of_parts, path, limits={"A": 3.0, "B": 9.0}).reached is False
    assert hold(of_parts, path, limits={"A": 9.0, "B": 2.0}).reached is True
    with pytest.raises(ValueError, match=r"`limits` must name every part number of the path, got none for 'B'"):
        hold(of_parts, path, limits={"A": 3.0})


def test_what_is_measured_is_typed_in_the_steps_of_the_reading():
    """In half steps of 0.5 about 1.5, 2 and 2.5, a limit of 2 is typed from 1.75 on; without steps from 2 on."""
    low, high = np.array([1.25, 1.75, 2.25, 1.3, 1.9]), np.array([1.75, 2.25, 2.75, 1.3, math.inf])
    assert _typed_at(low, high, np.full(5, 2.0)) == pytest.approx([1.75, 1.75, 1.75, 2.0, 2.0])
    assert np.isinf(_typed_at(low, high, np.full(5, math.inf))).all()


def test_half_band_readings_are_at_the_limit_when_typed_at_it(pooled):
    typed = np.round((LEVEL + SLOPE * AGE) / 0.25) * 0.25
    path = wear_path("one", AGE, typed - 0.125, typed + 0.125)
    found = hold(pooled, path, limits=dict.fromkeys(NONE, 1.5))
    assert found.reached and typed[int(found.came_low) - 1] == 1.5 and found.outcome == "held"
    assert hold(pooled, path, limits=dict.fromkeys(NONE, 1.5), readings=16).why == "a reading at the limit by then"


def test_a_signed_bow_that_goes_to_concave_is_held_as_its_mirror_image(pooled):
    up, down = ending(1.9), pool_of(parts=False, sign=-1.0)
    other = wear_path("one", AGE, -up.low)
    for limits in (NONE, dict.fromkeys(NONE, 1.6)):
        convex = hold(pooled, up, limits=limits, signed=True, draws=5000)
        concave = hold(down, other, limits=limits, signed=True, draws=5000)
        assert (concave.reached, concave.outcome) == (convex.reached, convex.outcome) == (limits is not NONE, "held")
        ends = (concave.said_low, concave.said_high)
        mirrored = ends if convex.reached else (-ends[1], -ends[0])
        assert mirrored == pytest.approx((convex.said_low, convex.said_high), abs=1 if convex.reached else 0.03)


def test_nothing_to_foresee_from_is_not_counted():
    found = hold(PooledWear((), (), (), "no past cycle to borrow from"), ending(1.9))
    assert (found.outcome, found.why) == ("", "too little to foresee it from") and math.isnan(found.said_low)


def test_a_first_part_that_is_all_of_it_is_refused(pooled):
    with pytest.raises(ValueError, match=r"`own` must be shorter than `path` \(24 readings\), got 24"):
        hold(pooled, ending(1.9), readings=24)


def summed(held, faster=0, slower=0, level=0.9, left_out=0):
    one = not_counted(ending(1.9), cut_path(ending(1.9), 12), share=0.5, why="no reading after that")
    counts = {"held": held, "faster": faster, "slower": slower, "": left_out}
    return forecasts_held(
        [replace(one, outcome=name) for name, n in counts.items() for _ in range(n)], share=0.5, level=level
    )


def test_the_chance_is_that_of_a_published_bound():
    """The upper bound of a share with so many of n is where so few or fewer have the chance it leaves on that side."""
    with (SOURCES / "clopper_pearson.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["published_upper"] and row["x"] != row["n"]]
    assert rows
    for row in rows:
        x, n = int(row["x"]), int(row["n"])
        found = summed(x, faster=n - x, level=float(row["published_upper"]))
        assert found.chance == pytest.approx((1 - float(row["confidence"])) / 2, abs=2e-5)


@pytest.mark.parametrize(("held", "of"), [(6, 12), (9, 12), (2, 5), (24, 24)])
def test_the_chance_is_the_sum_of_its_terms(held, of):
    terms = (math.comb(of, k) * 0.9**k * 0.1 ** (of - k) for k in range(held + 1))
    assert summed(held, faster=of - held).chance == pytest.approx(sum(terms), rel=1e-9)


def test_cycles_not_counted_are_in_no_share():
    found = summed(4, faster=2, slower=1, left_out=3)
    assert (found.counted, found.held, found.faster, found.slower, len(found.cycles)) == (7, 4, 2, 1, 10)
    assert math.isnan(summed(0, left_out=2).chance) and not summed(0, left_out=9).judged


def test_two_looks_share_the_chance_allowed():
    """9 of 12 have the chance 0.111, 8 of 12 0.026: over two looks that is still 0.051, and 7 of 12 are too few."""
    assert len(SHARES) == 2
    assert [summed(held, faster=12 - held).too_narrow for held in (9, 8, 7)] == [False, False, True]


def test_few_cycles_are_not_judged():
    assert not summed(0, faster=LEAST_JUDGED - 1).too_narrow
    assert summed(0, faster=LEAST_JUDGED).too_narrow


def test_the_width_is_of_ranges_of_one_kind():
    one = hold_width(True, 3.0, 9.0), hold_width(True, 3.0, 7.0), hold_width(True, 3.0, math.inf)
    found = forecasts_held([*one, hold_width(False, 0.5, 0.75)], share=0.5)
    assert (found.width_ages, found.width_readings) == (5.0, 0.25)


def hold_width(reached, low, high):
    one = not_counted(ending(1.9), cut_path(ending(1.9), 12), share=0.5, why="")
    return replace(one, reached=reached, said_low=low, said_high=high, outcome="held")
