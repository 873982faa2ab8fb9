import csv
from pathlib import Path

import numpy as np
import pytest

from spc.chart.mewma import mewma_chart, mewma_limit_for, mewma_run_length
from spc.chart.multivariate import JointLaw, joint_chart, joint_law

SOURCES = Path(__file__).parents[2] / "sources"
NAMES = ("flatness", "finish")
COVARIANCE = [[0.04, 0.003], [0.003, 0.0004]]


def faces(rng, n, mean=(1.0, 0.1)):
    return rng.multivariate_normal(mean, COVARIANCE, size=n)


def test_matches_the_textbook_distances():
    """T2CC.DAT (NIST Dataplot, after Ryan): 20 subgroups of 4; the means of subgroups 10 and 20 stand out.

    Each mean is judged as one reading, against the pooled covariance within subgroups over their size.
    """
    data = np.loadtxt(SOURCES / "hotelling_t2cc.csv", skiprows=1, delimiter=",")[:, :2].reshape(20, 4, 2)
    means = data.mean(axis=1)
    within = (data - means[:, None]).reshape(-1, 2)
    law = JointLaw(("y1", "y2"), means.mean(axis=0), within.T @ within / 60 / 4, 20, "ok", "")
    assert law.mean == pytest.approx([60.375, 18.4875], abs=1e-9)
    found = joint_chart(means, law=law, alpha=0.0054)
    assert (np.flatnonzero(found.chart.value > 11.04) + 1).tolist() == [10, 20]  # the printed limit, from memory
    # Worked out apart from this code.
    assert found.chart.value[:3] == pytest.approx([2.24160489393, 0.652696099586, 1.27218383841], rel=1e-9)


def test_limits_hold_their_rate_for_the_baseline_itself_and_for_future_faces():
    rng = np.random.default_rng(1)
    runs, own, future = 1500, 0, 0
    for _ in range(runs):
        base = faces(rng, 20)
        found = joint_chart(base, alpha=0.02, least_rows=20)
        own += found.chart.signals[0].index.size
        future += joint_chart(faces(rng, 20), law=found.law, alpha=0.02).chart.signals[0].index.size
    error = 4 * (0.02 / (20 * runs)) ** 0.5
    assert own / (20 * runs) == pytest.approx(0.02, abs=error)
    assert future / (20 * runs) == pytest.approx(0.02, abs=2 * error)  # faces against one baseline are correlated


def test_units_do_not_matter_and_the_leader_is_named():
    rng = np.random.default_rng(2)
    x = faces(rng, 150)
    x[70] += [0.0, 0.2]
    plain = joint_chart(x, names=NAMES)
    scaled = joint_chart(x * [1e9, 1e-12], names=NAMES)
    assert scaled.chart.value == pytest.approx(plain.chart.value, rel=1e-9)
    assert (70, "finish") in plain.leads


def test_refused_in_words_where_data_do_not_suffice():
    rng = np.random.default_rng(3)
    x = faces(rng, 99)
    assert joint_chart(x, names=NAMES).chart.reason.startswith("99 faces have all of flatness, finish; at least 100")
    same = np.column_stack([np.arange(200.0), 2 * np.arange(200.0)])
    assert "follows exactly" in joint_chart(same).chart.reason
    flat = np.column_stack([np.arange(200.0), np.ones(200)])
    assert joint_law(flat, names=NAMES).reason == "all readings of finish are equal: leave it out"
    assert mewma_chart(x).status == "too few"


def test_one_face_is_said_as_one():
    assert joint_law(np.ones((1, 2))).reason.startswith("1 face has all of characteristic 1")


def test_incomplete_rows_are_counted_not_used():
    x = faces(np.random.default_rng(4), 120)
    x[3, 1] = np.nan
    found = joint_chart(x)
    assert found.law.n == 119 and found.chart.missing == 1
    assert 3 not in found.chart.signals[0].index


with (SOURCES / "mewma_limits.csv").open() as file:
    LIMITS = [(int(r["characteristics"]), float(r["weight"]), float(r["limit"])) for r in csv.DictReader(file)]


@pytest.mark.parametrize(("characteristics", "weight", "limit"), LIMITS)
def test_joint_average_matches_published_limits(characteristics, weight, limit):
    """Prabhu and Runger (1997) for an average of 200, from memory; 2 decimals of the limit are half a percent here."""
    found = mewma_run_length(weight, limit, characteristics=characteristics)
    assert found.average == pytest.approx(200.0, rel=0.005)


def test_joint_average_agrees_with_counting():
    rng = np.random.default_rng(5)
    runs, weight = 3000, 0.2
    limit = mewma_limit_for(100.0, weight=weight, characteristics=2)
    average, length, going, point = np.zeros((runs, 2)), np.zeros(runs), np.arange(runs), 0
    while going.size:
        point += 1
        average = (1 - weight) * average + weight * rng.normal(size=(going.size, 2))
        out = np.sum(average**2, axis=1) > limit * weight / (2 - weight)
        length[going[out]] = point
        going, average = going[~out], average[~out]
    assert length.mean() == pytest.approx(100.0, abs=4 * length.std() / runs**0.5)


def test_the_chart_itself_calls_as_often_as_it_says():
    """The young average too: measured by its narrower spread it called four times as often with so small a weight."""
    rng, runs, wanted = np.random.default_rng(7), 300, 60.0
    law = JointLaw(("a", "b"), np.zeros(2), np.eye(2), 1000, "ok", "")
    first = []
    for _ in range(runs):
        index = mewma_chart(rng.normal(size=(900, 2)), law=law, weight=0.02, average=wanted).signals[0].index
        first.append(index[0] + 1 if index.size else 900)
    assert np.mean(first) == pytest.approx(wanted, abs=4 * np.std(first) / runs**0.5)


def test_joint_average_sees_a_small_shift():
    rng = np.random.default_rng(6)
    law = joint_law(faces(rng, 300), names=NAMES)
    chart = mewma_chart(faces(rng, 60, mean=(1.2, 0.1)), law=law)
    assert chart.signals[0].index[0] < 20
    assert mewma_chart(faces(rng, 60), law=law, weight=1.0).status == "ok"


def test_refusals():
    with pytest.raises(ValueError, match="`values` must have 2 columns or more"):
        joint_law(np.ones((5, 1)))
    with pytest.raises(ValueError, match="`values` must be finite, got infinity at position 1"):
        joint_law([[1.0, 2.0], [np.inf, 2.0]])


def test_a_joint_average_out_of_reach_is_refused_in_words():
    with pytest.raises(ValueError, match=r"`average` must be more than the [\d.]+ faces that the nearest limit gives"):
        mewma_limit_for(1.01, weight=0.1, characteristics=2)
