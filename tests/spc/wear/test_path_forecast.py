import numpy as np
import pytest

from spc.wear.path_forecast import future_paths, update_own
from spc.wear.path_gram import RATIO_GRID
from spc.wear.path_posterior import LineDraws
from spc.wear.path_scale import fit_scale
from spc.wear.path_shape import SHAPES
from spc.wear.pooled import fit_pooled
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE

SPREADS = np.array([-1.6, np.log(RATIO_GRID[8]), -0.8, -0.6, 0.3])
MEAN, COVARIANCE = np.array([-1.5, 3.0]), np.array([[0.05, -0.01], [-0.01, 0.08]])
AHEAD = np.array([5.0, 8.0, 14.0])


def rng():
    return np.random.default_rng(7)


def known_law(spreads=SPREADS):
    """A pooled fit whose spreads are known, on the scale of cycles of 12 faces."""
    age = np.arange(1.0, 13)
    group = [wear_path(f"c{i}", age, 0.4 + 0.05 * age + 0.02 * rng().normal(size=12)) for i in range(2)]
    scale = fit_scale(group, SHAPE["linear"], relative=False, with_covariates=False)
    lines = LineDraws(np.tile(spreads, (4, 1)), np.tile(MEAN, (4, 1)), np.tile(COVARIANCE, (4, 1, 1)), 4.0)
    return scale, lines


@pytest.mark.parametrize("faces", [0, 1, 5])
def test_paths_are_those_of_the_joint_normal_law_given_the_own_readings(faces):
    """Second route: line, wandering and error of all ages as one normal law, conditioned by solving."""
    scale, lines = known_law()
    own = wear_path("now", np.arange(1.0, faces + 1), 0.42 + 0.05 * np.arange(1.0, faces + 1))
    update = update_own(scale, lines, own)
    future = future_paths(update, AHEAD, draws=20_000, rng=rng())
    error2 = np.exp(2 * SPREADS[0]) / (1 + 0.1 * np.exp(SPREADS[1]))
    level, slope = np.exp(SPREADS[2:4])
    both = np.tanh(SPREADS[4]) * level * slope
    g = scale.age_scaled(np.concatenate([own.age, AHEAD]))
    line = np.column_stack([np.ones_like(g), g])
    path = line @ (COVARIANCE + [[level**2, both], [both, slope**2]]) @ line.T
    path += np.exp(SPREADS[1]) * error2 * np.minimum.outer(g, g)
    read = path[:faces, :faces] + error2 * np.eye(faces)
    weight = np.linalg.solve(read, path[:faces, faces:]).T
    mean = line @ MEAN
    mean, cov = mean[faces:] + weight @ (scale.reading_scaled(own.low, own.limit) - mean[:faces]), path[faces:, faces:]
    cov = cov - weight @ path[:faces, faces:]
    error = np.sqrt(np.diag(cov) / 20_000)
    assert (np.abs(future.path.mean(axis=0) - mean) < 4 * error).all()
    assert np.cov(future.path.T) == pytest.approx(cov, abs=6 * np.diag(cov).max() / np.sqrt(20_000))
    assert future.error_sd == pytest.approx(np.full(20_000, np.sqrt(error2)))


def test_draws_are_weighed_by_the_density_of_the_own_readings():
    from scipy.stats import multivariate_normal

    scale, lines = known_law()
    spreads = lines.spreads.copy()
    spreads[:, 2] = [-2.0, -0.8, 0.0, 1.0]
    lines = LineDraws(spreads, lines.mean, lines.covariance, 4.0)
    own = wear_path("now", [1.0, 2.0, 3.0], [0.62, 0.66, 0.73])
    update = update_own(scale, lines, own)
    g, y = scale.age_scaled(own.age), scale.reading_scaled(own.low, own.limit)
    line, density = np.column_stack([np.ones(3), g]), []
    for _, log_ratio, log_level, log_slope, z in spreads:
        error2 = np.exp(2 * SPREADS[0]) / (1 + 0.1 * np.exp(log_ratio))
        both = np.tanh(z) * np.exp(log_level + log_slope)
        between = COVARIANCE + [[np.exp(2 * log_level), both], [both, np.exp(2 * log_slope)]]
        cov = line @ between @ line.T + np.exp(log_ratio) * error2 * np.minimum.outer(g, g) + error2 * np.eye(3)
        density.append(multivariate_normal(line @ MEAN, cov).pdf(y))
    assert update.share == pytest.approx(np.array(density) / sum(density), rel=1e-6)
    assert update.log_density == pytest.approx(np.log(np.mean(density)) - 3 * np.log(scale.reading_range), rel=1e-6)


def test_parts_the_cycle_has_none_of_change_nothing_it_says():
    draw = np.random.default_rng(9)
    names = ["pin", "seal", "ring", "cone"]
    past = []
    for i in range(6):
        parts = draw.choice(names, 24)
        age = np.arange(1.0, 25)
        past.append(wear_path(f"c{i}", age, 0.6 + 0.05 * age + 0.1 * draw.normal(size=24), parts=parts.tolist()))
    shape = fit_pooled(past, shapes=SHAPES[:1], rng=rng()).shapes[0]
    own = wear_path("now", [1, 2, 3, 4], [0.7, 0.7, 0.8, 0.9], parts=["seal", "cone"] * 2)
    every, asked = (update_own(shape.scale, shape.lines, own, parts=(part,)) for part in ("", "pin"))
    assert every.scale.parts == ("cone", "pin", "ring", "seal") and asked.scale.parts == ("cone", "pin", "seal")
    assert asked.log_density == pytest.approx(every.log_density, rel=1e-9)
    assert asked.share == pytest.approx(every.share, rel=1e-6)
    ages = np.array([10.0, 20.0])
    for part in ("pin", "seal"):
        middle = [
            future_paths(update, ages, draws=20_000, part=part, rng=rng()).path.mean(axis=0)
            for update in (every, asked)
        ]
        assert middle[0] == pytest.approx(middle[1], abs=0.03)
