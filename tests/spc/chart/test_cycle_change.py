"""A step among cycles that differ: against whole matrices, and lists whose truth is planted."""

import numpy as np
import pytest

from spc.chart.cycle_change import cycle_change_p, step_ratios
from spc.chart.cycle_spread import cycle_spread

LENGTHS = (7, 5, 9)


def listed(seed, cycles, faces, differ, step=0.0, at=0):
    rng = np.random.default_rng(seed)
    cycle, age = np.repeat(np.arange(cycles), faces), np.tile(np.arange(float(faces)), cycles)
    z = rng.normal(size=age.size) + differ * rng.normal(size=cycles)[cycle] + step * (np.arange(age.size) >= at)
    return cycle_change_p(z, age, cycle, cycle_spread(z, age, cycle))


def test_ratios_are_those_of_generalised_least_squares_with_whole_matrices():
    rng = np.random.default_rng(1)
    age = np.concatenate([first + np.arange(float(k)) for first, k in zip((0, 2, 0), LENGTHS, strict=True)])
    cycle, n, level, slope = np.repeat(np.arange(3), LENGTHS), sum(LENGTHS), 0.7, 0.11
    z = rng.normal(size=(2, n))
    found = step_ratios(z, age, np.array([0, 7, 12]), level, slope)
    matrix = np.eye(n) + (cycle[:, None] == cycle) * (level**2 + slope**2 * np.outer(age, age))
    whiten = np.linalg.cholesky(np.linalg.inv(matrix)).T

    def left(y, columns):
        design = whiten @ columns
        return float(np.sum((whiten @ y - design @ np.linalg.lstsq(design, whiten @ y, rcond=None)[0]) ** 2))

    for row in range(2):
        for start in range(2, n - 1):
            step = np.column_stack([np.ones(n), np.arange(n) >= start])
            expected = n * np.log(left(z[row], np.ones((n, 1))) / left(z[row], step))
            assert found[row, start] == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert np.isneginf(found[:, [0, 1, n - 1]]).all()


@pytest.mark.parametrize(("cycles", "faces"), [(4, 25), (12, 25)])
@pytest.mark.parametrize("differ", [0.0, 0.5, 1.0])
def test_cycles_that_differ_are_seldom_taken_for_a_step(cycles, faces, differ):
    p = np.array([listed(seed, cycles, faces, differ) for seed in range(60)])
    assert np.mean(p <= 0.05) <= 0.05 + 4 * (0.05 * 0.95 / 60) ** 0.5


@pytest.mark.parametrize(("differ", "step", "at"), [(0.0, 1.0, 150), (0.3, 1.5, 150), (0.5, 2.0, 162), (1.0, 3.0, 162)])
def test_a_step_is_seen_at_a_new_cycle_and_within_one(differ, step, at):
    p = np.array([listed(seed, 12, 25, differ, step, at) for seed in range(20)])
    assert np.mean(p <= 0.01) >= 0.7


def test_one_cycle_and_one_age_are_no_trouble():
    rng = np.random.default_rng(2)
    z, age, cycle = rng.normal(size=30), np.zeros(30), np.zeros(30, dtype=np.int64)
    assert 0 < cycle_change_p(z, age, cycle, cycle_spread(z, age, cycle)) <= 1
