from pathlib import Path

import numpy as np
import pytest

from spc.model.summaries import one_way, summarise

SOURCES = Path(__file__).parents[2] / "sources"
# NIST Statistical Reference Datasets, univariate: certified mean, standard deviation, first autocorrelation.
# NumAcc and PiDigits from the stored files; Lew, Lottery, Mavro and Michelso from memory, confirmed by exact fractions.
CERTIFIED = {
    "LEW": (-177.435, 277.332168044316, -0.307304800605679),
    "LOTTERY": (518.958715596330, 291.699727470969, -0.120948622967393),
    "MAVRO": (2.001856, 0.000429123454003053, 0.937989183438248),
    "MICHELSO": (299.8524, 0.0790105478190518, 0.535199668621283),
    "NUMACC1": (10000002.0, 1.0, -0.5),
    "NUMACC2": (1.2, 0.1, -0.999),
    "NUMACC3": (1000000.2, 0.1, -0.999),
    "PIDIGITS": (4.5348, 2.86733906028871, -0.00355099287237972),
}


def digits(found, certified):
    """Return the number of correct digits, 15 when exact."""
    return 15.0 if found == certified else -np.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", CERTIFIED)
def test_thirteen_digits_on_reference_series(name):
    found = summarise(np.loadtxt(SOURCES / f"strd_univ_{name}.csv", skiprows=1))
    for value, certified in zip((found.mean, found.sd, found.lag1), CERTIFIED[name], strict=True):
        assert digits(value, certified) >= 13


def test_thirteen_digits_on_the_hardest_series():
    """NumAcc4 by its published rule: 10000000.2, then 10000000.1 and 10000000.3 in turn, 1001 readings."""
    found = summarise(np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)]))
    assert digits(found.mean, 10000000.2) >= 13
    assert digits(found.sd, 0.1) >= 13
    assert digits(found.lag1, -0.999) >= 13


def check(found, between_ss, within_ss, f, r_squared, residual_sd):
    for value, certified in (
        (found.between_ss, between_ss),
        (found.within_ss, within_ss),
        (found.f, f),
        (found.r_squared, r_squared),
        (found.residual_sd, residual_sd),
    ):
        assert digits(value, certified) >= 13


# NIST Statistical Reference Datasets, analysis of variance: data and certified values as in the files.
@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs07"])
def test_reference_analysis_of_variance(name):
    path = SOURCES / f"strd_anova_{name}.dat"
    lines = path.read_text().splitlines()
    first = next(place for place, line in enumerate(lines) if line.startswith("Between"))
    lines = lines[first : first + 7]
    between = [float(word) for word in lines[0].split()[-4:]]
    within = [float(word) for word in lines[1].split()[-3:]]
    data = np.loadtxt(path, skiprows=60)
    found = one_way(data[:, 1], data[:, 0])
    assert (found.between_df, found.within_df) == (between[0], within[0])
    check(found, between[1], within[1], between[3], float(lines[3].split()[-1]), float(lines[6].split()[-1]))


# Simon and Lesage (1989), as used by NIST SmLs01 to SmLs09: nine levels, each reading one tenth either side of it.
SMLS = {
    21: (1.68, 1.8, 21.0, 0.482758620689655),
    201: (16.08, 18.0, 201.0, 0.471830985915493),
    2001: (160.08, 180.0, 2001.0, 0.470712773465067),
}


@pytest.mark.parametrize("base", ["1", "1000000", "1000000000000"])
@pytest.mark.parametrize("replicates", SMLS)
def test_reference_series_of_simon_and_lesage(replicates, base):
    levels = [4, 3, 5, 3, 5, 3, 5, 3, 5]
    tenths = [[level] + [level - 1, level + 1] * (replicates // 2) for level in levels]
    values = [float(f"{base}.{tenth}") for group in tenths for tenth in group]
    found = one_way(values, np.repeat(np.arange(9), replicates))
    check(found, *SMLS[replicates], 0.1)


def test_long_series_take_compensated_sums():
    rng = np.random.default_rng(1)
    x = rng.normal(1e6, 1.0, 50_001)
    long, short = summarise(x), summarise(x[:50_000])
    assert long.method != short.method
    assert digits(short.mean, summarise(np.append(x[:50_000], [np.nan] * 9)).mean) >= 13
    # The same decimals, exactly and compensated.
    exact = summarise(x[:50_000] - 0.0)
    again = summarise(np.concatenate([x[:50_000], [exact.mean]]))
    assert digits(again.mean, exact.mean) >= 13
    assert digits(again.sd, exact.sd * ((50_000 - 1) / 50_000) ** 0.5) >= 12


@pytest.mark.parametrize(
    ("values", "status"), [([], "too few"), ([np.nan], "too few"), ([1.5], "too few"), ([2.0] * 5, "no spread")]
)
def test_too_little_is_a_worded_status(values, status):
    found = summarise(values)
    assert found.status == status and found.reason and found.sd == 0.0


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_extreme_scales(scale):
    found = summarise(np.array([1.0, 2.0, 4.0]) * scale)
    assert found.sd == pytest.approx(1.5275252316519468 * scale, rel=1e-15)


def test_one_way_statuses_and_refusals():
    assert one_way([1.0, 2.0], [1, 1]).status == "too few"
    assert one_way([1.0, 2.0], [1, 2]).status == "too few"
    assert one_way([1.0, 1.0, 2.0, 2.0], [1, 1, 2, 2]).status == "no spread"
    with pytest.raises(ValueError, match="`groups` must hold one id per reading"):
        one_way([1.0], [1, 2])
    with pytest.raises(ValueError, match="`values` must be finite, got infinity at position 0"):
        summarise([np.inf])


def test_one_way_agrees_with_scipy():
    from scipy.stats import f_oneway

    rng = np.random.default_rng(4)
    groups = np.repeat([0, 1, 2], [5, 9, 14])
    x = rng.normal(size=28) + 0.3 * groups
    found, other = one_way(x, groups), f_oneway(*(x[groups == k] for k in range(3)))
    assert found.f == pytest.approx(other.statistic, rel=1e-12)
    assert found.p_value == pytest.approx(other.pvalue, rel=1e-9)
