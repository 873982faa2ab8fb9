import json
import re
from pathlib import Path

import numpy as np
import pytest

from spc.chart.attained import attained_rate, guaranteed_width
from spc.chart.cusum import cusum_chart
from spc.chart.ewma import ewma_chart
from spc.chart.individuals import individuals_chart, local_spread, moving_ranges
from spc.chart.result import signal_sentences
from spc.chart.rules import RULES
from spc.chart.subgroup import subgroup_chart

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


@pytest.mark.parametrize("chart", [individuals_chart, ewma_chart, cusum_chart])
def test_no_centre_is_made_up_where_no_reading_counts(chart):
    """A spread given and a baseline without readings: 0 as the centre would call every face."""
    for values, baseline in (([np.nan] * 5, None), ([5.0, 6.0, 7.0], np.zeros(3, dtype=bool))):
        found = chart(values, sigma=1.0, baseline=baseline)
        found = getattr(found, "individuals", None) or getattr(found, "high", None) or found
        assert found.status == "too few" and "give a centre" in found.reason and not found.signals
    given = chart([5.0, 6.0, 7.0], sigma=1.0, centre=6.0, baseline=np.zeros(3, dtype=bool))
    given = getattr(given, "individuals", None) or getattr(given, "high", None) or given
    assert given.status == "ok"


@pytest.mark.parametrize("readings", [25, 120])
@pytest.mark.parametrize("spread", ["mean moving range", "median moving range", "standard deviation"])
def test_the_error_of_the_spread_is_the_one_counted(readings, spread):  # second way: simulation, normal readings
    x = np.random.default_rng(5).normal(size=(6000, readings))
    sigma = np.array([local_spread(row, spread=spread).sigma for row in x])
    said = local_spread(x[0], spread=spread).sigma_relative_error
    assert said == pytest.approx(sigma.std() / sigma.mean(), rel=0.045)  # four errors of a counted spread: 3.7 %


def test_the_note_names_what_the_spread_was_taken_from():
    x = np.random.default_rng(6).normal(size=40)
    for spread, words in (
        ("standard deviation", "standard deviation of 40 readings"),
        ("mean moving range", "mean of 39 moving ranges"),
    ):
        (note,) = individuals_chart(x, spread=spread).individuals.notes
        assert words in note
    coarse = np.round(x)
    assert "moving ranges are unsure" in individuals_chart(coarse).individuals.notes[0]
    assert "unsure" not in " ".join(individuals_chart(coarse, sigma=1.0).individuals.notes)


@pytest.mark.parametrize("width", [7.0, 12.0, 50.0, 200.0])
def test_limits_so_wide_that_nothing_lies_beyond_are_said_in_words(width):
    x = np.random.default_rng(7).normal(size=40)
    found = individuals_chart(x, width_sd=width)
    groups = [subgroup_chart(x, np.arange(40) // 4, width_sd=width, within=w) for w in ("range", "standard deviation")]
    said = [found.individuals.alarms, found.moving_range.alarms, *(g.within.alarms for g in groups)]
    said.append(attained_rate(40, width_sd=width).words)
    assert all(len(figure) < 19 for words in said for figure in re.findall(r"[\d,]+", words))  # below 10^13
    if width > 8:
        with pytest.raises(ValueError, match="`width_sd` must be a finite number greater than 0 and at most 8"):
            guaranteed_width(40, width_sd=width)
