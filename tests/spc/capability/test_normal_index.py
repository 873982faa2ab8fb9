import csv
import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from spc.capability.normal_index import normal_index

SOURCES = Path(__file__).parents[2] / "sources"


def rows(name):
    with (SOURCES / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_matches_the_printed_interval():
    # Quality Digest, May 2000, worked example: index 1.15 from 45 parts, 0.89 to 1.41.
    result = normal_index(1.15, 45)
    assert result.approximate_low == pytest.approx(0.89, abs=0.005)
    assert result.approximate_high == pytest.approx(1.41, abs=0.005)


@pytest.mark.parametrize("row", rows("cpk_bissell.csv"))
def test_matches_bissell(row):
    result = normal_index(float(row["cpk"]), int(row["n"]), level=float(row["confidence"]))
    assert result.approximate_low == pytest.approx(float(row["two_sided_lower"]), abs=5e-7)
    assert result.approximate_high == pytest.approx(float(row["two_sided_upper"]), abs=5e-7)
    assert result.approximate_lower_bound == pytest.approx(float(row["one_sided_lower"]), abs=5e-7)


@pytest.mark.parametrize("row", rows("cpk_exact_lower.csv"))
def test_matches_the_exact_bound_by_quadrature(row):
    result = normal_index(float(row["c"]), int(row["n"]), level=float(row["confidence"]))
    assert result.exact_lower_bound == pytest.approx(float(row["lower_by_quadrature"]), abs=1e-6)


@pytest.mark.parametrize(("n", "needed"), [(30, 1.72), (50, 1.61), (100, 1.52)])
def test_estimate_needed_to_claim_133(n, needed):
    # Own calculation by another program, two decimals: the estimate whose exact 95 % lower bound is 1.33.
    assert normal_index(needed, n).exact_lower_bound == pytest.approx(1.33, abs=0.006)


@pytest.mark.parametrize("row", rows("tolerance_factor_k.csv"))
def test_exact_bound_matches_tolerance_tables(row):
    """One-sided tolerance factors (ISO 16269-6, mean and sd unknown): a limit k sd off holds the share, and no more."""
    half_digit = 0.51 * 10 ** -len(row["published_k"].split(".")[1])
    needed = stats.norm.ppf(float(row["coverage"])) / 3
    for k, wide in ((float(row["published_k"]), half_digit), (float(row["k_by_quadrature"]), 2e-6)):
        below, above = (
            normal_index((k + step) / 3, int(row["n"]), level=float(row["confidence"])).exact_lower_bound
            for step in (-wide, wide)
        )
        assert below <= needed <= above


def test_exact_bound_covers_by_count():
    rng, n, runs = np.random.default_rng(1), 20, 4000
    x = rng.normal(size=(runs, n))
    estimates = (3.0 - x.mean(axis=1)) / (3 * x.std(axis=1, ddof=1))  # true index 1
    # The bound grows with the estimate: it lies below 1 exactly where the estimate lies below its own critical value.
    below = np.array([normal_index(float(c), n).exact_lower_bound <= 1 for c in np.quantile(estimates, [0.94, 0.96])])
    assert below.tolist() == [True, False]


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`n` must be at least 2, got 1"):
        normal_index(1.0, 1)
    with pytest.raises(ValueError, match="`index` must be a finite number"):
        normal_index(float("nan"), 10)
    with pytest.raises(ValueError, match="`level` must lie between 0.5 and 1, got 95"):
        normal_index(1.0, 10, level=95)


def test_bound_is_there_for_every_sample_size():
    """The library's noncentral t gives NaN for some of these; where it does not, both routes agree."""
    for n in (2, 40, 160, 1000, 2500):
        for index in (-0.4, 0.2, 1.0, 2.5):
            bound = normal_index(index, n).exact_lower_bound
            assert math.isfinite(bound) and bound < index
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of the library, where it fails
                reached = stats.nct.cdf(3 * math.sqrt(n) * index, n - 1, 3 * math.sqrt(n) * bound)
            assert not reached == reached or reached == pytest.approx(0.95, abs=1e-6)
