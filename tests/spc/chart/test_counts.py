import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from spc.chart.counts import count_chart, dispersion_of, share_chart

SOURCES = Path(__file__).parents[2] / "sources"


def worked(name):
    data = np.loadtxt(SOURCES / f"{name}.csv", skiprows=1, delimiter=",")
    return data, json.loads((SOURCES / f"{name}.json").read_text())["recomputed"]


def test_shares_match_worked_limits():  # CCP.DAT, Dataplot (NIST, public domain notice); limits worked out apart
    data, expected = worked("nist_ccp")
    chart = share_chart(data[:, 0], data[:, 1], limits="three sigma", dispersion="plain").chart
    assert chart.upper == pytest.approx(np.array(expected["UCL"]), abs=1e-11)
    assert np.maximum(chart.lower, 0) == pytest.approx(np.array(expected["LCL"]), abs=1e-11)
    assert chart.centre[0] == pytest.approx(expected["p_bar"], rel=1e-12)


def test_counts_match_worked_limits():  # CCC.DAT and CCU.DAT, Ishikawa, Guide to Quality Control, via Dataplot (NIST)
    data, expected = worked("nist_ccc")
    chart = count_chart(data[:, 0], limits="three sigma", dispersion="plain").chart
    assert chart.upper[0] == pytest.approx(expected["UCL"], abs=1e-9)
    assert (chart.signals[0].index + 1).tolist() == expected["above_UCL"]
    data, expected = worked("nist_ccu")
    chart = count_chart(data[:, 0], data[:, 1], limits="three sigma", dispersion="plain").chart
    assert chart.upper == pytest.approx(np.array(expected["UCL"]), abs=1e-9)
    assert np.isneginf(chart.lower).all()


def test_probability_limits_keep_their_tails():
    found = share_chart([0] * 3, [40] * 3, share=0.08, dispersion="plain")
    count = int(np.floor(found.chart.upper[0] * 40)) + 1  # the first count that signals
    assert stats.binom.sf(count - 1, 40, 0.08) <= 0.00135 < stats.binom.sf(count - 2, 40, 0.08)
    assert found.attained == pytest.approx(stats.binom.sf(count - 1, 40, 0.08), rel=1e-9)
    counts = count_chart([3, 4], rate=4.0, dispersion="plain")
    high = int(np.floor(counts.chart.upper[0])) + 1
    assert stats.poisson.sf(high - 1, 4.0) <= 0.00135 < stats.poisson.sf(high - 2, 4.0)


def test_extra_variation_is_found_and_widens_the_limits():
    rng = np.random.default_rng(6)
    faces = np.full(60, 80)
    bad = rng.binomial(80, rng.beta(2.0, 14.0, 60))  # correlation within lots 1/17
    plain = share_chart(bad, faces, dispersion="plain")
    aware = share_chart(bad, faces)
    assert aware.dispersion.p_value < 1e-4
    assert aware.dispersion.extra == pytest.approx(1 / 17, abs=0.03)
    assert plain.chart.signals[0].index.size > 0 and aware.chart.signals[0].index.size == 0
    scratches = rng.poisson(6.0 * rng.gamma(4.0, 0.25, 200))
    assert count_chart(scratches).dispersion.extra == pytest.approx(0.25, abs=0.15)


def test_dispersion_test_holds_its_level():
    rng = np.random.default_rng(7)
    runs = 1500
    faces = rng.integers(20, 80, 40).astype(float)
    found = 0
    for _ in range(runs):
        bad = rng.binomial(faces.astype(int), 0.12).astype(float)
        found += dispersion_of(bad, faces, binomial=True).p_value < 0.05
    assert found / runs == pytest.approx(0.05, abs=4 * (0.05 * 0.95 / runs) ** 0.5)


@pytest.mark.parametrize(
    ("bad", "faces", "status"),
    [([], [], "too few"), ([1], [3], "too few"), ([0, 0], [5, 5], "no spread"), ([0, 0], [0, 0], "too few")],
)
def test_too_little_is_a_worded_status(bad, faces, status):
    chart = share_chart(bad, faces).chart
    assert chart.status == status and chart.reason


def test_small_lots_point_to_the_sum_over_single_faces():
    assert "sum over single faces" in share_chart([0, 1, 0, 2], [10, 12, 9, 11]).chart.notes[-1]


def test_refusals():
    with pytest.raises(ValueError, match="`bad` must be whole numbers .* got 1.5 of 3.0 at position 0"):
        share_chart([1.5], [3])
    with pytest.raises(ValueError, match="`faces` must be whole and no smaller than `bad`"):
        share_chart([4], [3])
    with pytest.raises(ValueError, match="`share` must be below 1"):
        share_chart([1], [3], share=1.0)
    with pytest.raises(ValueError, match="`units` must hold one size per count"):
        count_chart([1, 2], [1.0])


def test_lots_until_a_higher_share_signals_is_the_binomial_tail():
    from scipy import stats

    from spc.chart.counts import lots_until

    found = share_chart([3, 2, 4, 3, 2, 3], [50] * 6, share=0.06, dispersion="plain")
    first = int(np.ceil(found.chart.upper[0] * 50))
    low = int(np.floor(found.chart.lower[0] * 50)) if np.isfinite(found.chart.lower[0]) else -1
    chance = stats.binom.sf(first - 1, 50, 0.15) + stats.binom.cdf(low, 50, 0.15)
    assert lots_until(found, 50, 0.15, binomial=True) == pytest.approx(1 / chance)
    assert lots_until(share_chart([0], [5]), 5, 0.1, binomial=True) == np.inf  # no limits, no signal


@pytest.mark.parametrize(
    ("limits", "words"), [("probability", "probability limits"), ("three sigma", "limits at 2 st")]
)
def test_the_method_says_how_far_out_the_limits_are(limits, words):
    found = share_chart([3, 4, 2], [40] * 3, limits=limits, width_sd=2.0)
    assert words in found.chart.method and "three sigma" not in found.chart.method


def test_a_shift_away_from_a_frozen_rate_is_no_variation_between_lots():
    """Twenty lots, all at three times the frozen share: limits widened for that would call none of them."""
    for found in (share_chart([24] * 20, [400] * 20, share=0.02), count_chart([24] * 20, [400] * 20, rate=0.02)):
        assert found.chart.signals[0].index.size == 20
        assert "no more than chance" in found.chart.notes[0] and found.dispersion.ratio == 0
    for bad in ([0, 0, 0], [9, 9, 9], [4]):  # nothing to judge variation by
        found = share_chart(bad, [9] * len(bad), share=0.5)
        assert found.dispersion is None and found.chart.status == "ok"
    assert count_chart([3], [1.0]).chart.reason.startswith("1 lot with units; at least 2")
