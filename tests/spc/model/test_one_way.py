from fractions import Fraction

import numpy as np
import pytest

from spc.model.one_way import one_way


def test_unequal_groups_agree_with_scipy():
    from scipy.stats import f_oneway

    rng = np.random.default_rng(4)
    groups = np.repeat([0, 1, 2], [5, 9, 14])
    x = rng.normal(size=28) + 0.3 * groups
    found, other = one_way(x, groups), f_oneway(*(x[groups == k] for k in range(3)))
    f = float((found.between_ss / found.between_df) / (found.within_ss / found.within_df))
    assert f == pytest.approx(other.statistic, rel=1e-12)


@pytest.mark.parametrize("exponent", [-12, 0, 9])
def test_by_hand_at_any_scale(exponent):
    found = one_way([float(f"{digit}e{exponent}") for digit in (1, 2, -4, -7)], ["a", "a", "b", "b"])
    unit = Fraction(10) ** (2 * exponent)
    assert found.between_ss == 49 * unit and found.within_ss == 5 * unit  # means 1.5, -5.5, of all -2
    assert (found.between_df, found.within_df) == (1, 2)


def test_equal_readings_leave_exactly_nothing():
    found = one_way([0.1] * 30, np.repeat(np.arange(3), 10))
    assert found.between_ss == found.within_ss == 0


def test_bad_input():
    with pytest.raises(ValueError, match="`groups` must hold one id per reading"):
        one_way([1.0], [1, 2])
    with pytest.raises(ValueError, match="`groups` must hold one id per reading"):
        one_way([], [])
    with pytest.raises(ValueError, match="`values` must be finite, got inf at position 1"):
        one_way([1.0, np.inf], [1, 2])
