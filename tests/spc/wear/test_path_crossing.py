from dataclasses import replace

import numpy as np
import pytest

from spc.wear.path_crossing import crossing_ages, share_over
from spc.wear.path_forecast import FuturePaths
from spc.wear.path_scale import fit_scale
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE

AGE = np.array([0.0, 10.0, 20.0])


def drawn(shape, reading, *, error_sd=0.0, wander=1e-9):
    """One path through these readings without error, on the shape's scale."""
    scale = fit_scale([wear_path("any", AGE, [1.0, 2.0, 5.0])], SHAPE[shape], relative=False, with_covariates=False)
    path = scale.reading_scaled(np.array([reading]), np.nan)
    return FuturePaths(
        scale, AGE, path, np.array([error_sd]), np.array([wander]), path[0, 0], 2.0, np.empty((1, 0)), np.zeros(1)
    )


def rng():
    return np.random.default_rng(1)


@pytest.mark.parametrize("shape", ["linear", "exponential", "inverse"])
def test_readings_are_joined_by_straight_lines_whatever_the_shape(shape):
    # From 1 at age 0 to 4 at age 10: a straight line reads 2 at a third of the way, by arithmetic.
    future = drawn(shape, [1.0, 4.0, 6.0])
    assert crossing_ages(future, 2.0, None, "reading", rng()) == pytest.approx([10 / 3])


def test_a_path_that_runs_away_crosses_where_it_was_last_seen():
    future = drawn("inverse", [1.0, 4.0, 6.0])
    away = future.path.copy()
    away[0, 1:] += 100.0  # beyond the end of the scale: the reading is infinite
    assert crossing_ages(replace(future, path=away), 2.0, None, "reading", rng()) == pytest.approx([0.0])


def test_the_nearer_of_two_limits_counts():
    down = drawn("linear", [0.0, -4.0, -8.0])
    assert crossing_ages(down, 2.0, -2.0, "reading", rng()) == pytest.approx([5.0])
    assert np.isinf(crossing_ages(down, 2.0, None, "reading", rng())).all()


def test_a_path_that_stays_below_never_crosses():
    future = drawn("linear", [0.0, 1.0, 1.5])
    for crossing in ("path", "next face", "reading"):
        assert np.isinf(crossing_ages(future, 2.0, None, crossing, rng())).all()
    assert share_over([future], 2.0, None) == 0 and share_over([future], 1e-9, None) == 0


def test_a_wandering_path_may_touch_the_limit_between_two_ages():
    still, restless = drawn("linear", [1.0, 1.9, 1.0]), drawn("linear", [1.0, 1.9, 1.0], wander=50.0)
    assert np.isinf(crossing_ages(still, 2.0, None, "path", rng())).all()
    assert np.isfinite(crossing_ages(restless, 2.0, None, "path", rng())).all()
