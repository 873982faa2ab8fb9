from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from spc.wear.path_evidence import line_evidence, log_marginal
from spc.wear.path_gram import RATIO_GRID, path_gram
from spc.wear.path_posterior import LineDraws
from spc.wear.pooled import fit_pooled
from spc.wear.shape_score import foreseen, leave_out, shape_shares, weighed_scores
from spc.wear.wear_path import half_way_to, wear_path


@pytest.mark.parametrize("load", [(), (-0.7, 1.1)])
def test_a_unit_is_foreseen_from_the_others_as_the_covariance_written_out_says(load):
    # Second route: the joint normal law of all readings, conditioned on the other unit's.
    rng = np.random.default_rng(8)
    age, y = np.sort(rng.random((2, 7)), axis=1), rng.normal(size=(2, 7))
    spreads = np.array([-0.5, np.log(RATIO_GRID[9]), -0.4, 0.2, 0.3])
    design, prior_sd = np.tile(np.eye(2), (2, 1, 1)), np.array([1.5, 2.0])
    if load:  # level and slope by the load of a unit
        design = np.array([[[1, of, 0, 0], [0, 0, 1, of]] for of in load], dtype=float)
        prior_sd = np.array([1.5, 0.8, 2.0, 1.3])
    columns = np.stack([np.ones((2, 7)), age, y], axis=-1)
    gram, begun = (path_gram(age, columns, np.ones((2, 7)), np.full(2, n)) for n in (7, 4))
    drawn = np.tile(spreads, (3, 1))
    _, mean, precision = log_marginal(line_evidence(drawn, gram, design), prior_sd**-2.0)
    left = leave_out(LineDraws(drawn, mean, np.linalg.inv(precision), 3.0), gram, design)
    halves = foreseen(left, begun, np.zeros((1, 3, 2)))[0]

    ratio = np.exp(spreads[1])
    error = np.exp(2 * spreads[0]) / (1 + 0.1 * ratio)
    level, slope, rho = np.exp(spreads[2]), np.exp(spreads[3]), np.tanh(spreads[4])
    between = np.array([[level**2, rho * level * slope], [rho * level * slope, slope**2]])
    z, unit, t = np.column_stack([np.ones(14), age.ravel()]), np.repeat([0, 1], 7), age.ravel()
    own = z @ between @ z.T + error * np.eye(14) + ratio * error * np.minimum.outer(t, t)
    fixed = np.einsum("nk,nkp->np", z, design[unit])
    covariance = fixed @ np.diag(prior_sd**2) @ fixed.T + own * (unit[:, None] == unit)

    def density(kept):
        return multivariate_normal(np.zeros(kept.sum()), covariance[np.ix_(kept, kept)]).logpdf(y.ravel()[kept])

    for asked in (0, 1):
        begins = (unit == asked) & (np.tile(np.arange(7), 2) < 4)
        assert left.score[asked] == pytest.approx(density(np.ones(14, dtype=bool)) - density(unit != asked))
        assert halves[asked] == pytest.approx(density(begins | (unit != asked)) - density(unit != asked))


def test_a_draw_that_fits_best_may_weigh_nothing():
    """Readings that meet their lines exactly: every other draw is thousands of log units behind, and alone counts."""
    age = np.tile(np.arange(1.0, 8) / 7, (2, 1))
    columns = np.stack([np.ones((2, 7)), age, age + np.random.default_rng(2).normal(size=(2, 7))], axis=-1)
    gram, design = path_gram(age, columns, np.ones((2, 7)), np.full(2, 7)), np.tile(np.eye(2), (2, 1, 1))
    spreads = np.tile([-0.1, np.log(RATIO_GRID[0]), -0.4, 0.2, 0.3], (2, 1))
    spreads[1, 0] = -7.0
    lines = LineDraws(spreads, np.zeros((2, 2)), np.tile(0.1 * np.eye(2), (2, 1, 1)), 2.0)
    both = replace(leave_out(lines, gram, design), weight=np.array([[0.0, 0.0], [1.0, 1.0]]))
    told = foreseen(both, gram, np.zeros((1, 2, 2)))[0]
    alone = replace(both, precision=both.precision[1:], mean=both.mean[1:], weight=both.weight[1:])
    alone = replace(alone, lines=replace(lines, spreads=spreads[1:]))
    assert told == pytest.approx(foreseen(alone, gram, np.zeros((1, 1, 2)))[0]) and (told < -1000).all()


def test_one_half_goes_to_the_straight_line_before_any_reading():
    straight = np.array([True, False, False, False])
    shares = shape_shares(np.zeros((4, 3)), straight, (1, 3))
    assert shares == pytest.approx([0.5, 1 / 6, 1 / 6, 1 / 6])
    two = shape_shares(np.zeros((4, 3)), np.array([True, True, False, False]), (2, 2))
    assert two == pytest.approx([0.25] * 4)


def test_a_fit_that_was_dropped_leaves_its_share_to_the_others():
    kept = shape_shares(np.zeros((2, 3)), np.array([True, False]), (1, 7))
    assert kept == pytest.approx([7 / 8, 1 / 8])


def test_readings_overrule_the_straight_line():
    shares = shape_shares(np.array([[-9.0, -9.0], [-4.0, -4.0]]), np.array([True, False]), (1, 7))
    odds = np.exp(10) / 7
    assert shares == pytest.approx([1 / (1 + odds), odds / (1 + odds)])


def test_two_noisy_cycles_are_read_as_straight():
    rng = np.random.default_rng(6)
    age = np.arange(1.0, 13)
    past = [wear_path(f"c{i}", age, 0.7 + 0.06 * age + 0.35 * rng.normal(size=12)) for i in range(2)]
    assert fit_pooled(past, rng=rng).shapes[0].scale.shape.straight


def test_readings_past_half_way_count_more():
    whole, first, half_way = np.array([-8.0, -6.0, -6.0]), np.array([-4.0, -1.0, -6.0]), np.array([4.0, 2.0, np.nan])
    assert weighed_scores(whole, first, half_way) == pytest.approx([-8.0, -0.5 - 7.5, -6.0])


def test_half_way_lies_between_the_first_reading_and_the_limit():
    path = wear_path("a", [0, 1, 2, 3, 4], [0.4, 0.9, 1.3, 1.1, 1.9])
    assert half_way_to(path, 2.0) == 2.0 and half_way_to(path, 4.0) == np.inf and np.isnan(half_way_to(path, np.nan))


def test_bedding_in_does_not_bend_what_comes_after():
    """Every unit jumps before its second reading and is straight from there: over all readings a root fits best."""
    rng = np.random.default_rng(3)
    age = np.arange(0.0, 31)
    past = []
    for i in range(6):
        jump, rate = 0.18 * (1 + 0.2 * rng.normal()), 0.05 * (1 + 0.2 * rng.normal())
        past.append(wear_path(f"c{i}", age, jump * (age > 0) + rate * age + 0.03 * rng.normal(size=age.size)))
    pooled = fit_pooled(past, limit=3.0, rng=rng)
    powers = [shape for shape in pooled.shapes if not shape.scale.shape.course]
    assert powers[0].scale.shape.straight and powers[0].share > 0.9 * sum(shape.share for shape in powers)
    (course,) = [shape.scale.shape for shape in pooled.shapes if shape.scale.shape.course]
    later = np.diff(course.age(np.linspace(6.0, 60.0, 19), 0.0))  # what all did first is in its first piece
    assert np.ptp(later) < 0.15 * later.mean()
