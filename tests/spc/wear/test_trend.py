import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from spc.wear.trend import _critical, wear_trend
from spc.wear.wear_path import wear_path

# Kendall (1970), Rank Correlation Methods, table 1 (values from memory, checked by counting orders below): for 8
# readings a count of 16 has a one-sided probability of 0.031, 18 of 0.016; for 10, 21 has 0.036 and 23 has 0.023.


def test_critical_count_by_counting_every_order():
    from itertools import permutations

    for n in (4, 5, 6, 7):
        counts = []
        for order in permutations(range(n)):
            rank = np.array(order)
            counts.append(int(np.sign(rank[None, :] - rank[:, None])[np.triu_indices(n, 1)].sum()))
        away = np.abs(np.array(counts))
        most = _critical(n, 0.9)
        assert (away > most).mean() <= 0.1 < (away >= most).mean()


def test_critical_count_agrees_with_the_tabled_law():
    assert _critical(8, 0.9) == 14 and _critical(8, 0.95) == 16
    assert _critical(10, 0.9) == 19 and _critical(10, 0.95) == 21


def test_exact_readings_agree_with_scipy():
    rng = np.random.default_rng(1)
    age = np.arange(30.0)
    y = 0.1 * age + rng.normal(size=30)
    trend = wear_trend(wear_path("lap 1", age, y))
    slope, _, low, high = theilslopes(y, age, 0.9)
    assert trend.slope == pytest.approx(slope, rel=1e-9)
    assert [trend.low, trend.high] == pytest.approx([low, high], abs=0.003)  # scipy takes the normal law of the count
    assert trend.status == "rising" and kendalltau(age, y).pvalue < 0.1


def test_one_wild_reading_hardly_moves_it():
    age = np.arange(15.0)
    y = 1 + 0.05 * age
    y[7] = 40
    assert wear_trend(wear_path("lap 1", age, y)).slope == pytest.approx(0.05, abs=0.002)


def test_readings_within_one_step_show_no_trend():
    age = np.arange(10.0)
    trend = wear_trend(wear_path("lap 1", age, np.full(10, 0.75), np.full(10, 1.25)))
    assert trend.status == "not shown" and trend.low < 0 < trend.high and trend.slope == 0
    assert "no trend shown by 10 readings" in trend.sentence


def test_open_reading_counts_for_what_it_says():
    age = np.arange(8.0)
    low = np.array([0.5, 0.5, 1, 1, 1.5, 1.5, 2, 2])
    high = low + 0.25
    high[-1] = np.inf
    trend = wear_trend(wear_path("lap 1", age, low, high))
    assert trend.status == "rising" and 0.15 < trend.slope < 0.35


INF = float("inf")
BY_EIGHT = "no trend shown by 8 readings"


@pytest.mark.parametrize(
    ("low", "high", "told", "slope"),
    [
        ([2.0] * 8, [INF] * 8, f"{BY_EIGHT} (open above, they go with any slope)", None),
        ([0.2] + [2.0] * 7, [0.3] + [INF] * 7, f"{BY_EIGHT} (open above, they go with any slope)", 1.7),
        ([0.2] * 4 + [2.0] * 4, [0.3] * 4 + [INF] * 4, "wears by 0.496 um per face (0.05 um or more)", 0.496),
        ([2.0] * 4 + [0.2] * 4, [INF] * 4 + [0.3] * 4, "falls by 0.496 um per face (0.05 um or more)", -0.496),
        ([0.5] * 5 + [0.3] * 3, [0.6] * 5 + [INF] * 3, f"{BY_EIGHT} (-0.075 um per face or more)", 0.0),
        ([0.3] * 3 + [0.5] * 5, [INF] * 3 + [0.6] * 5, f"{BY_EIGHT} (0.075 um per face or less)", 0.0),
    ],
)
def test_readings_open_above_leave_the_interval_open(low, high, told, slope):
    trend = wear_trend(wear_path("open", range(8), low, high))
    assert trend.sentence == told and np.isinf([trend.low, trend.high]).any()
    assert np.isnan(trend.slope) if slope is None else trend.slope == pytest.approx(slope, abs=0.001)


def test_falling_wear_is_named():
    trend = wear_trend(wear_path("lap 1", np.arange(12.0), 5 - 0.2 * np.arange(12.0)))
    assert trend.status == "falling" and trend.sentence.startswith("falls by 0.2 um per face")


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_too_few_readings_say_how_many_are_needed(n):
    trend = wear_trend(wear_path("lap 1", np.arange(float(n)), np.arange(float(n))))
    assert trend.status == "too few" and "4 at different ages are needed" in trend.sentence


def test_one_age_only_is_too_few():
    assert wear_trend(wear_path("lap 1", np.zeros(9), np.arange(9.0))).status == "too few"


def test_level_is_checked():
    with pytest.raises(ValueError, match=r"`level` must be from 0.5 to below 1, got 1.2"):
        wear_trend(wear_path("lap 1", [0, 1], [0, 1]), level=1.2)
