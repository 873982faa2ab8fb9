"""The rate that a limit attains on the steps of the readings, held against counting good readings beyond it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from spc.chart.baseline import RulesInUse, analyse
from spc.chart.cycle_spread import CycleSpread
from spc.chart.norm import Norm
from spc.chart.on_steps import attained_on_steps
from spc.chart.replay import Revision, replay
from tests.honesty.worn_cycles import lap

ALPHA, STEP = 2e-3, 0.3
GROWS = Norm("lognormal", float(np.log(0.4)), float(np.log(0.25)), 0.03, {}, 0.0)
SHRINKS = replace(GROWS, growth_per_face=-0.02)


def listed(cycles=8):
    """Whole cycles of one lap, read in steps."""
    made = lap(np.random.default_rng(4), cycles, step=STEP)
    return made.where(made.cycle < cycles)


def counted(used, norm, draws, seed):
    """Share of good readings, drawn anew at each age of the list, whose whole step lies beyond the limit."""
    rng, law, beyond = np.random.default_rng(seed), norm.law(), []
    factor = norm.factor(used.part, used.age_faces)
    for _ in range(draws):
        true = law.ppf(rng.random(len(used))) * factor
        read = np.round(true / STEP) * STEP
        low, high = np.maximum(read - STEP / 2, 0.0), read + STEP / 2
        tail = law.sf(low / factor) if used.sign != "removal rate" else law.cdf(high / factor)
        beyond.append(np.mean(tail <= ALPHA))
    return float(np.mean(beyond)), float(np.std(beyond) / draws**0.5)


@pytest.mark.parametrize(("norm", "sign"), [(GROWS, "flatness"), (SHRINKS, "removal rate")])
def test_a_limit_that_follows_the_age_attains_what_is_counted_over_the_ages(norm, sign):
    used = replace(listed(), sign=sign)
    share, error = counted(used, norm, 4_000, 5)
    assert attained_on_steps(used, norm, alpha=ALPHA, step=STEP) == pytest.approx(share, abs=4 * error + 1e-6)
    assert 0 < share < ALPHA


def drawn(used, norm, rng):
    """The list again, of cycles that differ as the norm says, read in steps."""
    spread, label = norm.cycles, np.unique(used.cycle, return_inverse=True)[1]
    level, slope = (sd * rng.normal(size=label.max() + 1)[label] for sd in (spread.start_sd, spread.slope_sd))
    z = level + slope * used.age_faces + spread.within_sd * rng.normal(size=len(used))
    read = np.round(norm.law().ppf(ndtr(z)) * norm.factor(used.part, used.age_faces) / STEP) * STEP
    return replace(used, low=np.maximum(read - STEP / 2, 0.0), high=read + STEP / 2)


def test_the_rate_told_is_that_of_faces_judged_as_the_chart_judges_them():
    """Cycles that differ, each face against its own cycle so far: told over the list, counted over lists drawn anew.

    At age 0 alone, of which it was once told, the first edge lies far beyond the limit: a tenth of the rate.
    """
    used, rng, calls = listed(12), np.random.default_rng(6), []
    rules = RulesInUse(2e-3, 0.2, 1.8, 1000.0, 13.0, 4.0)  # hardly ever a drifting average
    found = analyse(used, rules).model
    for _ in range(300):
        calls.append(np.mean(replay(drawn(used, found.norm, rng), (Revision(1, 0, found),)).beyond))
    error = float(np.std(calls)) / len(calls) ** 0.5
    assert found.attained_alpha == pytest.approx(np.mean(calls), abs=4 * error)
    assert found.rules.alpha / 10 < found.attained_alpha < found.rules.alpha


def test_readings_in_numbers_attain_what_is_set_and_unknown_parts_have_no_limit():
    used = listed()
    assert attained_on_steps(used, GROWS, alpha=ALPHA, step=0.0) == ALPHA
    strange = replace(GROWS, part_factors={"Q": 1.0, "R": 1.2})
    first = used.where(np.arange(len(used)) == 0)
    assert attained_on_steps(first, strange, alpha=ALPHA, step=STEP) == ALPHA
    near = replace(strange, cycles=CycleSpread(0.3, 0.01, 0.9, 6, 1.0))
    assert 0 < attained_on_steps(used, near, alpha=ALPHA, step=STEP) < ALPHA
