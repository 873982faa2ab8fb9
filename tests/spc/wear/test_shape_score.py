import numpy as np
import pytest

from spc.wear.pooled import fit_pooled
from spc.wear.shape_score import shape_shares
from spc.wear.wear_path import wear_path


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
