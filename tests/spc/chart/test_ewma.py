import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.chart.ewma import ewma_chart, ewma_values

SOURCES = Path(__file__).parents[2] / "sources"
with (SOURCES / "nist_ewma_example.csv").open() as file:
    ROWS = list(csv.DictReader(file))[1:]
X = np.array([float(row["x"]) for row in ROWS])
# NIST/SEMATECH e-Handbook 6.3.2.4: data and averages from memory (2 decimals), limits seen quoted (it rounds a root).
PUBLISHED = np.array([float(row["ewma_published"]) for row in ROWS])
LIMITS = json.loads((SOURCES / "nist_ewma_example.json").read_text())["published"]


def test_matches_the_handbook():
    chart = ewma_chart(X, weight=0.3, width_sd=3, centre=50, sigma=2.0539, exact_limits=False)
    assert chart.value == pytest.approx(PUBLISHED, abs=0.0051)
    assert chart.upper[0] == pytest.approx(LIMITS["UCL"], abs=1e-3)
    assert chart.lower[0] == pytest.approx(LIMITS["LCL"], abs=1e-3)
    assert chart.signals[0].index.size == 0


def test_agrees_with_pandas():
    z = np.random.default_rng(1).normal(size=500)
    expected = pd.Series(np.concatenate([[0.0], z])).ewm(alpha=0.15, adjust=False).mean().to_numpy()[1:]
    assert ewma_values(z, weight=0.15) == pytest.approx(expected, abs=1e-13)


def test_exact_early_limits_and_restart():
    chart = ewma_chart(np.zeros(6), weight=0.2, width_sd=3, centre=0, sigma=1, segments=[1, 1, 1, 2, 2, 2])
    expected = 3 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * np.array([1, 2, 3, 1, 2, 3]))))
    assert chart.upper == pytest.approx(expected, rel=1e-12)
    carried = ewma_chart(
        np.zeros(6), weight=0.2, width_sd=3, centre=0, sigma=1, segments=[1, 1, 1, 2, 2, 2], restart="carry"
    )
    assert carried.upper[5] > chart.upper[5]


def test_one_sided_average_is_held_back_at_the_centre():
    z = np.array([-3.0, -3.0, 2.0])
    assert ewma_values(z, weight=0.5, sides="upper") == pytest.approx([0.0, 0.0, 1.0])
    assert ewma_values(-z, weight=0.5, sides="lower") == pytest.approx([0.0, 0.0, -1.0])
    assert ewma_values(z, weight=0.5)[2] < 0  # the good spell would have hidden it


def test_missing_reading_leaves_the_average_alone():
    z = np.array([1.0, np.nan, 2.0])
    assert ewma_values(z, weight=0.5) == pytest.approx([0.5, np.nan, 1.25], nan_ok=True)
    chart = ewma_chart(z, centre=0, sigma=1)
    assert chart.missing == 1
    assert chart.upper[2] == ewma_chart([1.0, 2.0], centre=0, sigma=1).upper[1]


def test_sees_a_slow_drift_sooner_than_single_readings():
    rng = np.random.default_rng(8)
    z = rng.normal(size=200)
    z[100:] += 1.0
    chart = ewma_chart(z, centre=0, sigma=1, sides="upper")
    first = chart.signals[0].index
    assert first.size and 100 <= first[0] <= 125
    assert "sees a lasting shift of 0.5 sd" in chart.alarms


@pytest.mark.parametrize("sides", ["both", "upper", "lower"])
@pytest.mark.parametrize(("values", "status"), [([], "too few"), ([1.0], "too few"), ([2.0] * 8, "no spread")])
def test_too_little_is_a_worded_status(values, status, sides):
    chart = ewma_chart(values, sides=sides)
    assert chart.status == status and chart.reason


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_scale_does_not_matter(scale):
    assert ewma_chart(X * scale).value == pytest.approx(ewma_chart(X).value * scale, rel=1e-10)


def test_weight_one_is_the_individuals_chart():
    z = np.random.default_rng(0).normal(size=50)
    chart = ewma_chart(z, weight=1.0, width_sd=3, centre=0, sigma=1)
    assert chart.value == pytest.approx(z)
    assert chart.upper == pytest.approx(np.full(50, 3.0))


def test_refusals():
    with pytest.raises(ValueError, match="`restart` must be one of 'centre', 'carry'"):
        ewma_chart(X, restart="never")
    with pytest.raises(ValueError, match="`width_sd` must be"):
        ewma_chart(X, width_sd=-1)
