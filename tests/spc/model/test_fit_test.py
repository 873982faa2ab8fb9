import math

import numpy as np
import pytest
from scipy import stats

from spc.model.fit_test import check_fit
from spc.model.interval_fit import fit_intervals
from tests.honesty.laws import read_on_step


def test_statistic_is_anderson_darling_for_exact_readings():
    # Second route: the textbook order-statistics formula. The pooled curve is compared on a grid of log odds from
    # -7.5 to 7.5, so the two agree to the grid.
    x = np.random.default_rng(1).rayleigh(1.0, 200)
    fit = fit_intervals(x, family="Rayleigh")
    u = np.sort(fit.cdf(x))
    i = np.arange(1, 201)
    textbook = -200 - np.mean((2 * i - 1) * (np.log(u) + np.log1p(-u[::-1])))
    assert check_fit(fit, repetitions=100).statistic == pytest.approx(textbook, abs=0.06)


def test_p_value_agrees_with_the_tabled_case_of_the_exponential():
    # Weibull with shape 1 fitted by scale alone has no entry here; the Rayleigh squared is exponential, for which
    # D'Agostino and Stephens (1986), Table 4.14 give 5 % point 1.321 / (1 + 0.6/n) (from memory).
    rng, critical = np.random.default_rng(2), 1.321 / (1 + 0.6 / 50)
    checks = [check_fit(fit_intervals(rng.rayleigh(1.0, 50), family="Rayleigh"), rng=rng) for _ in range(40)]
    by_table = [check.statistic > critical for check in checks]
    clear = [abs(check.p_value - 0.05) > 4 * check.p_error for check in checks]
    assert all(
        (check.p_value < 0.05) == table for check, table, far in zip(checks, by_table, clear, strict=True) if far
    )
    p = np.array([check.p_value for check in checks])
    assert stats.kstest(p, "uniform").pvalue > 0.001


@pytest.mark.parametrize("step", [0.0, 0.25, 0.5])
def test_finds_two_laps_mixed_in_one_law(step):
    rng = np.random.default_rng(3)
    x = np.where(rng.random(150) < 0.5, rng.normal(0.6, 0.08, 150), rng.normal(1.8, 0.1, 150))
    check = check_fit(fit_intervals(*read_on_step(x, step), family="gamma"))
    assert check.status == "rejected" and "do not follow" in check.sentence


def test_ties_alone_do_not_reject():
    x = np.random.default_rng(4).lognormal(0, 0.5, 400)
    written = np.round(x / 0.5) * 0.5
    plain = stats.kstest(np.log(written[written > 0]), "norm", args=(0, 0.5)).pvalue
    check = check_fit(fit_intervals(*read_on_step(x, 0.5)))
    assert plain < 1e-6 and check.status == "agrees"


def test_works_with_less_than_and_or_more_and_a_cut():
    rng = np.random.default_rng(5)
    x = rng.lognormal(0, 0.5, 300)
    low, high = read_on_step(x, 0.25)
    low, high = np.where(x < 0.5, 0.0, low), np.where(x < 0.5, 0.5, high)
    low, high = np.where(x > 2.125, 2.125, low), np.where(x > 2.125, np.inf, high)
    assert check_fit(fit_intervals(low, high)).p_value > 0.01
    kept = x[x < 1.5]
    assert check_fit(fit_intervals(kept, cut_um=1.5)).p_value > 0.01


def test_cannot_say_is_a_result():
    few = check_fit(fit_intervals([1.0, 1.0, 1.0, 1.0]))
    assert few.status == "cannot say" and math.isnan(few.p_value) and "alike" in few.sentence
    two = check_fit(fit_intervals([0.25] * 9 + [0.75] * 9, [0.75] * 9 + [1.25] * 9))
    assert two.status == "cannot say" and "2 steps" in two.sentence


def test_refuses_bad_options():
    fit = fit_intervals([1.0, 2, 3, 4, 5])
    with pytest.raises(ValueError, match="`repetitions` must be at least 100"):
        check_fit(fit, repetitions=5)
    with pytest.raises(ValueError, match="`level` must lie between 0 and 0.5"):
        check_fit(fit, level=0.95)
