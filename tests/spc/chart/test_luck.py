"""Limits widened for the luck of their list: the rate on average over lists, by quadrature over what a list may be."""

import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss
from scipy import stats

from spc.board.false_calls import plan_budget
from spc.board.frozen_limits import rules_of
from spc.chart.luck import widened_for_luck
from spc.chart.rule_beside_pair import pair_run_length


def rules(between):
    return rules_of(plan_budget([between], false_calls_per_week=1.0, room_tests_per_week=0.0))


def mean_rate(r, readings, fitted, nodes=7):
    """False calls per point, averaged over middles and spreads that a list of normal readings may give."""
    off, weight = hermegauss(nodes)
    spread = np.sqrt(stats.chi2.ppf((np.arange(nodes) + 0.5) / nodes, readings - fitted) / (readings - fitted))
    limit_z, total = -stats.norm.ppf(r.alpha), 0.0
    for shift, share in zip(off * (fitted / readings) ** 0.5, weight / weight.sum(), strict=True):
        for s in spread:
            total += share / nodes / pair_run_length(
                limit_z=s * limit_z, weight=r.weight, average_limit_z=s * r.average_limit_z, sides="upper",
                shift_sd=shift,
            )  # fmt: skip
    return total


@pytest.mark.parametrize(("readings", "fitted"), [(15, 1), (30, 2), (100, 2)])
def test_the_rate_is_kept_on_average_over_lists(readings, fitted):
    plain = rules(640)
    wide = widened_for_luck(plain, readings, fitted=fitted)
    asked = 1 / plain.points_between
    assert mean_rate(plain, readings, fitted) > 1.3 * asked  # what the widening is for
    assert 0.3 * asked < mean_rate(wide, readings, fitted) <= asked


def test_with_many_readings_it_tends_to_the_plain_width():
    plain = rules(640)
    gaps = [widened_for_luck(plain, n).average_limit_z / plain.average_limit_z - 1 for n in (15, 60, 240, 100_000)]
    assert gaps == sorted(gaps, reverse=True) and gaps[-1] < 1e-3
    wide = widened_for_luck(plain, 15)
    assert wide.alpha < plain.alpha and wide.points_between == plain.points_between
    assert wide.sees_one_sd > plain.sees_one_sd


def test_no_readings_are_refused():
    with pytest.raises(ValueError, match="`readings` must be at least 1, got 0"):
        widened_for_luck(rules(640), 0)
