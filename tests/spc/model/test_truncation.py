import math

import numpy as np
import pytest

from spc.model.truncation import check_cut_off, reading_edge_um
from tests.honesty.laws import read_on_step


def lapped_until_good(median, n, rng, *, limit=2.0, step=0.5):
    x = rng.lognormal(np.log(median), 0.5, 8 * n)
    low, high = read_on_step(x, step)
    good = (low + high) / 2 <= limit
    return low[good][:n], high[good][:n]


def test_planted_cut_is_found_and_the_first_pass_share_bracketed():
    # First-pass median 1.6, log sd 0.5: the share reading 2.0 or less is P(x < 2.25) = 0.752.
    result = check_cut_off(*lapped_until_good(1.6, 400, np.random.default_rng(1)), 2.0)
    assert result.status == "cut off" and result.p_value < 0.05 and result.power > 0.8
    assert result.cut_um == pytest.approx(2.25)
    assert result.first_pass_low < 0.752 < result.first_pass_high
    assert "lapped until good" in result.sentence


def test_first_pass_figures_of_lapping_until_good():
    # Lapping until 2 bands or less, each pass lognormal 0.5 (own calculation, closed form): first-pass median 0.8,
    # 1.2, 1.6, 2.0 gives first-pass yield 0.97, 0.85, 0.67, 0.50 and final median 0.78, 1.09, 1.30, 1.43.
    from spc.model.families import FAMILIES

    law, shape = FAMILIES["lognormal"], np.asarray(np.log(0.5))
    for median, share, final in [(0.8, 0.97, 0.78), (1.2, 0.85, 1.09), (1.6, 0.67, 1.30), (2.0, 0.50, 1.43)]:
        kept = float(law.cdf(np.asarray(2.0 / median), shape))
        assert kept == pytest.approx(share, abs=0.005)
        assert median * float(law.ppf(np.asarray(kept / 2), shape)) == pytest.approx(final, abs=0.006)


def test_readings_far_below_the_limit_are_not_cut_off():
    low, high = read_on_step(np.random.default_rng(2).lognormal(np.log(0.5), 0.3, 200), 0.25)
    result = check_cut_off(low, high, 2.0)
    assert result.status == "not cut off" and result.cut is None


def test_a_reading_beyond_the_limit_settles_it():
    low, high = read_on_step(np.random.default_rng(3).lognormal(0.3, 0.5, 200), 0.5)
    result = check_cut_off(low, high, 2.0)
    assert result.status == "not cut off" and result.beyond > 0 and "beyond the limit" in result.sentence


def test_or_more_readings_count_as_beyond():
    low, high = lapped_until_good(1.2, 60, np.random.default_rng(4))
    result = check_cut_off(np.append(low, 2.0), np.append(high, np.inf), 2.0)
    assert result.beyond == 1 and result.status == "not cut off"


def test_few_readings_cannot_say_and_give_the_power():
    result = check_cut_off(*lapped_until_good(0.9, 20, np.random.default_rng(5)), 2.0)
    assert result.status == "cannot say" and result.power < 0.8 and "cannot tell" in result.sentence


def test_alike_readings_cannot_say():
    result = check_cut_off([0.75] * 10, [1.25] * 10, 2.0)
    assert result.status == "cannot say" and math.isnan(result.p_value)


@pytest.mark.parametrize(
    ("step", "limit", "edge"),
    [(0.5, 2.0, 2.25), (0.5, 1.9, 1.75), (0.25, 2.0, 2.125), (0.1, 2.0, 2.05), (0.0, 2.0, 2.0)],
)
@pytest.mark.parametrize("unit", [1.0, 1e-12, 1e9])
def test_edge_of_the_last_reading_within_the_limit(step, limit, edge, unit):
    low, high = read_on_step(np.linspace(0.3, 1.8, 40), step)
    assert reading_edge_um(low * unit, high * unit, limit * unit) == pytest.approx(edge * unit)


@pytest.mark.parametrize("limit", [0.0, -1.0, math.nan, math.inf])
def test_refuses_bad_limits(limit):
    with pytest.raises(ValueError, match="`limit_um` must be a finite number greater than 0"):
        check_cut_off([1.0], [1.5], limit)
