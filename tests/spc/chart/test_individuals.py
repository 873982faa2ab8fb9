import json
from pathlib import Path

import numpy as np
import pytest

from spc.chart.individuals import individuals_chart, local_spread, moving_ranges
from spc.chart.result import signal_sentences
from spc.chart.rules import RULES

SOURCES = Path(__file__).parents[2] / "sources"
FLOW = np.loadtxt(SOURCES / "nist_individuals_flowrate.csv", skiprows=1)
# NIST/SEMATECH e-Handbook 6.3.2.2, from memory; it rounds d2 to 1.128, hence the tolerance on limits.
NIST = json.loads((SOURCES / "nist_individuals_flowrate.json").read_text())


def test_matches_the_handbook():
    found = individuals_chart(FLOW)
    assert found.individuals.centre[0] == pytest.approx(NIST["mean"], abs=0.005)
    assert np.nanmean(found.moving_range.value) == pytest.approx(NIST["MRbar"], abs=5e-5)
    assert found.individuals.upper[0] == pytest.approx(NIST["UCL"], abs=0.002)
    assert found.individuals.lower[0] == pytest.approx(NIST["LCL"], abs=0.002)
    assert found.individuals.signals[0].index.size == 0
    assert found.individuals.run_length.average == pytest.approx(370.398, abs=0.001)


def test_moving_range_never_bridges_a_break():
    ranges = moving_ranges([1.0, 2.0, 10.0, 12.0, np.nan, 15.0], segments=["a", "a", "b", "b", "b", "b"])
    assert ranges == pytest.approx([np.nan, 1.0, np.nan, 2.0, np.nan, np.nan], nan_ok=True)


def test_break_keeps_the_spread_local():
    rng = np.random.default_rng(1)
    x = np.concatenate([rng.normal(level, 1.0, 5) for level in np.arange(40) * 10.0])
    cycles = np.repeat(np.arange(40), 5)
    assert local_spread(x, segments=cycles).sigma == pytest.approx(1.0, abs=0.25)
    assert local_spread(x).sigma > 2.0


def test_coarse_steps_are_named_not_alarmed():
    half_bands = np.tile([0.5, 0.5, 0.5, 1.0], 10)
    found = local_spread(half_bands, spread="median moving range")
    assert found.status == "no spread" and "finer reading" in found.reason
    chart = individuals_chart(half_bands, spread="median moving range").individuals
    assert chart.status == "no spread" and chart.signals == ()
    assert found.zero_share == pytest.approx(20 / 39)
    assert "neighbouring readings are equal" in individuals_chart(half_bands).individuals.notes[0]


@pytest.mark.parametrize(
    ("values", "status"),
    [([], "too few"), ([1.0], "too few"), ([1.0, 2.0], "too few"), ([np.nan] * 9, "too few"), ([3.0] * 9, "no spread")],
)
def test_too_little_is_a_worded_status(values, status):
    chart = individuals_chart(values).individuals
    assert chart.status == status
    assert chart.reason and chart.signals == ()


@pytest.mark.parametrize(
    ("n", "said"),
    [
        (0, "0 readings give 0 local differences"),
        (1, "1 reading gives 0 local differences"),
        (2, "2 readings give 1 local difference;"),
    ],
)
def test_one_is_said_as_one(n, said):
    assert individuals_chart([1.0] * n).individuals.reason.startswith(said)


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e9])
def test_scale_does_not_matter(scale):
    chart = individuals_chart(FLOW * scale).individuals
    assert chart.upper[0] == pytest.approx(individuals_chart(FLOW).individuals.upper[0] * scale, rel=1e-12)


def test_a_million_points():
    z = np.random.default_rng(0).normal(size=1_000_000)
    chart = individuals_chart(z, rules=tuple(RULES.values())).individuals
    assert chart.signals[0].index.size == pytest.approx(2700, abs=4 * 52 + 30)
    assert len(signal_sentences(chart, most=10)) == 10


def test_frozen_limits_and_baseline():
    x = np.concatenate([FLOW, [70.0]])
    base = np.arange(11) < 10
    chart = individuals_chart(x, baseline=base).individuals
    assert chart.upper[0] == individuals_chart(FLOW).individuals.upper[0]
    assert chart.signals[0].index.tolist() == [10]
    assert signal_sentences(chart) == ("reading 11, plotted at 70: one beyond the limit (high)",)
    frozen = individuals_chart([1.0, 9.0], centre=1.0, sigma=2.0, sides="upper").individuals
    assert frozen.signals[0].index.tolist() == [1] and np.isneginf(frozen.lower).all()


def test_refusals():
    with pytest.raises(ValueError, match="`values` must be finite, got infinity at position 1"):
        individuals_chart([1.0, np.inf, 2.0])
    with pytest.raises(TypeError, match="`values` must be numbers"):
        individuals_chart(["a", "b"])
    with pytest.raises(ValueError, match="`segments` must hold one id per reading"):
        individuals_chart(FLOW, segments=[1])
    with pytest.raises(ValueError, match="`sigma` must be a finite number greater than 0"):
        individuals_chart(FLOW, sigma=0.0)
    with pytest.raises(ValueError, match="`baseline` must hold one True or False per reading"):
        individuals_chart(FLOW, baseline=[1] * 10)
