import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import studentized_range

from spc.chart.constants import c4, d2, d3, moving_range_spread_variance, range_cdf, range_quantile

SOURCES = Path(__file__).parents[2] / "sources"
# d2 and d3 of ISO 7870-2 and ASTM MNL 7 from memory, 3 decimals; c4 from a handbook page, 4 decimals.
with (SOURCES / "control_chart_constants.csv").open() as file:
    PUBLISHED = [(int(r["size"]), float(r["d2"]), float(r["d3"]), float(r["c4"])) for r in csv.DictReader(file)]


@pytest.mark.parametrize(("size", "d2_published", "d3_published", "c4_published"), PUBLISHED)
def test_matches_published_tables(size, d2_published, d3_published, c4_published):
    assert d2(size) == pytest.approx(d2_published, abs=0.00051)
    assert d3(size) == pytest.approx(d3_published, abs=0.00051)
    assert c4(size) == pytest.approx(c4_published, abs=0.000051)


def test_closed_forms():
    assert d2(2) == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-10)
    assert d2(3) == pytest.approx(3 / math.sqrt(math.pi), rel=1e-12)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi), rel=1e-12)


@pytest.mark.parametrize("size", [2, 5, 12])
def test_range_law_agrees_with_scipy(size):  # second way: scipy's studentized range with known spread
    w = np.array([0.5, 2.0, 4.0])
    assert range_cdf(w, size) == pytest.approx(studentized_range.cdf(w, size, 1e8), abs=1e-6)
    assert float(range_cdf(range_quantile(0.99, size), size)[0]) == pytest.approx(0.99, abs=1e-10)


def test_moving_range_variance_agrees_with_simulation():
    rng = np.random.default_rng(5)
    n, runs = 12, 60_000
    sigma = np.abs(np.diff(rng.normal(size=(runs, n)), axis=1)).mean(axis=1) / d2(2)
    expected = moving_range_spread_variance(n - 1, n - 2)
    assert sigma.var() == pytest.approx(expected, abs=4 * expected * (2 / runs) ** 0.5 * 1.5)


@pytest.mark.parametrize("size", [1, 0, 2.5, True])
def test_refuses_impossible_sizes(size):
    with pytest.raises(ValueError, match=r"`size` must be a whole number of at least 2, got"):
        d2(size)
