import numpy as np
import pytest

from spc.chart.change_point import change_point
from spc.chart.interval_change import interval_change_point


def half_bands(rng, n, *, start=None, ratio=1.0):
    x = np.exp(np.log(0.8) + 0.5 * rng.normal(size=n))
    if start is not None:
        x[start:] *= ratio
    r = np.round(x / 0.5) * 0.5
    return np.maximum(0.0, r - 0.25), r + 0.25


def test_exact_readings_agree_with_least_squares():  # second way: closed form of the normal law, up to the grid
    rng = np.random.default_rng(20)
    x = np.exp(rng.normal(size=80))
    x[50:] *= 3
    ours, normal = interval_change_point(x, x), change_point(np.log(x), kinds=("mean",))
    assert ours.changes[0].start == normal.changes[0].start
    assert ours.changes[0].ratio == pytest.approx(normal.changes[0].ratio, abs=0.5)
    assert np.log(ours.changes[0].after) == pytest.approx(normal.changes[0].after, abs=0.1)


def test_finds_a_doubling_in_half_bands():
    found = interval_change_point(*half_bands(np.random.default_rng(21), 100, start=60, ratio=2.0))
    assert found.status == "change"
    assert 60 in found.changes[0].set_start
    assert found.changes[0].after / found.changes[0].before == pytest.approx(2.0, rel=0.35)


def test_below_the_step_counts_as_below():
    low = np.array([0.0] * 20 + [1.0] * 20)
    high = np.array([0.5] * 20 + [2.0] * 20)
    found = interval_change_point(low, high).changes[0]
    assert found.start == 20
    assert found.before < 0.5
    assert 1.0 < found.after < 2.0


def test_signed_readings_on_the_plain_scale():
    rng = np.random.default_rng(22)
    z = rng.normal(size=60)
    z[30:] -= 3
    found = interval_change_point(z - 0.1, z + 0.1, scale="plain").changes[0]
    assert 30 in found.set_start
    assert found.size_sd < -2


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ([0.0] * 40, [0.5] * 40, "All 40 readings are the same interval"),
        ([0.5], [0.5], "from 1 readings"),
        ([], [], "from 0 readings"),
        ([0.0] * 5001, [0.5] * 5001, "at most 5,000"),
    ],
)
def test_says_so_when_nothing_can_be_said(low, high, words):
    found = interval_change_point(low, high)
    assert found.status == "refused"
    assert words in found.sentence


def test_open_above_and_far_out_stay_finite():
    low, high = half_bands(np.random.default_rng(23), 40)
    low[5], high[5] = 2.0, np.inf
    low[6], high[6] = 1e9, 1e9 + 1
    assert 0 < interval_change_point(low, high).p_value <= 1


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`low` must not be above `high`, got 2.0 and 1.0 at reading 1"):
        interval_change_point([2.0] * 10, [1.0] * 10)
    with pytest.raises(ValueError, match="`low` and `high` must not be NaN"):
        interval_change_point([np.nan] * 10, [1.0] * 10)
    with pytest.raises(ValueError, match="`scale` must be 'log' or 'plain'"):
        interval_change_point([1.0] * 10, [1.0] * 10, scale="root")
    with pytest.raises(ValueError, match="use scale='plain'"):
        interval_change_point([-1.0] * 10, [1.0] * 10)
