"""Part numbers set apart from the wear of the lap: by a second route, and where they cannot be told from it."""

import numpy as np
import pytest

from spc.wear.part_offsets import without_parts


def cell(rng, offsets, *, faces=30, cycles=6, noise=0.1):
    age, stretch = np.tile(np.arange(float(faces)), cycles), np.repeat(np.arange(cycles), faces)
    part = rng.integers(len(offsets), size=age.size)
    line = rng.normal(0, 0.3, cycles)[stretch] + (0.02 + 0.005 * rng.normal(size=cycles))[stretch] * age
    return line + np.asarray(offsets)[part] + rng.normal(0, noise, age.size), age, stretch, part


def test_offsets_are_those_of_the_whole_regression():
    """Second route: dummies of parts and of lines in one least squares, then moments for the spread between parts."""
    rng = np.random.default_rng(1)
    value, age, stretch, part = cell(rng, [-0.3, 0.0, 0.1, 0.4])
    lines = np.zeros((value.size, 12))
    rows = np.arange(value.size)
    lines[rows, 2 * stretch], lines[rows, 2 * stretch + 1] = 1.0, age
    dummies = np.eye(4)[part]
    x = np.column_stack([lines, dummies])
    fit = np.linalg.lstsq(x, value, rcond=None)[0]
    noise = np.sum((value - x @ fit) ** 2) / (value.size - np.linalg.matrix_rank(x))
    centred = np.eye(4) - 0.25
    left = dummies - lines @ np.linalg.lstsq(lines, dummies, rcond=None)[0]
    error = noise * np.diag(centred @ np.linalg.pinv(left.T @ left) @ centred)
    offset, weight = fit[12:] - fit[12:].mean(), 1 / error
    centre = np.sum(weight * offset) / weight.sum()
    q = np.sum(weight * (offset - centre) ** 2)
    between = max(0.0, (q - 3) / (weight.sum() - np.sum(weight**2) / weight.sum()))
    expected = between / (between + error) * (offset - centre)
    taken = value - without_parts(value, age, stretch, part)
    for k in range(4):
        assert np.ptp(taken[part == k]) < 1e-9
        assert taken[part == k][0] == pytest.approx(expected[k], abs=0.0051)  # told in steps of 1 %


def test_parts_that_are_alike_are_mostly_left_as_they_are():
    moved = []
    for seed in range(40):
        value, age, stretch, part = cell(np.random.default_rng(seed), [0.0, 0.0, 0.0])
        moved.append(np.abs(value - without_parts(value, age, stretch, part)).max())
    assert np.mean(np.array(moved) < 0.011) > 0.7 and max(moved) < 0.06


def test_a_part_lapped_late_only_is_not_taken_for_a_large_one():
    rng = np.random.default_rng(3)
    age, stretch = np.tile(np.arange(30.0), 4), np.repeat(np.arange(4), 30)
    part = (age >= 20).astype(int)
    value = 0.05 * age + rng.normal(0, 0.1, age.size)
    assert np.abs(value - without_parts(value, age, stretch, part)).max() < 0.05  # 20 faces of wear are 1.0


def test_little_says_nothing():
    one = np.array([0.1, np.nan, 0.3])
    for part in ([0, 0, 0], [0, 1, 2]):
        out = without_parts(one, np.arange(3.0), np.zeros(3, int), np.array(part))
        assert np.array_equal(out, one, equal_nan=True)
    assert without_parts(np.empty(0), np.empty(0), np.empty(0, int), np.empty(0, int)).size == 0
