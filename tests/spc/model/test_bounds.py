import math

import numpy as np
import pytest
from scipy import stats

from spc.model.bounds import bound, index_target, quantile_target, tail_share_target
from spc.model.families import FAMILIES
from spc.model.interval_fit import fit_intervals


def stepped(x, step):
    written = np.round(x / step) * step
    return np.maximum(written - step / 2, 0), written + step / 2


def normal_scores(n):  # a sample whose mean is exactly 0 and sd (n - 1) exactly 1
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return (z - z.mean()) / z.std(ddof=1)


SLOW_GRID = {"lognormal": np.linspace(-2.5, 1.0, 401), "Weibull": np.linspace(-1, 3.0, 401)}


@pytest.mark.parametrize("family", SLOW_GRID)
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_ratio_bound_matches_a_brute_force_grid(family, side):
    low, high = stepped(np.random.default_rng(1).lognormal(0, 0.5, 40), 0.5)
    fit, law, shape = fit_intervals(low, high, family=family), FAMILIES[family], SLOW_GRID[family]

    def profile(q):  # every shape tried, readings one by one
        scale = q / law.isf(np.asarray(0.01), shape)
        with np.errstate(all="ignore"):
            p = law.cdf(high[:, None] / scale, shape) - law.cdf(low[:, None] / scale, shape)
            return np.log(np.maximum(p, 1e-300)).sum(axis=0).max()

    estimate = float(fit.isf(0.01))
    grid = estimate * np.exp(np.linspace(0, 1.5, 301) * (1 if side == "upper" else -1))
    inside = np.array([2 * (fit.log_likelihood - profile(q)) <= 1.6448536**2 for q in grid])
    result = bound(fit, quantile_target(0.01), side=side, method="likelihood ratio")
    got = result.high if side == "upper" else result.low
    assert got == pytest.approx(grid[inside][-1], rel=6e-3)


def test_calibrated_quantile_bound_is_the_exact_normal_tolerance_limit():
    # Far from zero the folded normal is normal: k = 3.064 for n 30, share 0.99, 95 % (one-sided tolerance tables,
    # value from memory). Plain ratio bounds give another figure, so the calibration is what is tested.
    fit = fit_intervals(100 + normal_scores(30), family="folded normal")
    target = quantile_target(0.01)
    result = bound(fit, target, repetitions=3000, rng=np.random.default_rng(2))
    assert result.high - 100 == pytest.approx(3.064, abs=0.07)
    assert bound(fit, target, method="likelihood ratio").high - 100 < 2.98


def test_calibrated_index_bound_is_the_exact_noncentral_t_bound():
    # Exact lower bound 1.0216 for an estimate of 1.33 at n 30 (noncentral t; see tests/sources/cpk_exact_lower).
    # x99.865 lies 3 sd above the mean to 4 digits; the estimate uses sd over n, hence the factor.
    n = 30
    fit = fit_intervals(100 + normal_scores(n), family="folded normal")
    limit = 100 + 3 * 1.33
    result = bound(fit, index_target(limit), side="lower", repetitions=3000, rng=np.random.default_rng(3))
    assert result.estimate == pytest.approx(1.33 * math.sqrt(n / (n - 1)), rel=1e-3)
    assert result.low == pytest.approx(1.0216, abs=0.02)


@pytest.mark.parametrize("n", [8, 25])
def test_calibrated_bound_is_exact_where_a_pivot_exists(n):
    # Rayleigh: sum x**2 / scale**2 is chi-square with 2n degrees of freedom.
    x = np.random.default_rng(4).rayleigh(1.0, n)
    fit = fit_intervals(x, family="Rayleigh")
    exact = math.sqrt((x**2).sum() / stats.chi2.ppf(0.05, 2 * n)) * math.sqrt(-2 * math.log(0.01))
    result = bound(fit, quantile_target(0.01), repetitions=5000, rng=np.random.default_rng(5))
    assert result.high == pytest.approx(exact, rel=0.03)


