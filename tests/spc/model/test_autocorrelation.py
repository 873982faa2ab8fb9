import numpy as np
import pytest

from spc.model.autocorrelation import (
    lag_correlation,
    moving_range_alarm_rate,
    one_step_residuals,
    serial_correlation,
)
from tests.sources.strd import ALLOWED, CERTIFIED, digits, series


def ar1(rng, n, phi):
    e = rng.normal(size=n)
    x = np.empty(n)
    x[0] = e[0] / np.sqrt(1 - phi**2)
    for i in range(1, n):
        x[i] = phi * x[i - 1] + e[i]
    return x


# Two-sided tail at 3 sqrt(1 - phi) standard deviations, our own closed form (no published table at hand):
# 0.0027 at phi 0 is the textbook figure; the rest are computed, 2 figures.
@pytest.mark.parametrize(("phi", "rate"), [(0.0, 0.0027), (0.25, 0.0094), (0.5, 0.0339), (0.75, 0.134)])
def test_alarm_rate_of_moving_range_limits(phi, rate):
    assert moving_range_alarm_rate(phi) == pytest.approx(rate, rel=0.01)


def test_alarm_rate_counted_on_a_long_series():  # second way: limits from the moving ranges of the series itself
    x = ar1(np.random.default_rng(4), 400_000, 0.5)
    sigma = np.abs(np.diff(x)).mean() / 1.128379
    assert np.mean(np.abs(x - x.mean()) > 3 * sigma) == pytest.approx(moving_range_alarm_rate(0.5), rel=0.05)


def test_portmanteau_equals_statsmodels_without_gaps():  # outside reference: statsmodels acorr_ljungbox
    from statsmodels.stats.diagnostic import acorr_ljungbox

    x = ar1(np.random.default_rng(5), 120, 0.3)
    ours = lag_correlation(x, np.arange(120), max_lag=8)
    theirs = acorr_ljungbox(x, lags=[8])
    assert ours.portmanteau == pytest.approx(float(theirs["lb_stat"].iloc[0]), rel=1e-12)
    assert ours.p_value == pytest.approx(float(theirs["lb_pvalue"].iloc[0]), rel=1e-9)


@pytest.mark.parametrize("name", [name for name in CERTIFIED if name != "NUMACC1"])  # of three readings none is told
def test_correlation_of_neighbours_in_reference_series(name):
    """NIST Statistical Reference Datasets, univariate, first autocorrelation: 13 digits, or what the data allow."""
    values = series(name)
    found = lag_correlation(values, np.arange(values.size), max_lag=1)
    assert digits(float(found.correlation[0]), CERTIFIED[name][2]) >= ALLOWED.get(name, 13)


def test_fit_equals_full_covariance_matrix():  # second way: dense matrices, no recursion
    from scipy.optimize import minimize_scalar

    rng = np.random.default_rng(6)
    x = ar1(rng, 90, 0.6)
    t = np.arange(90.0)
    keep = np.sort(rng.choice(90, 60, replace=False))
    x, t = x[keep], t[keep]
    chain = (t >= 40).astype(int)

    def dense(phi):
        gap = np.abs(t[:, None] - t[None, :])
        v = phi**gap * (chain[:, None] == chain[None, :])
        inv = np.linalg.inv(v)
        one = np.ones(x.size)
        info = one @ inv @ one
        e = x - (one @ inv @ x) / info
        return (x.size - 1) * np.log(e @ inv @ e) + np.linalg.slogdet(v)[1] + np.log(info)

    found = serial_correlation(x, t, chain=chain)
    best = minimize_scalar(dense, bounds=(0.01, 0.99), method="bounded", options={"xatol": 1e-9})
    assert found.phi == pytest.approx(best.x, abs=1e-5)
    assert dense(found.phi_high) - best.fun == pytest.approx(3.841459, abs=1e-4)
    assert dense(found.phi_low) - best.fun == pytest.approx(3.841459, abs=1e-4)


def test_likelihood_agrees_with_state_space_on_missing_faces():  # outside reference: statsmodels SARIMAX, NaN = gap
    from statsmodels.tsa.statespace.sarimax import SARIMAX

    rng = np.random.default_rng(7)
    x = ar1(rng, 80, 0.5)
    x[rng.choice(80, 20, replace=False)] = np.nan
    seen = np.flatnonzero(~np.isnan(x))
    z = one_step_residuals(x[seen], seen, phi=0.5, mean=0.0, sd=1 / np.sqrt(0.75))
    loglike = SARIMAX(x, order=(1, 0, 0)).loglike([0.5, 1.0])
    gap = np.diff(seen, prepend=seen[0])
    variance = np.where(np.arange(seen.size) == 0, 1.0, 1 - 0.25**gap) / 0.75
    assert -0.5 * np.sum(z**2 + np.log(2 * np.pi * variance)) == pytest.approx(loglike, abs=1e-8)


def test_neighbours_do_not_reach_across_cycles():
    x = np.array([0.0, 1.0, 0.0, 1.0, 5.0, 4.0, 5.0, 4.0, 0.5, 0.7, 4.4, 4.6])
    chain = [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 3, 3]
    assert lag_correlation(x, np.arange(12), chain=chain, max_lag=1).pairs.tolist() == [8]


def test_order_does_not_matter_and_shared_places_are_averaged():
    x = ar1(np.random.default_rng(8), 60, 0.4)
    t = np.arange(60.0)
    mixed = np.random.default_rng(9).permutation(60)
    assert serial_correlation(x[mixed], t[mixed]).phi == serial_correlation(x, t).phi
    twice = serial_correlation(np.append(x, [x[3]]), np.append(t, [3.0]))
    assert twice.phi == pytest.approx(serial_correlation(x, t).phi, abs=1e-12)
    assert "1 readings at a place already taken" in twice.sentence


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e9])
def test_scale_changes_nothing(scale):
    x = ar1(np.random.default_rng(10), 80, 0.5)
    base, scaled = serial_correlation(x), serial_correlation(x * scale)
    assert scaled.phi == pytest.approx(base.phi, abs=1e-5)
    assert scaled.sd == pytest.approx(base.sd * scale, rel=1e-4)


@pytest.mark.parametrize(
    ("values", "words"), [([], "only 0 readings"), ([1.0], "only 1 reading"), ([0.5] * 40, "all 40 readings are equal")]
)
def test_says_so_when_nothing_can_be_said(values, words):
    found = serial_correlation(values)
    assert found.status == "refused"
    assert words in found.sentence


def test_low_power_is_said_in_words():
    found = serial_correlation(np.random.default_rng(11).normal(size=20))
    assert found.status == "low power"
    assert "would miss most real dependence" in found.sentence


def test_refuses_missing_values_and_unequal_lengths():
    with pytest.raises(ValueError, match="`values` and `position` must be finite"):
        serial_correlation([1.0, np.nan, 2.0])
    with pytest.raises(ValueError, match="of one length, got shapes"):
        serial_correlation([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="`phi` must be between -1 and 1"):
        one_step_residuals([1.0], phi=1.0)
