import numpy as np
import pytest
from scipy.stats import lognorm, norm

from spc.chart.interval_cusum import interval_cusum_chart, reading_cells
from spc.chart.run_length import cusum_run_length

CALM, MOVED = lognorm(0.5, scale=0.8), lognorm(0.5, scale=1.2)


def read(x, step):
    """Half-band readings as intervals: the nearest multiple, half a step either side, nothing below 0."""
    middle = step * np.round(x / step)
    return np.maximum(middle - step / 2, 0.0), middle + step / 2


def test_stated_average_agrees_with_counting_on_the_steps_of_the_reading():
    rng = np.random.default_rng(1)
    low, high = read(CALM.rvs(400_000, random_state=rng), 0.5)
    found = interval_cusum_chart(low, high, in_control_cdf=CALM.cdf, shifted_cdf=MOVED.cdf, step=0.5, average=150)
    assert found.chart.run_length.average >= 150
    from spc.chart.cusum import interval_log_ratio

    ratio = interval_log_ratio(low, high, in_control_cdf=CALM.cdf, shifted_cdf=MOVED.cdf)
    lengths, total, since = [], 0.0, 0
    for value in ratio:  # counted afresh after each signal
        total, since = max(0.0, total + value), since + 1
        if total > found.decision:
            lengths.append(since)
            total, since = 0.0, 0
    error = np.std(lengths) / len(lengths) ** 0.5
    assert found.chart.run_length.average == pytest.approx(np.mean(lengths), abs=4 * error)


def test_fine_normal_readings_give_the_plain_sum():
    """The log ratio of two normal laws one sd apart is z - 1/2: decision and run lengths are those of that sum."""
    calm, moved = norm(20, 1), norm(21, 1)
    low = high = np.array([20.0, 21.5, 22.0])
    found = interval_cusum_chart(
        low, high, in_control_cdf=calm.cdf, shifted_cdf=moved.cdf, step=None, lowest=10.0, average=335.37
    )
    assert found.decision == pytest.approx(4.0, abs=0.01)
    assert found.shifted_average == pytest.approx(
        cusum_run_length(0.5, 4.0, sides="upper", shift_sd=1).average, rel=0.01
    )
    assert found.chart.value == pytest.approx([0.0, 1.0, 2.5], abs=1e-5)
    assert found.since == 1


def test_a_drifting_lap_is_seen_and_placed():
    rng = np.random.default_rng(3)
    x = np.concatenate([CALM.rvs(80, random_state=rng), MOVED.rvs(60, random_state=rng)])
    low, high = read(x, 0.5)
    found = interval_cusum_chart(
        low, high, in_control_cdf=CALM.cdf, shifted_cdf=MOVED.cdf, step=0.5, average=300, head_start=0.5
    )
    assert found.chart.signals[0].index.size and found.chart.signals[0].index[0] > 80
    assert 70 <= found.since <= 100
    assert "seen after about" in found.chart.signals[0].words


def test_cells_follow_the_reading():
    edges = reading_cells(CALM.cdf, MOVED.cdf, step=0.5)
    assert edges[:3].tolist() == [0.0, 0.25, 0.75] and np.isinf(edges[-1])
    assert MOVED.sf(edges[-2]) <= 1e-9 < MOVED.sf(edges[-3])


def test_empty_and_refused():
    found = interval_cusum_chart([], [], in_control_cdf=CALM.cdf, shifted_cdf=MOVED.cdf, step=0.5)
    assert found.chart.status == "too few" and found.since == -1
    with pytest.raises(ValueError, match="must rise to 1"):
        reading_cells(lambda x: 0.0 * x, MOVED.cdf, step=0.5)
    with pytest.raises(ValueError, match="`step` must be a finite number greater than 0"):
        reading_cells(CALM.cdf, MOVED.cdf, step=0.0)
    with pytest.raises(ValueError, match="`increments` must be able to rise above 0"):
        interval_cusum_chart([], [], in_control_cdf=CALM.cdf, shifted_cdf=CALM.cdf, step=0.5)
