import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spc.wear.lifetime_fit import FAMILIES, choose_lifetime, draw_lifetimes, draw_remaining, fit_lifetime

SOURCES = Path(__file__).parents[2] / "sources"


def bearings():
    life = np.loadtxt(SOURCES / "weibull_ball_bearing.csv", skiprows=1)
    return life, life


def test_matches_published_ball_bearings():
    # Lieblein and Zelen (1956), 23 bearings; fit printed in Lawless (1982), from memory.
    published = json.loads((SOURCES / "weibull_ball_bearing.json").read_text())["published"]
    fit = fit_lifetime(*bearings())
    assert fit.shape == pytest.approx(published["shape"], abs=0.005)
    assert fit.scale == pytest.approx(published["scale"], abs=0.01)


def censored(rng, n=120):
    life, stop = rng.weibull(2.5, n) * 50, rng.uniform(10, 80, n)
    low, high = np.minimum(life, stop), np.where(life <= stop, life, np.inf)
    late = (rng.random(n) < 0.3) & np.isfinite(high)
    low = np.where(late, np.floor(life / 15) * 15, low)
    high = np.where(late, low + 15, high)
    return low, high


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_agrees_with_a_reference_library(family):  # second way: scipy's censored fits
    from scipy import stats

    low, high = censored(np.random.default_rng(1))
    data = stats.CensoredData.interval_censored(low, high)
    exact = low == high
    data = stats.CensoredData(
        uncensored=low[exact], right=low[np.isinf(high)],
        interval=np.stack([low, high], axis=1)[~exact & np.isfinite(high)],
    )  # fmt: skip
    fit = fit_lifetime(low, high, family=family)
    if family == "weibull":
        shape, _, scale = stats.weibull_min.fit(data, floc=0)
    else:
        shape, _, scale = stats.lognorm.fit(data, floc=0)
    assert (fit.shape, fit.scale) == (pytest.approx(shape, rel=1e-3), pytest.approx(scale, rel=1e-3))


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_errors_agree_with_refitting_resamples(family):  # second way: parametric bootstrap
    rng = np.random.default_rng(2)
    low, high = censored(rng, 200)
    fit = fit_lifetime(low, high, family=family)
    again = [fit_lifetime(low[i], high[i], family=family) for i in rng.integers(0, 200, (80, 200))]
    spread = np.std([f.location for f in again])
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(spread, rel=0.35)


def test_left_censored_lives_shorten_the_fit():
    low, high = bearings()
    early = fit_lifetime(np.append(low, np.zeros(10)), np.append(high, np.full(10, 20.0)))
    assert early.scale < fit_lifetime(low, high).scale


def test_draws_centre_on_the_fit_and_spread_like_its_error():
    low, high = censored(np.random.default_rng(3), 300)
    fit = fit_lifetime(low, high)
    location, spread = draw_lifetimes(fit, low, high, draws=4000, rng=np.random.default_rng(4))
    assert np.mean(location) == pytest.approx(fit.location, abs=4 * np.sqrt(fit.covariance[0, 0] / 300))
    assert np.std(location) == pytest.approx(np.sqrt(fit.covariance[0, 0]), rel=0.2)
    assert np.all(spread > 0)


def test_the_better_family_comes_first():
    rng = np.random.default_rng(5)
    weibull, lognormal = rng.weibull(3, 400) * 50, rng.lognormal(4, 0.5, 400)
    assert choose_lifetime(weibull, weibull)[0].family == "weibull"
    assert choose_lifetime(lognormal, lognormal)[0].family == "lognormal"


@pytest.mark.parametrize("unfit", ["weibull", "lognormal"])
def test_a_law_that_cannot_be_fitted_never_leads(monkeypatch, unfit):
    def one_only(low, high, *, family):
        found = fit_lifetime(low, high, family=family)
        return replace(found, status="counts only", aicc=float("nan")) if family == unfit else found

    monkeypatch.setattr("spc.wear.lifetime_fit.fit_lifetime", one_only)
    lives = np.random.default_rng(5).weibull(3, 40) * 50
    assert [fit.family for fit in choose_lifetime(lives, lives)][-1] == unfit


