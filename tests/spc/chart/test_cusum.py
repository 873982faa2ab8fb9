import numpy as np
import pytest
from scipy.stats import lognorm, norm

from spc.chart.cusum import cusum_chart, cusum_values, interval_log_ratio, last_zero, log_ratio_cusum
from spc.chart.run_length import cusum_run_length
from spc.chart.step_chain import step_cusum_run_length


def plain(increments, head=0.0, fresh=()):
    total, out = head, []
    for place, value in enumerate(increments):
        if place in fresh:
            total = head
        total = max(0.0, total + value)
        out.append(total)
    return np.array(out)


def test_agrees_with_the_recursion_written_out():
    x = np.random.default_rng(1).normal(-0.3, 1.0, 20_000)
    assert cusum_values(x) == pytest.approx(plain(x), abs=1e-10)
    segments = np.arange(x.size) // 700
    fresh = set(range(0, x.size, 700))
    assert cusum_values(x, head=2.0, segments=segments) == pytest.approx(plain(x, 2.0, fresh), abs=1e-10)


def test_missing_reading_leaves_the_sum_alone():
    assert cusum_values([]).size == 0
    assert cusum_values([1.0, np.nan, 1.0]) == pytest.approx([1.0, np.nan, 2.0], nan_ok=True)


def test_change_is_placed_after_the_last_zero():
    z = np.concatenate([np.full(10, -1.0), np.full(6, 2.0)])
    chart = cusum_chart(z, centre=0, sigma=1, decision_sd=4.0)
    assert chart.high_since == 10
    assert chart.low_since == -1
    assert chart.high.signals[0].index.tolist() == [12, 13, 14, 15]
    assert last_zero(np.array([0.0, 1.0, 0.0]), starts=np.array([0])) == -1
    assert last_zero(np.array([5.0, 1.0, 2.0]), starts=np.array([0, 1])) == 1


def test_no_change_is_placed_at_a_face_that_was_not_measured():
    first = np.array([0])
    assert last_zero(np.array([1.0, 0.0, np.nan]), starts=first) == -1
    assert last_zero(np.array([np.nan, np.nan]), starts=first) == -1
    assert last_zero(np.array([0.0, np.nan, 2.0, np.nan]), starts=first) == 2
    z = [-1.0, -1.0, np.nan, 2.0, 2.0, 2.0, np.nan]
    assert cusum_chart(z, centre=0, sigma=1, decision_sd=4.0, sides="upper").high_since == 3


def test_fast_start_speaks_sooner():
    z = np.full(5, 1.5)
    slow = cusum_chart(z, centre=0, sigma=1, decision_sd=4.0, sides="upper")
    fast = cusum_chart(z, centre=0, sigma=1, decision_sd=4.0, sides="upper", head_start=0.5)
    assert slow.low is None
    assert fast.high.signals[0].index[0] == 2 and slow.high.signals[0].index[0] == 4


@pytest.mark.parametrize(("values", "status"), [([], "too few"), ([1.0, 2.0], "too few"), ([2.0] * 8, "no spread")])
def test_too_little_is_a_worded_status(values, status):
    assert cusum_chart(values).high.status == status


def test_ratio_uses_the_interval_as_it_is():
    calm, moved = lognorm(0.5, scale=1.0), lognorm(0.5, scale=1.5)
    ratio = interval_log_ratio(
        [0.0, 0.5, 2.0, 1.2, np.nan], [0.5, 1.0, np.inf, 1.2, np.nan], in_control_cdf=calm.cdf, shifted_cdf=moved.cdf
    )
    expected = [
        np.log(moved.cdf(0.5) / calm.cdf(0.5)),
        np.log((moved.cdf(1) - moved.cdf(0.5)) / (calm.cdf(1) - calm.cdf(0.5))),
        np.log(moved.sf(2) / calm.sf(2)),
        moved.logpdf(1.2) - calm.logpdf(1.2),
    ]
    assert ratio[:4] == pytest.approx(expected, rel=1e-5)
    assert np.isnan(ratio[4])


def test_ratio_of_impossible_readings_stays_finite():
    ratio = interval_log_ratio([50.0, 90.0], [51.0, 91.0], in_control_cdf=norm.cdf, shifted_cdf=norm(50).cdf)
    assert ratio[0] == 20.0  # as much as one reading may say
    assert ratio[1] == 0.0


def test_run_length_on_steps_agrees_with_counting_and_with_fine_steps():
    edges = np.concatenate([[-np.inf], np.arange(-4, 4.1, 0.5), [np.inf]])
    calm, moved = np.diff(norm.cdf(edges)), np.diff(norm.cdf(edges - 1))
    increments = np.log(moved / calm)
    found = step_cusum_run_length(increments, calm, decision=3.0)
    rng = np.random.default_rng(2)
    runs = 6000
    total, length, going, point = np.zeros(runs), np.zeros(runs), np.arange(runs), 0
    while going.size:
        point += 1
        total = np.maximum(total + rng.choice(increments, going.size, p=calm), 0.0)
        out = total > 3.0
        length[going[out]] = point
        going, total = going[~out], total[~out]
    assert found.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)
    fine = np.arange(-6.0, 6.0, 0.01)
    law = np.diff(norm.cdf(np.append(fine, 6.0)))
    normal = step_cusum_run_length(fine + 0.005 - 0.5, law / law.sum(), decision=4.0)
    assert normal.average == pytest.approx(cusum_run_length(0.5, 4.0, sides="upper").average, rel=0.005)


def test_log_ratio_chart_states_its_rate():
    increments = np.array([-0.5, 1.0, 1.0, 1.0, 1.0])
    run_length = step_cusum_run_length([-0.5, 1.0], [0.8, 0.2], decision=3.0)
    chart = log_ratio_cusum(increments, decision=3.0, run_length=run_length)
    assert chart.signals[0].index.tolist() == [4]
    assert chart.alarms.startswith("one false alarm in about")
    assert "has not been computed" in log_ratio_cusum(increments, decision=3.0).alarms


def test_refusals():
    with pytest.raises(ValueError, match="`low` must not lie above `high`.*at position 0"):
        interval_log_ratio([2.0], [1.0], in_control_cdf=norm.cdf, shifted_cdf=norm.cdf)
    with pytest.raises(ValueError, match="`probabilities` must be 0 or more and add to 1"):
        step_cusum_run_length([1.0, -1.0], [0.5, 0.6], decision=3.0)
    with pytest.raises(ValueError, match="`head` must be"):
        cusum_values([1.0], head=-1)
