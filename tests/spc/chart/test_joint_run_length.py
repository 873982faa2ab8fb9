import numpy as np
import pytest
from scipy import stats

from spc.chart.joint_run_length import distance_run_length, shifted_mewma_run_length
from spc.chart.mewma import mewma_limit_for
from spc.chart.multivariate import joint_chart, joint_law

# Prabhu and Runger (1997), Journal of Quality Technology 29(1), 2 characteristics, weight 0.1, limit 8.64, average 200
# in control; values from memory.
PUBLISHED = {0.5: 28.07, 1.0: 10.15, 1.5: 6.11, 2.0: 4.42, 3.0: 2.93}


@pytest.mark.parametrize("shift", PUBLISHED)
def test_published_run_lengths_of_the_joint_average(shift):
    found = shifted_mewma_run_length(0.1, 8.64, characteristics=2, shift=shift)
    assert found == pytest.approx(PUBLISHED[shift], rel=0.006)


def test_no_shift_is_the_run_length_in_control_and_a_small_one_is_near_it():
    limit = mewma_limit_for(200.0, weight=0.1, characteristics=2)
    assert shifted_mewma_run_length(0.1, limit, characteristics=2, shift=0.0) == pytest.approx(200.0, rel=1e-3)
    assert shifted_mewma_run_length(0.1, limit, characteristics=2, shift=1e-3) == pytest.approx(200.0, rel=0.02)


def test_counted_with_three_characteristics():
    limit, shift = mewma_limit_for(150.0, weight=0.2, characteristics=3), 1.0
    said = shifted_mewma_run_length(0.2, limit, characteristics=3, shift=shift)
    rng, runs = np.random.default_rng(72), 4000
    average, length, open_runs = np.zeros((runs, 3)), np.zeros(runs), np.arange(runs)
    for point in range(1, 400):
        z = rng.normal(size=(open_runs.size, 3)) + [0.6, 0.0, 0.8]
        average = 0.8 * average + 0.2 * z
        out = (average**2).sum(axis=1) > limit * 0.2 / 1.8
        length[open_runs[out]] = point
        average, open_runs = average[~out], open_runs[~out]
    assert open_runs.size == 0
    assert abs(length.mean() - said) < 4 * length.std() / runs**0.5 + 0.01 * said  # the cells' own error


def test_distance_against_the_laws_of_scipy():
    limit = float(stats.chi2.isf(0.005, 2))
    assert distance_run_length(limit, characteristics=2, shift=0.0) == pytest.approx(200.0)
    chance = float(stats.ncx2.sf(limit, 2, 4.0))
    assert distance_run_length(limit, characteristics=2, shift=2.0) == pytest.approx(1 / chance)


def test_distance_against_counting_with_an_estimated_law():
    rng = np.random.default_rng(73)
    rates = []
    for _ in range(60):
        law = joint_law(rng.normal(size=(100, 2)))
        chart = joint_chart(rng.normal(size=(2000, 2)) + [2.0, 0.0], law=law, alpha=0.01)
        rates.append(chart.chart.signals[0].index.size / 2000)
    said = distance_run_length(chart.limit, characteristics=2, shift=2.0, rows=100)
    assert abs(np.mean(rates) - 1 / said) < 4 * np.std(rates) / 60**0.5


def test_refusals():
    with pytest.raises(ValueError, match="`characteristics`"):
        distance_run_length(9.0, characteristics=1, shift=1.0)
    with pytest.raises(ValueError, match="`shift`"):
        shifted_mewma_run_length(0.1, 9.0, characteristics=2, shift=-1.0)