def test_under_five_events_and_equal_lives_give_counts_only():
    assert fit_lifetime([3.0, 4, 5], [3.0, 4, 5]).reason.startswith("3 of 3 cycles ended worn")
    assert fit_lifetime([3.0], [np.inf]).reason.startswith("the only cycle that counts has not ended worn")
    assert "only 1 of 3" in fit_lifetime([3.0, 4, 5], [3.0, np.inf, np.inf]).reason
    alike = fit_lifetime([9.0] * 8, [9.0] * 8)
    assert "too much alike" in alike.reason
    with pytest.raises(ValueError, match="`fit` must be fitted, but the worn cycles"):
        draw_lifetimes(alike, [9.0] * 8, [9.0] * 8, draws=5, rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="`family` must be one of weibull, lognormal"):
        fit_lifetime([1.0], [1.0], family="gauss")


def test_lives_that_nothing_bounds_from_below_give_no_law():
    fit = fit_lifetime(np.zeros(8), np.linspace(5, 40, 8), family="weibull")  # all found worn at their first check
    assert fit.status == "counts only" and "only found worn" in fit.reason
    half = fit_lifetime(
        np.r_[np.zeros(6), np.full(6, 30.0)], np.r_[np.full(6, 2.0), np.full(6, np.inf)], family="lognormal"
    )
    assert half.status == "counts only" and "only seen good" in half.reason


@pytest.mark.parametrize("family", FAMILIES)
def test_any_lives_are_fitted_without_a_warning(family):  # warnings are errors here
    rng = np.random.default_rng(8)
    for spread in (0.002, 0.02, 0.3, 2.0):
        life = 60 * np.exp(spread * rng.normal(size=9))
        for low, high in ((life, life), (np.floor(0.9 * life), life), (np.zeros(9), life)):
            fit = fit_lifetime(low, high, family=family)
            if fit.status == "fitted":
                location, drawn = draw_lifetimes(fit, low, high, draws=50, rng=rng)
                assert np.all(np.isfinite(location)) and np.all(drawn > 0)


@pytest.mark.parametrize(("family", "law"), [("weibull", "weibull_min"), ("lognormal", "lognorm")])
@pytest.mark.parametrize("age", [0.0, 20.0, 70.0])
def test_what_remains_follows_the_law_beyond_the_age(family, law, age):
    """Second way: the law of scipy, of 4,000 lives that leave it hardly open, cut off below the age."""
    from scipy import stats

    rng = np.random.default_rng(3)
    life = 50 * (rng.weibull(2.5, 4000) if family == "weibull" else np.exp(0.4 * rng.standard_normal(4000)))
    fit = fit_lifetime(life, life, family=family)
    left = draw_remaining(fit, life, life, age=age, draws=20_000, rng=rng)
    whole = getattr(stats, law)(fit.shape, scale=fit.scale)
    for share in (0.05, 0.5, 0.95):
        exact = whole.isf((1 - share) * whole.sf(age)) - age
        assert np.quantile(left, share) == pytest.approx(exact, rel=0.06), share


def test_what_remains_is_wider_where_few_lives_tell_the_law():
    rng = np.random.default_rng(4)
    life = 50 * rng.weibull(2.5, 6)
    fit = fit_lifetime(life, life)
    left = draw_remaining(fit, life, life, age=20.0, draws=4000, rng=rng)
    from scipy import stats

    whole = stats.weibull_min(fit.shape, scale=fit.scale)
    plugged = whole.isf(np.array([0.95, 0.05]) * whole.sf(20.0)) - 20.0
    drawn = np.quantile(left, [0.05, 0.95])
    assert np.diff(drawn)[0] > 1.15 * np.diff(plugged)[0]
    with pytest.raises(ValueError, match="`age` must be 0 or more and finite, got -1"):
        draw_remaining(fit, life, life, age=-1.0, draws=10, rng=rng)


def test_one_that_has_outlived_them_all_still_has_a_range():
    life = np.array([30.0, 34, 36, 41, 45, 50])
    for family in FAMILIES:
        fit = fit_lifetime(life, life, family=family)
        left = draw_remaining(fit, life, life, age=400.0, draws=500, rng=np.random.default_rng(5))
        assert np.isfinite(left).all() and (left >= 0).all() and np.ptp(left) > 0


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("lives", [[3, 4, 5, 6, 7, 4.5], [30.0] * 19 + [31]])
def test_the_unit_of_the_clock_changes_no_law(lives, family):
    """Lives all seen, told in faces or in thousands of them: log life moves by the logarithm of a thousand."""
    faces, thousands = (np.array(lives) / size for size in (1, 1000))
    told, again = (fit_lifetime(clock, clock, family=family) for clock in (faces, thousands))
    assert (told.status, again.status) == ("fitted", "fitted")
    assert again.spread == pytest.approx(told.spread, rel=1e-3)
    assert again.location == pytest.approx(told.location - np.log(1000), abs=1e-3)
