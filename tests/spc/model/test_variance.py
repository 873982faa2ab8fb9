import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.model.connection import connection
from spc.model.variance import nested, split_variance

SOURCES = Path(__file__).parents[2] / "sources"

# Dyestuff and Oxide: where the values are from, and under what terms, is said in tests/sources/dyestuff.json and
# oxide.json. Estimates of Dyestuff as lme4's literature prints them, from memory: 1764.05, 2451.25, REML criterion
# 319.6543. Of Oxide from Pinheiro and Bates (2000), section 4.2.3, from memory: sd 11.398, 5.989, 3.545, restricted
# log likelihood -227.011; with the source as a fixed effect 10.94954, 5.9888, 3.545341 (R output in a stored page).


def sds(split):
    return [c.sd for c in split.components]


def test_dyestuff_as_published():
    data = pd.read_csv(SOURCES / "dyestuff.csv")
    split = split_variance(data["Yield"], {"batch": data["Batch"].tolist()})
    assert [c.variance for c in split.components] == pytest.approx([1764.05, 2451.25], abs=0.005)
    assert split.deviance == pytest.approx(319.6543, abs=5e-4)
    assert split.mean == pytest.approx(1527.5)


def test_oxide_as_published():
    data = pd.read_csv(SOURCES / "oxide.csv")
    factors = {"lot": data["Lot"].tolist(), "wafer": nested(data["Lot"], data["Wafer"])}
    split = split_variance(data["Thickness"], factors)
    assert sds(split) == pytest.approx([11.398, 5.989, 3.545], abs=5e-4)
    assert split.deviance / -2 == pytest.approx(-227.011, abs=5e-4)
    source = (data["Source"] == 2).to_numpy(float)[:, None]
    assert sds(split_variance(data["Thickness"], factors, fixed=source)) == pytest.approx(
        [10.94954, 5.9888, 3.545341], abs=5e-5
    )


def test_balanced_crossed_table_agrees_with_anova():
    # Second route: mean squares of a balanced two-way table (Searle, Casella and McCulloch 1992, section 4.3).
    rng = np.random.default_rng(4)
    a, b, n = 5, 6, 4
    table = rng.normal(size=(a, b, n)) + rng.normal(size=(a, 1, 1)) * 1.5 + rng.normal(size=(1, b, 1)) * 0.8
    grand = table.mean()
    ms_a = b * n * ((table.mean((1, 2)) - grand) ** 2).sum() / (a - 1)
    ms_b = a * n * ((table.mean((0, 2)) - grand) ** 2).sum() / (b - 1)
    rest = ((table - grand) ** 2).sum() - (a - 1) * ms_a - (b - 1) * ms_b
    ms_e = rest / (a * b * n - a - b + 1)
    expected = [(ms_a - ms_e) / (b * n), (ms_b - ms_e) / (a * n), ms_e]
    rows = [f"operator {i}" for i in np.repeat(np.arange(a), b * n)]
    columns = [f"lap {j}" for j in np.tile(np.repeat(np.arange(b), n), a)]
    split = split_variance(table.ravel(), {"operator": rows, "lap": columns})
    assert [c.variance for c in split.components] == pytest.approx(expected, rel=1e-5)


def test_unbalanced_table_agrees_with_statsmodels():
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(11)
    lap = np.repeat(np.arange(9), [3, 8, 5, 2, 6, 4, 7, 3, 5])
    y = 2 + rng.normal(size=9)[lap] * 0.7 + rng.normal(size=lap.size) * 0.4
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reference library's own optimiser remarks
        reference = MixedLM(y, np.ones((y.size, 1)), groups=lap).fit(reml=True)
    split = split_variance(y, {"lap": lap.tolist()})
    assert split.components[0].variance == pytest.approx(float(reference.cov_re[0, 0]), rel=1e-3)
    assert split.components[1].variance == pytest.approx(float(reference.scale), rel=1e-4)


def test_profile_of_the_residual_meets_the_chi_square_interval():
    # One factor, many readings per level: the residual's profile is near the exact chi-square interval.
    from scipy.stats import chi2

    rng = np.random.default_rng(2)
    lap = np.repeat(np.arange(10), 30)
    y = rng.normal(size=10)[lap] + rng.normal(size=300)
    split = split_variance(y, {"lap": lap.tolist()})
    residual, spare = split.components[1], 290
    exact = np.sqrt(residual.variance * spare / chi2.ppf([0.975, 0.025], spare))
    assert [residual.low_sd, residual.high_sd] == pytest.approx(exact, rel=0.01)


def test_zero_estimate_is_a_bound():
    y = np.tile([1.0, 2.0, 3.0, 4.0], 5)  # laps more alike than chance: the estimate is zero
    split = split_variance(y, {"lap": np.repeat(np.arange(5), 4).tolist()})
    lap = split.components[0]
    assert lap.sd == 0 and lap.low_sd == 0 and 0 < lap.high_sd < 2
    assert lap.words == f"0 to {lap.high_sd:.3g}"


def test_shift_and_unit_do_not_matter():
    data = pd.read_csv(SOURCES / "dyestuff.csv")
    batch = data["Batch"].tolist()
    here = sds(split_variance(data["Yield"], {"batch": batch}))
    there = sds(split_variance(data["Yield"] * 25.4 - 1e4, {"batch": batch}))
    assert there == pytest.approx([25.4 * v for v in here], rel=1e-5)


def test_confounded_split_is_refused_with_its_cure():
    y = np.random.default_rng(0).normal(size=12)
    ann_on_one = {"operator": ["ann"] * 6 + ["bo"] * 6, "lap": ["L1"] * 6 + ["L2"] * 6}
    split = split_variance(y, ann_on_one)
    assert split.status == "confounded" and split.components == ()
    assert "operator and lap cannot be told apart" in split.sentence and "cross them" in split.sentence
    single = split_variance(y, {"face": list(range(12))})
    assert single.status == "confounded" and "read some of them twice" in single.sentence


def test_connection_names_the_crossing_that_joins():
    met = connection(["ann", "ann", "bo", "cy"], ["L1", "L2", "L3", "L3"], names=("operator", "lap"))
    assert not met.connected
    assert met.groups == ((("ann",), ("L1", "L2")), (("bo", "cy"), ("L3",)))
    assert "one lot with operator ann on lap L3 would join them" in met.sentence
    assert connection(["ann", "bo", "bo"], ["L1", "L1", "L2"], names=("operator", "lap")).connected


@pytest.mark.parametrize(
    ("y", "factor", "words"),
    [
        ([1.0, 2.0], ["a", "b"], "too few readings"),
        ([1.0, 2.0, 3.0, 4.0], ["a"] * 4, "all readings have the same one"),
        ([1.0] * 6, list("aabbcc"), "all readings are equal"),
    ],
)
def test_too_few_is_a_result_in_words(y, factor, words):
    split = split_variance(y, {"lap": factor})
    assert split.status == "too few" and words in split.sentence


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match=r"`values` must be finite, got nan in reading 2"):
        split_variance([1.0, float("nan")], {"lap": ["a", "b"]})
    with pytest.raises(ValueError, match=r"factor 'lap' must have one level per reading \(3\), got 2"):
        split_variance([1.0, 2.0, 3.0], {"lap": ["a", "b"]})
    with pytest.raises(ValueError, match=r"`level` must be from 0.5"):
        split_variance([1.0, 2.0, 3.0], {"lap": ["a", "b", "b"]}, level=1.0)
