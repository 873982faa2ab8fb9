import json
from pathlib import Path

import numpy as np
import pytest

from spc.chart.constants import c4, d2, d3
from spc.chart.subgroup import subgroup_chart

SOURCES = Path(__file__).parents[2] / "sources"
DATA = np.loadtxt(SOURCES / "nist_ccxbar.csv", skiprows=1, delimiter=",")
# CCXBAR.DAT, Dataplot data file (NIST, public domain notice); limits worked out apart from this code.
WORKED = json.loads((SOURCES / "nist_ccxbar.json").read_text())["recomputed"]


@pytest.mark.parametrize(("within", "suffix"), [("range", "R"), ("standard deviation", "s")])
def test_matches_worked_limits(within, suffix):
    found = subgroup_chart(DATA[:, 0], DATA[:, 1], within=within)
    assert found.mean.centre[0] == pytest.approx(WORKED["grand_mean"], abs=1e-9)
    assert found.mean.upper[0] == pytest.approx(WORKED[f"UCL_X_from_{suffix}"], abs=2e-6)
    assert found.mean.lower[0] == pytest.approx(WORKED[f"LCL_X_from_{suffix}"], abs=2e-6)
    assert found.within.upper[0] == pytest.approx(WORKED[f"UCL_{suffix}"], abs=5e-5)
    assert found.within.centre[0] == pytest.approx(WORKED[f"{suffix}bar"], rel=1e-9)


def test_attained_rate_of_the_spread_chart_agrees_with_counting():
    rng = np.random.default_rng(3)
    runs = 200_000
    x = rng.normal(size=(runs, 5))
    rate = np.mean(np.ptp(x, axis=1) > d2(5) + 3 * d3(5))
    words = subgroup_chart(DATA[:, 0], DATA[:, 1], within="range").within.alarms
    assert words.startswith("one false alarm in about 217 subgroups of 5")
    assert rate == pytest.approx(1 / 217, abs=4 * (1 / 217 / runs) ** 0.5 + 1e-5)


@pytest.mark.parametrize("within", ["range", "standard deviation"])
def test_probability_limits_of_the_spread_hold_their_tails(within):
    rng = np.random.default_rng(8)
    runs = 100_000
    x, groups = rng.normal(size=5 * runs), np.repeat(np.arange(runs), 5)
    found = subgroup_chart(x, groups, within=within, within_limits="probability", centre=0.0, sigma=1.0)
    signals = found.within.signals[0]
    rate = 0.00135
    for side in (1, -1):
        share = np.mean(signals.side == side) * signals.index.size / runs
        assert share == pytest.approx(rate, abs=4 * (rate / runs) ** 0.5)
    assert found.within.alarms.startswith("one false alarm in about 370 subgroups of 5")


def test_unequal_sizes_have_their_own_limits():
    rng = np.random.default_rng(1)
    groups = np.repeat(np.arange(200), rng.integers(1, 7, 200))
    x = rng.normal(10.0, 2.0, groups.size)
    found = subgroup_chart(x, groups)
    assert found.mean.sigma == pytest.approx(2.0, abs=0.25)
    width = found.mean.upper - found.mean.centre
    assert width == pytest.approx(3 * found.mean.sigma / np.sqrt(found.size), rel=1e-12)
    single = found.size == 1
    assert np.isnan(found.within.value[single]).all() and found.within.notes
    five = np.flatnonzero(found.size == 5)[0]
    expected = found.mean.sigma * (c4(5) + 3 * (1 - c4(5) ** 2) ** 0.5)
    assert found.within.upper[five] == pytest.approx(expected, rel=1e-12)


def test_points_come_in_order_of_first_appearance():
    found = subgroup_chart([1.0, 2.0, 5.0, 6.0, 1.5], ["late", "early", "late", "early", "late"])
    assert found.label == ("late", "early")
    assert found.mean.value == pytest.approx([2.5, 4.0])
    assert found.size.tolist() == [3, 2]


@pytest.mark.parametrize(
    ("values", "groups", "status"),
    [([], [], "too few"), ([1.0, 2.0], [1, 1], "too few"), ([1.0] * 6, [1, 1, 2, 2, 3, 3], "no spread")],
)
def test_too_little_is_a_worded_status(values, groups, status):
    found = subgroup_chart(values, groups)
    assert found.mean.status == status and found.mean.reason


def test_refusals():
    with pytest.raises(ValueError, match="`groups` must hold one id per reading"):
        subgroup_chart([1.0, 2.0], [1])
    with pytest.raises(ValueError, match="`within` must be one of 'range', 'standard deviation'"):
        subgroup_chart([1.0], [1], within="variance")


def test_single_readings_are_no_subgroups_of_two():
    values, groups = np.random.default_rng(4).normal(size=14), [1, 2, 3, 4, 5, 6, *[7] * 4, *[8] * 4]
    assert "subgroups of 4 if" in subgroup_chart(values, groups, sigma=1.0).within.alarms  # most hold one reading
    alone = subgroup_chart([5.0, 6.0, 7.0], [1, 2, 3], centre=6.0, sigma=1.0)
    assert alone.within.alarms == "no subgroup of two readings or more, so no alarms"
    assert subgroup_chart([5.0, 6.0, 7.0], [1, 1, 2]).mean.reason.startswith("1 subgroup holds two")