def test_share_quantile_and_index_bounds_tell_one_story():
    fit = fit_intervals(*stepped(np.random.default_rng(6).gamma(4, 0.25, 60), 0.25), family="gamma")
    q = bound(fit, quantile_target(0.00135), method="likelihood ratio").high
    share = bound(fit, tail_share_target(q), method="likelihood ratio")
    assert share.high == pytest.approx(0.00135, rel=1e-3)
    index = bound(fit, index_target(q), side="lower", method="likelihood ratio")
    assert index.low <= 1.0 + 1e-3  # the law on the bound has its x99.865 at q


@pytest.mark.parametrize("family", FAMILIES)
def test_both_sides_hold_the_estimate_and_widen_with_level(family):
    fit = fit_intervals(*stepped(np.random.default_rng(7).gamma(3, 0.4, 40), 0.5), family=family)
    narrow = bound(fit, quantile_target(0.01), side="both", level=0.8, repetitions=200)
    wide = bound(fit, quantile_target(0.01), side="both", level=0.99, repetitions=200)
    assert wide.low < narrow.low < narrow.estimate < narrow.high < wide.high
    assert narrow.estimate == pytest.approx(float(fit.isf(0.01)))


def test_bound_repeats_to_the_digit_and_scales_with_the_unit():
    low, high = stepped(np.random.default_rng(8).lognormal(0, 0.5, 30), 0.5)
    one = bound(fit_intervals(low, high), quantile_target(0.01)).high
    assert bound(fit_intervals(low, high), quantile_target(0.01)).high == one
    for unit in (1e-12, 1e9):
        assert bound(fit_intervals(low * unit, high * unit), quantile_target(0.01)).high == pytest.approx(one * unit)


def test_bounds_a_huge_index_of_a_narrow_law():
    fit = fit_intervals(100 + normal_scores(30), family="folded normal")
    result = bound(fit, index_target(1100.0), side="lower", repetitions=400)
    # Far out C / estimate behaves as sd / sample sd: exact ratio by chi-square.
    assert result.low / result.estimate == pytest.approx(math.sqrt(stats.chi2.ppf(0.05, 29) / 30), rel=0.04)


def test_edge_fit_still_bounds_from_above():
    fit = fit_intervals([0.25] * 10 + [0.75] * 10, [0.75] * 10 + [1.25] * 10)
    result = bound(fit, quantile_target(0.01))
    assert math.isfinite(result.high) and result.high > 0.75 and "neighbouring steps" in result.remark
    # With the limit just below the common edge all of a narrow law may lie beyond it: the index has no floor.
    assert bound(fit, index_target(0.74), side="lower", repetitions=100).low < -3


def test_says_when_the_readings_do_not_bound():
    low, high = np.r_[np.zeros(28), 0.5, 0.5], np.r_[np.full(28, 0.5), np.inf, np.inf]
    result = bound(fit_intervals(low, high, family="lognormal"), quantile_target(0.001), method="likelihood ratio")
    assert result.high == math.inf and "do not bound it from above" in result.remark


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ({"side": "left"}, "`side` must be 'upper'"),
        ({"method": "wald"}, "`method` must be"),
        ({"level": 95}, "`level` must lie between 0.5 and 1, got 95"),
        ({"repetitions": 10}, "`repetitions` must be at least 100"),
    ],
)
def test_refuses_bad_options(option, message):
    fit = fit_intervals([1.0, 2, 3, 4, 5])
    with pytest.raises(ValueError, match=message):
        bound(fit, quantile_target(0.01), **option)


def test_refuses_bad_targets_and_missing_fits():
    with pytest.raises(ValueError, match="`limit_um` must be a finite number greater than 0, got -1"):
        index_target(-1)
    with pytest.raises(ValueError, match="`tail` must lie between 0 and 1"):
        quantile_target(0)
    with pytest.raises(ValueError, match="no law was fitted: all 5 readings are alike"):
        bound(fit_intervals([1.0] * 5), quantile_target(0.01))
