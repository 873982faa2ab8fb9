import json
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from spc.model.families import FAMILIES
from spc.model.interval_fit import choose_family, fit_intervals, z_scores

SOURCES = Path(__file__).parents[2] / "sources"
BEARINGS = np.loadtxt(SOURCES / "weibull_ball_bearing.csv", skiprows=1)


def stepped(x, step):
    written = np.round(x / step) * step
    return np.maximum(written - step / 2, 0), written + step / 2


def test_ball_bearings_match_the_published_weibull_fit():
    # Lieblein and Zelen (1956), 23 bearings, as fitted in Lawless (1982); see the "source" field.
    source = json.loads((SOURCES / "weibull_ball_bearing.json").read_text())
    fit = dict(fit_intervals(BEARINGS, family="Weibull").parameters)
    assert fit["shape"] == pytest.approx(source["published"]["shape"], abs=0.005)
    assert fit["scale_um"] == pytest.approx(source["published"]["scale"], abs=0.01)
    assert fit["shape"] == pytest.approx(source["recomputed_profile"]["shape"], rel=1e-6)
    assert fit["scale_um"] == pytest.approx(source["recomputed_profile"]["scale"], rel=1e-6)


SCIPY = {
    "lognormal": (stats.lognorm, lambda a, s: {"median_um": s, "log_sd": a}),
    "gamma": (stats.gamma, lambda a, s: {"shape": a, "scale_um": s}),
    "Weibull": (stats.weibull_min, lambda a, s: {"shape": a, "scale_um": s}),
    "folded normal": (stats.foldnorm, lambda a, s: {"mean_um": a * s, "sd_um": s}),
    "Rayleigh": (stats.rayleigh, lambda s: {"scale_um": s}),
    "half-normal": (stats.halfnorm, lambda s: {"scale_um": s}),
}


@pytest.mark.parametrize("name", SCIPY)
@pytest.mark.parametrize("data", ["stepped", "exact", "censored"])
def test_agrees_with_scipy_fits_of_censored_data_to_four_digits(name, data):
    rng = np.random.default_rng(11)
    x = rng.gamma(4.0, 0.3, 150)
    low, high = {"stepped": stepped(x, 0.25), "exact": (x, x)}.get(
        data, (np.minimum(x, 2.0), np.where(x < 2, x, np.inf))
    )
    fit = fit_intervals(low, high, family=name)
    law, named = SCIPY[name]
    if data == "exact":
        censored = stats.CensoredData(x)
    elif data == "censored":
        censored = stats.CensoredData(x[x < 2], right=np.full((x >= 2).sum(), 2.0))
    else:
        censored = stats.CensoredData(interval=np.column_stack([low, high]))

    def tight(func, x0, args=(), disp=0):  # scipy's default simplex stops at 4 digits; ask for more
        return optimize.fmin(func, x0, args=args, disp=disp, xtol=1e-9, ftol=1e-9, maxiter=4000, maxfun=4000)

    args = law.fit(censored, floc=0, optimizer=tight)
    expected = named(args[0], args[2]) if len(args) == 3 else named(args[1])
    for key, value in fit.parameters:
        assert value == pytest.approx(expected[key], rel=1e-4), key
    assert fit.log_likelihood == pytest.approx(-law.nnlf(args, x) if data == "exact" else fit.log_likelihood)


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("unit", [1e-12, 1e9])
def test_does_not_care_for_the_unit(name, unit):
    low, high = stepped(np.random.default_rng(2).lognormal(0, 0.5, 200), 0.25)
    one, other = fit_intervals(low, high, family=name), fit_intervals(low * unit, high * unit, family=name)
    assert other.isf(0.00135) == pytest.approx(unit * float(one.isf(0.00135)), rel=1e-6)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-6)


@pytest.mark.parametrize("name", FAMILIES)
def test_likelihood_is_the_slow_sum_and_a_true_maximum(name):
    low, high = stepped(np.random.default_rng(3).gamma(3, 0.4, 80), 0.5)
    fit = fit_intervals(low, high, family=name)
    slow = np.log(fit.cdf(high) - fit.cdf(low)).sum()  # each reading by itself, not grouped
    assert fit.log_likelihood == pytest.approx(slow, rel=1e-9)
    law, rng = FAMILIES[name], np.random.default_rng(4)
    for _ in range(200):
        shift = rng.normal(0, 0.05, 2)
        scale, shape = fit.scale_um * np.exp(shift[0]), np.asarray(fit.shape + shift[1] * (law.free == 2))
        with np.errstate(divide="ignore"):
            other = np.log(law.cdf(high / scale, shape) - law.cdf(low / scale, shape)).sum()
        assert other <= slow + 1e-7


def test_choice_reports_every_law_within_two():
    low, high = stepped(np.random.default_rng(5).gamma(4, 0.25, 60), 0.5)
    choice = choose_family(low, high)
    aicc = np.array([fit.aicc for fit in choice.fits])
    assert len(choice.fits) == 6 and (np.diff(aicc) >= 0).all()
    assert len(choice.near) == (aicc <= aicc[0] + 2).sum() >= 2
    assert choice.near[1].family in choice.sentence
    k, n, fit = 2, 60, next(fit for fit in choice.fits if fit.family == "gamma")
    assert fit.aicc == pytest.approx(2 * k - 2 * fit.log_likelihood + 2 * k * (k + 1) / (n - k - 1))


@pytest.mark.parametrize("name", FAMILIES)
def test_finds_the_right_law_from_many_readings(name):
    fit = fit_intervals(np.random.default_rng(6).lognormal(0, 0.5, 50), family=name)
    x = fit.ppf(np.random.default_rng(7).random(4000))
    best = choose_family(*stepped(x, 0.1))
    assert name in [near.family for near in best.near]


