import numpy as np
import pytest
from scipy import stats

from spc.model.interval_fit import choose_family, fit_intervals
from spc.model.probability_limit import attained_rate, probability_limit
from tests.honesty.laws import read_on_step


def normal_scores(n):
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return (z - z.mean()) / z.std()


def test_limit_is_the_quantile_and_exact_readings_attain_the_rate():
    fit = fit_intervals(np.random.default_rng(1).lognormal(0, 0.5, 200))
    limit = probability_limit(fit, rate=0.0027, repetitions=0)
    median, log_sd = (value for _, value in fit.parameters)
    assert limit.limit_um == pytest.approx(median * np.exp(log_sd * stats.norm.isf(0.0027)), rel=1e-9)
    assert limit.attained_rate == pytest.approx(0.0027, rel=1e-9) and limit.step_um == 0
    assert limit.centre_um == pytest.approx(median)


@pytest.mark.parametrize("rule", ["whole", "middle"])
@pytest.mark.parametrize("step", [0.25, 0.5])
def test_attained_rate_counts_the_readings_beyond(rule, step):
    rng = np.random.default_rng(2)
    fit = fit_intervals(*read_on_step(rng.lognormal(0, 0.5, 500), step))
    limit = probability_limit(fit, rule=rule, rate=0.01, repetitions=0, faces_per_week=300)
    low, high = read_on_step(fit.ppf(rng.random(400_000)), step)
    p = limit.attained_rate
    assert np.mean(limit.beyond(low, high)) == pytest.approx(p, abs=4 * (p * (1 - p) / 400_000) ** 0.5)
    assert limit.false_calls_per_week == pytest.approx(300 * p)
    assert limit.step_um == pytest.approx(step)
    if rule == "whole":
        assert p <= 0.01 and limit.signal_from_um >= limit.limit_um - 1e-9
    written = (low + high) / 2  # by hand: beyond = written value above the limit (middle), whole stretch above (whole)
    by_hand = written > limit.limit_um if rule == "middle" else written - step / 2 >= limit.limit_um - 1e-9
    assert (limit.beyond(low, high) == by_hand).all()


def test_open_and_missing_readings():
    fit = fit_intervals(np.random.default_rng(3).lognormal(0, 0.5, 200))
    limit = probability_limit(fit, repetitions=0)
    assert limit.beyond([10.0, 0.0, np.nan], [np.inf, 0.5, np.nan]).tolist() == [True, False, False]


@pytest.mark.parametrize("n", [24, 50])
def test_said_range_is_that_of_a_normal_baseline(n):
    # Far from zero the folded normal is normal, and the true rate of mean + z sd has a law of its own: second route
    # by drawing mean and sd directly.
    fit = fit_intervals(100 + normal_scores(n), family="folded normal")
    limit = probability_limit(fit, rate=0.0027, repetitions=2000, rng=np.random.default_rng(4))
    rng, z = np.random.default_rng(5), stats.norm.isf(0.0027)
    sd = np.sqrt(rng.chisquare(n - 1, 400_000) / n)
    rates = stats.norm.sf(rng.normal(0, n**-0.5, 400_000) + z * sd)
    low, high = np.quantile(rates, [0.1, 0.9])
    assert limit.rate_low == pytest.approx(low, rel=0.25) and limit.rate_high == pytest.approx(high, rel=0.15)
    assert f"{n} baseline faces" in limit.baseline_sentence


def test_guaranteed_limit_is_the_exact_tolerance_limit_of_a_normal_baseline():
    n, rate = 40, 0.0027
    fit = fit_intervals(100 + normal_scores(n), family="folded normal")
    limit = probability_limit(fit, rate=rate, guarantee=True, repetitions=0, rng=np.random.default_rng(6))
    # One-sided tolerance factor, mean and sd unknown (ISO 16269-6): noncentral t over the root of n.
    factor = stats.nct.ppf(0.9, n - 1, stats.norm.isf(1.2 * rate) * np.sqrt(n)) / np.sqrt(n)
    exact = factor * np.sqrt(n / (n - 1))
    assert limit.limit_um - 100 == pytest.approx(exact, abs=0.1)
    plain = probability_limit(fit, rate=rate, repetitions=0)
    assert limit.guaranteed and limit.limit_um > plain.limit_um + 0.3 and "9 of 10" in limit.method


def test_longer_baselines_narrow_the_range():
    rng = np.random.default_rng(7)
    spread = []
    for n in (25, 400):
        limit = probability_limit(fit_intervals(rng.gamma(4, 0.25, n), family="gamma"), rng=rng)
        spread.append(limit.rate_high / limit.rate_low)
    assert spread[1] < 0.3 * spread[0]


def test_near_laws_give_their_limits_too():
    choice = choose_family(*read_on_step(np.random.default_rng(9).gamma(4, 0.25, 40), 0.5))
    limit = probability_limit(choice, repetitions=0)
    assert len(choice.near) > 1
    assert [name for name, _ in limit.near_limits] == [fit.family for fit in choice.near[1:]]
    assert limit.near_limits[0][1] == pytest.approx(float(choice.near[1].isf(0.0027)))


def test_limit_of_cut_readings_is_that_of_the_kept_law():
    x = np.random.default_rng(9).lognormal(0, 0.5, 4000)
    kept = x[x <= 1.5]
    limit = probability_limit(fit_intervals(kept, cut_um=1.5), rate=0.05, repetitions=100)
    assert limit.limit_um < 1.5 and np.mean(kept > limit.limit_um) == pytest.approx(0.05, abs=0.015)
    assert not probability_limit(fit_intervals(kept, cut_um=1.5), rate=0.05, guarantee=True, repetitions=0).guaranteed


@pytest.mark.parametrize("unit", [1e-12, 1e9])
def test_does_not_care_for_the_unit(unit):
    low, high = read_on_step(np.random.default_rng(10).lognormal(0, 0.5, 100), 0.25)
    one = probability_limit(fit_intervals(low, high), guarantee=True)
    other = probability_limit(fit_intervals(low * unit, high * unit), guarantee=True)
    assert other.limit_um == pytest.approx(unit * one.limit_um, rel=1e-4)
    assert other.attained_rate == pytest.approx(one.attained_rate, rel=1e-3)
    assert other.rate_high == pytest.approx(one.rate_high, rel=1e-3)


def test_too_little_is_a_refusal_in_words():
    limit = probability_limit(choose_family([1.0], [1.5]))
    assert limit.status == "refused" and "1 reading: too few" in limit.sentence
    assert not limit.beyond([5.0], [5.5]).any()


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ({"rate": 0}, "`rate` must lie between 0 and 0.5"),
        ({"rule": "top"}, "`rule` must be 'whole' or 'middle'"),
        ({"step_um": -1}, "`step_um` must be zero or more"),
        ({"faces_per_week": np.nan}, "`faces_per_week` must be zero or more"),
    ],
)
def test_refuses_bad_options(option, message):
    fit = fit_intervals([1.0, 2, 3, 4, 5])
    with pytest.raises(ValueError, match=message):
        probability_limit(fit, **option)
    with pytest.raises(ValueError, match="`rule` must be"):
        attained_rate(fit, 4.0, step_um=0.5, rule="top")
