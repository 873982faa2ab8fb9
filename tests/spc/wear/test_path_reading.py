import numpy as np
import pytest
from scipy.stats import truncnorm

from spc.wear.path_gram import RATIO_GRID
from spc.wear.path_posterior import LineDraws
from spc.wear.path_reading import _left_out, _matched, columns_of, first_working, refined_working
from spc.wear.path_scale import fit_scale, stack_paths
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE

AGE = np.arange(1.0, 11)
SPREADS = np.array([-1.6, np.log(RATIO_GRID[8]), -0.8, -0.6, 0.3])
ERROR2 = np.exp(2 * SPREADS[0]) / (1 + 0.1 * np.exp(SPREADS[1]))


def stacked(**changed):
    """Three paths of one group, the last with what is changed in it."""
    rng = np.random.default_rng(5)
    group = []
    for i in range(3):
        low = 0.4 + 0.06 * AGE + 0.03 * rng.normal(size=AGE.size)
        high = low.copy()
        for at, (new_low, new_high) in changed.items() if i == 2 else ():
            low[int(at[1:])], high[int(at[1:])] = new_low, new_high
        group.append(wear_path(f"c{i}", AGE, low, high))
    scale = fit_scale(group, SHAPE["linear"], relative=False, with_covariates=False)
    return stack_paths(group, scale), scale


def draws():
    mean, covariance = np.array([-1.5, 3.0]), np.array([[0.05, -0.01], [-0.01, 0.08]])
    return LineDraws(np.tile(SPREADS, (4, 1)), np.tile(mean, (4, 1)), np.tile(covariance, (4, 1, 1)), 4.0)


def test_each_reading_is_left_out_as_the_normal_law_of_the_others_says():
    stack, _ = stacked()
    working, multiplier = first_working(stack)
    mean, variance = _left_out(stack, working, multiplier, SPREADS, draws(), 0)
    level, slope = np.exp(SPREADS[2:4])
    both = np.tanh(SPREADS[4]) * level * slope
    between = np.array([[level**2, both], [both, slope**2]]) + draws().covariance[0]
    for u in range(3):
        g = stack.age_scaled[u]
        line = np.column_stack([np.ones_like(g), g])
        cov = line @ between @ line.T + np.exp(SPREADS[1]) * ERROR2 * np.minimum.outer(g, g) + ERROR2 * np.eye(10)
        centre = line @ draws().mean[0]
        for i in range(10):
            others = np.arange(10) != i
            weight = np.linalg.solve(cov[np.ix_(others, others)], cov[others, i])
            assert mean[u, i] == pytest.approx(centre[i] + weight @ (working[u] - centre)[others])
            assert variance[u, i] == pytest.approx(cov[i, i] - weight @ cov[others, i])


@pytest.mark.parametrize(("low", "high"), [(0.5, 1.4), (1.2, np.inf), (0.4, 0.9)])
def test_an_interval_counts_as_the_normal_that_gives_the_truncated_laws_moments(low, high):
    """The law of a reading, cut off at the ends of its interval, by scipy."""
    stack, scale = stacked(_4=(low, high))
    at = (2, 4)
    mean, variance = np.full(stack.low.shape, 0.2), np.full(stack.low.shape, 0.7)
    value, site = (each[at] for each in _matched(stack, mean, variance, *first_working(stack)))
    sd = np.sqrt(0.7)
    cut = truncnorm((stack.low[at] - 0.2) / sd, (stack.high[at] - 0.2) / sd, loc=0.2, scale=sd)
    precision = 1 / 0.7 + 1 / site
    assert 1 / precision == pytest.approx(cut.var(), rel=1e-6)
    assert (0.2 / 0.7 + value / site) / precision == pytest.approx(cut.mean(), rel=1e-6)


def test_sound_readings_are_left_as_they_are_and_an_outlier_loses_weight():
    stack, scale = stacked()
    working, multiplier = first_working(stack)
    assert refined_working(scale, stack, working, multiplier, draws()) is None
    slipped, _ = stacked(_6=(3.0, 3.0))
    working, multiplier = first_working(slipped)
    value, weighed = refined_working(scale, slipped, working, multiplier, draws())
    assert value == pytest.approx(working)
    assert weighed[2, 6] > 10 * np.delete(weighed[2], 6).max() and weighed[:2] == pytest.approx(np.ones((2, 10)))


def test_a_reading_open_above_is_put_over_its_end():
    stack, scale = stacked(_9=(1.0, np.inf))
    working, multiplier = first_working(stack)
    assert working[2, 9] == stack.low[2, 9]
    value, weighed = refined_working(scale, stack, working, multiplier, draws())
    assert value[2, 9] > stack.low[2, 9] and weighed[2, 9] > weighed[2, :9].max()


def test_the_columns_are_one_the_age_each_part_and_the_reading():
    group = [wear_path("c", AGE[:3], [0.4, 0.5, 0.7], parts=["pin", "seal", "pin"])]
    scale = fit_scale(group, SHAPE["linear"], relative=False, with_covariates=False)
    stack = stack_paths(group, scale)
    (columns,) = columns_of(stack, stack.low, 2)
    assert columns == pytest.approx(np.column_stack([np.ones(3), AGE[:3] / 3, [1, 0, 1], [0, 1, 0], stack.low[0]]))


@pytest.mark.parametrize("readings", [5, 20])
@pytest.mark.parametrize("log_ratio", [-4.0, 9.0])
def test_readings_that_meet_their_lines_exactly_keep_finite_values_and_weights(readings, log_ratio):
    """The least scatter beside the widest lines: their covariance has no inverse in 16 digits."""
    age = np.arange(1.0, readings + 1)
    group = [wear_path(str(u), age, np.exp(0.1 * (u + 1) * age)) for u in range(3)]
    scale = fit_scale(group, SHAPE["linear"], relative=False, with_covariates=False)
    stack = stack_paths(group, scale)
    spreads = np.tile([-12.0, log_ratio, 6.0, 7.0, 0.0], (4, 1))
    exact = LineDraws(spreads, np.zeros((4, 2)), np.tile(np.diag([16.0, 100.0]), (4, 1, 1)), 4.0)
    working, multiplier = first_working(stack)
    _, variance = _left_out(stack, working, multiplier, spreads[0], exact, 0)
    assert (variance > 0).all()
    refined = refined_working(scale, stack, working, multiplier, exact)
    assert refined is not None and np.isfinite(refined).all()