def test_cut_likelihood_recovers_the_law_before_the_cut():
    x = np.random.default_rng(8).lognormal(0, 0.5, 60_000)
    kept = x[x <= 1.5]
    fit = dict(fit_intervals(kept, cut_um=1.5).parameters)
    assert fit["median_um"] == pytest.approx(1.0, abs=0.03)
    assert fit["log_sd"] == pytest.approx(0.5, abs=0.02)
    naive = dict(fit_intervals(kept).parameters)
    assert naive["median_um"] < 0.93  # without the cut the law is wrong, so the test can fail


BLANK = {
    "no reading yet": ([], []),
    "1 reading: too few": ([1.0], [1.5]),
    "2 readings: too few": ([1.0, 2.0], [1.5, 2.5]),
    "alike": ([1.0] * 20, [1.5] * 20),
    "same 'less than' value": ([0.0] * 20, [0.5] * 20),
    "same 'or more' value": ([2.0] * 20, [np.inf] * 20),
    "are 'less than' values": ([0.0] * 20, [0.5] * 10 + [0.25] * 10),
    "are 0": ([0.0] * 6, [0.0] * 6),
    "share one stretch": ([0.0] * 9 + [0.25], [0.5] * 9 + [0.75]),
}


@pytest.mark.parametrize("words", BLANK)
def test_too_little_is_a_result_in_words(words):
    choice = choose_family(*BLANK[words])
    assert choice.status == "refused" and words in choice.reason and choice.best is None
    fit = fit_intervals(*BLANK[words])
    assert fit.status == "refused"
    with pytest.raises(ValueError, match="no law was fitted"):
        fit.ppf(0.5)


def test_two_neighbouring_steps_are_an_edge_not_a_law():
    fit = fit_intervals([0.25] * 10 + [0.75] * 10, [0.75] * 10 + [1.25] * 10)
    assert fit.status == "edge" and "neighbouring steps" in fit.reason


def test_missing_readings_are_counted_not_lost():
    choice = choose_family([np.nan, 1, 2, 3, 4, 5.5], [np.nan, 2, 3, 4, 5, 6])
    assert (choice.n, choice.missing) == (5, 1)


def test_plain_zeros_are_taken_as_less_than():
    fit = fit_intervals([0, 0, 0, 1, 2, 3], family="lognormal")
    same = fit_intervals([0, 0, 0, 1, 2, 3], [1, 1, 1, 1, 2, 3], family="lognormal")
    assert fit.log_likelihood == pytest.approx(same.log_likelihood)
    assert "plain 0" in fit.readings.remark


@pytest.mark.parametrize(
    ("low", "high", "message"),
    [
        ([1, 2], [1], "must have one length"),
        ([1, -2, 3], [1, 2, 3], "reading 2: the lower end must be a finite number, zero or more, got -2"),
        ([1, 3], [2, 2], "reading 2: the upper end is below"),
        ([1, np.nan], [2, 2], "reading 2: one end is missing"),
        ([np.inf], [np.inf], "reading 1: the lower end must be a finite"),
    ],
)
def test_refuses_malformed_readings(low, high, message):
    with pytest.raises(ValueError, match=message):
        choose_family(low, high)


def test_refuses_a_cut_below_a_reading():
    with pytest.raises(ValueError, match="`cut_um` must lie at or above every reading, got 2"):
        fit_intervals([1, 1.5, 2.5, 3], cut_um=2.0)


def own_stretch(x):  # every reading on a scale of its own, a fifth wide
    start = np.random.default_rng(1).random(x.size) * 0.2
    low = np.exp(np.floor((np.log(x) - start) / 0.2) * 0.2 + start)
    return low, low * np.exp(0.2)


@pytest.mark.parametrize("make", [lambda x: stepped(x, 0.25), lambda x: (x, x), own_stretch])
def test_a_million_readings_give_what_the_law_was(make):
    x = np.random.default_rng(9).lognormal(0, 0.5, 1_000_000)
    choice = choose_family(*make(x))
    fit = dict(choice.best.parameters)
    assert choice.best.family == "lognormal" and choice.n == 1_000_000
    assert fit["log_sd"] == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(2e6) + 5e-4)


def test_one_wild_reading_does_not_lose_the_law():
    low, high = stepped(np.random.default_rng(10).rayleigh(1.0, 500), 0.5)
    fit = fit_intervals(np.append(low, 1e6), np.append(high, 1e6 + 0.5), family="Rayleigh")
    assert dict(fit.parameters)["scale_um"] == pytest.approx(1e6 / np.sqrt(2 * 501), rel=1e-3)


def test_scores_are_standard_normal_on_steps():
    rng = np.random.default_rng(12)
    x = rng.lognormal(0, 0.5, 20_000)
    low, high = stepped(x, 0.5)
    fit = fit_intervals(low, high)
    drawn = z_scores(low, high, fit, rng=rng)
    assert stats.kstest(drawn, "norm").pvalue > 0.001
    middle = z_scores(low, high, fit)
    assert (np.diff(middle[np.argsort(low)]) >= 0).all() and middle.std() < 1
    assert z_scores(low, high, fit)[0] == middle[0]


def test_scores_far_out_and_missing():
    fit = fit_intervals(np.random.default_rng(13).lognormal(0, 0.5, 100))
    z = z_scores([np.nan, 5.0, 1e30, 2.0, 0.0], [np.nan, 5.0, 1e30, np.inf, 0.5], fit)
    assert np.isnan(z[0]) and z[2] == 38 and np.isfinite(z[1:]).all()
    params = dict(fit.parameters)
    assert z[1] == pytest.approx(np.log(5 / params["median_um"]) / params["log_sd"], rel=1e-9)
