import math

import numpy as np
import pytest
from scipy import stats

from spc.capability.index import mixture_index, quantile_index
from spc.capability.refusal import Refusal
from spc.model.interval_fit import choose_family, fit_intervals
from tests.honesty.laws import read_on_step

MILD = Refusal("no gauge study", "how far two readings differ is not known", "read some twice", "capability")
GRAVE = Refusal("units inferred", "the unit was guessed", "say the unit", "any index")


def test_index_and_share_follow_the_quantile_formula():
    fit = fit_intervals(np.random.default_rng(1).lognormal(0, 0.5, 400))
    median, log_sd = (value for _, value in fit.parameters)
    top = median * math.exp(log_sd * stats.norm.isf(0.00135))
    result = quantile_index(fit, 5.0, repetitions=200)
    assert result.index == pytest.approx((5.0 - median) / (top - median), rel=1e-9)
    assert result.beyond_ppm == pytest.approx(1e6 * stats.norm.sf(math.log(5 / median) / log_sd), rel=1e-6)
    assert result.index_lower_bound < result.index and result.beyond_upper_bound_ppm > result.beyond_ppm
    assert result.word == "capability" and "conform" not in result.method + result.sentence
    assert "after the published quantile method" in result.method


def test_an_index_of_one_leaves_1350_ppm():
    fit = fit_intervals(np.random.default_rng(2).gamma(4, 0.25, 300), family="gamma")
    result = quantile_index(fit, float(fit.isf(0.00135)), repetitions=200)
    assert result.index == pytest.approx(1.0) and result.beyond_ppm == pytest.approx(1350)


def test_cautious_bound_looks_at_every_law_not_ruled_out():
    choice = choose_family(*read_on_step(np.random.default_rng(3).gamma(4, 0.25, 40), 0.5))
    result = quantile_index(choice, 4.0, repetitions=100)
    everyone = result.near + result.others
    assert [item.family for item in everyone] == [fit.family for fit in choice.possible] and len(result.near) > 1
    assert result.cautious_lower_bound == min(item.index_lower_bound for item in everyone)
    assert result.cautious_upper_bound_ppm == max(item.beyond_upper_bound_ppm for item in everyone)
    assert "about as well" in result.sentence


def test_counted_share_needs_no_law():
    # 0 of 20: 1 - 0.05 ** (1/20) = 0.139, closed form.
    x = np.random.default_rng(4).rayleigh(1.0, 20)
    result = quantile_index(fit_intervals(x, family="Rayleigh"), 9.0, repetitions=100)
    assert result.counted_beyond == 0 and result.counted_upper_bound_ppm == pytest.approx(1e6 * (1 - 0.05 ** (1 / 20)))
    low, high = np.r_[np.full(30, 0.25), np.full(9, 0.75), 1.75], np.r_[np.full(30, 0.75), np.full(9, 1.25), 2.25]
    stepped = quantile_index(fit_intervals(low, high), 1.75, repetitions=100)
    expected = stats.beta.ppf(0.95, 2, 39)
    assert "40 readings, the largest at least 1.75 um" in stepped.sentence  # 1.75 to 2.25: at most is not known
    assert stepped.counted_beyond == 1 and stepped.counted_upper_bound_ppm == pytest.approx(1e6 * expected)


def test_performance_and_refusal_are_never_called_capability():
    fit = fit_intervals(np.random.default_rng(5).lognormal(0, 0.5, 60))
    mild = quantile_index(fit, 5.0, refusals=[MILD], repetitions=100)
    assert mild.word == "performance" and mild.sentence.startswith("performance index")
    assert "capability" not in mild.sentence and mild.refusals == (MILD,)
    grave = quantile_index(fit, 5.0, refusals=[MILD, GRAVE], repetitions=100)
    assert grave.status == "refused" and math.isnan(grave.index) and grave.word == ""
    assert "the unit was guessed" in grave.sentence and grave.counted_beyond >= 0


def test_too_little_is_a_result_in_words():
    result = quantile_index(choose_family([0.0] * 30, [0.5] * 30), 2.0)
    assert result.status == "refused" and "'less than'" in result.sentence and result.n == 30


def test_readings_that_hide_their_spread_give_no_index():
    fit = fit_intervals([0.25] * 10 + [0.75] * 10, [0.75] * 10 + [1.25] * 10)
    result = quantile_index(fit, 2.0, repetitions=100)
    assert result.status == "refused" and "neighbouring steps" in result.sentence
    assert result.counted_beyond == 0 and result.counted_upper_bound_ppm < 140_000


@pytest.mark.parametrize("limit", [0.0, -1.0, math.nan, math.inf])
def test_refuses_limits_of_zero_or_less(limit):
    with pytest.raises(ValueError, match="`limit_um` must be a finite number greater than 0"):
        quantile_index(fit_intervals([1.0, 2, 3, 4, 5]), limit)


def test_limit_below_the_median_gives_a_negative_index():
    fit = fit_intervals(np.random.default_rng(6).lognormal(0, 0.5, 60))
    result = quantile_index(fit, 0.3, repetitions=100)
    assert result.index < 0 and result.index_lower_bound < result.index and result.beyond_ppm > 900_000


@pytest.mark.parametrize("unit", [1e-12, 1e9])
def test_does_not_care_for_the_unit(unit):
    low, high = read_on_step(np.random.default_rng(7).lognormal(0, 0.5, 100), 0.25)
    one = quantile_index(fit_intervals(low, high), 5.0, repetitions=100)
    other = quantile_index(fit_intervals(low * unit, high * unit), 5.0 * unit, repetitions=100)
    assert other.index == pytest.approx(one.index, rel=1e-6)
    assert other.index_lower_bound == pytest.approx(one.index_lower_bound, rel=1e-3)


def test_mixture_weighs_each_age_as_produced():
    rng = np.random.default_rng(8)
    fits = [fit_intervals(rng.lognormal(np.log(m), 0.3, 400)) for m in (0.5, 0.8, 1.2)]
    weights = [10, 20, 5]
    result = mixture_index(fits, weights, 3.0)
    share = np.array(weights) / 35
    for value, tail in ((result.median_um, 0.5), (result.high_um, 0.00135)):
        assert sum(w * float(f.sf(value)) for w, f in zip(share, fits, strict=True)) == pytest.approx(tail, rel=1e-6)
    counted = np.concatenate([f.ppf(rng.random(int(w * 2000))) for w, f in zip(weights, fits, strict=True)])
    assert result.median_um == pytest.approx(np.median(counted), rel=0.02)
    one = mixture_index(fits[:1], [3], 3.0)
    assert one.index == pytest.approx(quantile_index(fits[0], 3.0, repetitions=100).index, rel=1e-9)
    assert mixture_index(fits, [0, 0, 1], 3.0).index < result.index


def test_mixture_refuses_bad_weights():
    fit = fit_intervals([1.0, 2, 3, 4, 5])
    with pytest.raises(ValueError, match="`weights` must have one number per law, got 2 for 1 laws"):
        mixture_index([fit], [1, 2], 3.0)
    with pytest.raises(ValueError, match="not all zero"):
        mixture_index([fit], [0], 3.0)
