import math

import numpy as np
import pytest
from scipy import stats

from spc.capability.dimension_index import dimension_index
from spc.model.fit_test import FitCheck
from tests.sources.strd import ALLOWED, CERTIFIED, digits, series

# Numbers of our own: mean 0, sd 1 exactly, limits at -3 and +4: index (0 + 3) / 3 = 1.
Z = stats.norm.ppf((np.arange(1, 101) - 0.5) / 100)
NORMAL = np.random.default_rng(4).permutation((Z - Z.mean()) / Z.std(ddof=1))


def ends(values, step=0.01):
    return values - step / 2, values + step / 2


def test_smaller_side_counts_and_the_bound_is_the_noncentral_t_one():
    found = dimension_index(*ends(NORMAL), lower_um=-3.0, upper_um=4.0)
    assert found.status == "computed" and found.word == "performance"
    assert found.index == pytest.approx(1.0, abs=1e-9)
    assert (found.to_lower, found.to_upper) == (pytest.approx(1.0), pytest.approx(4 / 3))
    # second route: scipy's noncentral t at the very bound
    assert stats.nct.cdf(30 * found.index, 99, 30 * found.lower_bound) == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_and_spread_of_reference_series(name):
    """NIST Statistical Reference Datasets, univariate: 13 digits, or what the data allow."""
    values = series(name)
    found = dimension_index(values, values, upper_um=1e9)
    assert digits(found.mean_um, CERTIFIED[name][0]) >= 13
    assert digits(found.sd_um, CERTIFIED[name][1]) >= ALLOWED.get(name, 13)


def test_one_limit_leaves_the_other_side_out():
    found = dimension_index(*ends(NORMAL), upper_um=4.0)
    assert found.index == found.to_upper and math.isnan(found.to_lower)


def test_dimension_may_lie_below_zero_and_shifts_change_nothing():
    here = dimension_index(*ends(NORMAL), lower_um=-3.0, upper_um=4.0)
    there = dimension_index(*ends(NORMAL - 1000.0), lower_um=-1003.0, upper_um=-996.0)
    assert there.index == pytest.approx(here.index) and there.fit_p_value == pytest.approx(here.fit_p_value, abs=0.03)


def test_whole_micrometres_are_read_on_their_steps():
    values = np.round(np.random.default_rng(8).normal(5.0, 1.2, 60))
    found = dimension_index(*ends(values, 1.0), lower_um=0.0, upper_um=12.0)
    assert found.status == "computed" and found.fit_p_value > 0.05


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (NORMAL[:20], "20 readings, 30 are needed"),
        (np.full(50, 5.0), "all readings are alike"),
        (np.exp(np.random.default_rng(1).normal(size=200)), "do not follow the normal law"),
        (np.cumsum(np.random.default_rng(2).normal(size=200)), "takes after the one before"),
        (np.repeat([5.0, 6.0], 40), "takes after the one before"),
    ],
    ids=["few", "equal", "skewed", "wandering", "two values"],
)
def test_refused_in_words(values, words):
    found = dimension_index(*ends(np.asarray(values)), lower_um=-100.0, upper_um=100.0)
    assert found.status == "refused" and words in found.sentence and "lie beyond a limit" in found.sentence
    assert math.isnan(found.index) and found.word == ""


def test_bound_holds_as_often_as_it_says(monkeypatch):
    """True index 1: the bound must lie at or below it in 95 % of 200 samples, 4 standard errors = 6 %."""
    agrees = FitCheck("agrees", "", "folded normal", 40, 0.0, 0.5, 0.0, 0, 0.05)
    monkeypatch.setattr("spc.capability.dimension_index.check_fit", lambda fit: agrees)  # slow, and not what is asked
    rng = np.random.default_rng(12)
    found = [dimension_index(*ends(rng.normal(size=40), 1e-6), lower_um=-3.0, upper_um=3.5) for _ in range(200)]
    bounds = [one.lower_bound for one in found if one.status == "computed"]
    assert len(bounds) > 160
    assert np.mean(np.array(bounds) <= 1.0) > 0.95 - 4 * (0.05 * 0.95 / len(bounds)) ** 0.5


@pytest.mark.parametrize(
    ("low", "high", "limits", "match"),
    [
        ([1.0], [1.0, 2.0], {"upper_um": 3.0}, "`high_um` must have the shape"),
        ([2.0], [1.0], {"upper_um": 3.0}, "the low end first"),
        ([1.0], [math.inf], {"upper_um": 3.0}, "must be finite"),
        ([1.0], [1.0], {}, "must be given"),
        ([1.0], [1.0], {"lower_um": 3.0, "upper_um": 3.0}, "less than `upper_um`"),
    ],
)
def test_bad_arguments(low, high, limits, match):
    with pytest.raises(ValueError, match=match):
        dimension_index(low, high, **limits)
