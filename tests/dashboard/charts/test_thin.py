import numpy as np
import pytest

from dashboard.charts.thin import thin


def test_short_series_stay_whole():
    low = np.arange(10.0)
    np.testing.assert_array_equal(thin(low, low, np.zeros(10, dtype=bool), most=10), np.arange(10))


def test_extremes_and_kept_readings_survive():
    rng = np.random.default_rng(3)
    low = rng.normal(size=100_000)
    high = low + 1.0
    keep = np.zeros(low.size, dtype=bool)
    keep[[5, 77_777]] = True
    rows = thin(low, high, keep, most=1_000)
    assert rows.size <= 1_002
    assert int(low.argmin()) in rows and int(high.argmax()) in rows and {5, 77_777} <= set(rows.tolist())
    assert (np.diff(rows) > 0).all()


def test_an_open_reading_counts_as_highest():
    high = np.ones(1_000)
    high[400] = np.inf
    assert 400 in thin(np.zeros(1_000), high, np.zeros(1_000, dtype=bool), most=20)


def test_refuses_fewer_than_two():
    with pytest.raises(ValueError, match=r"`most` must be at least 2, got 1"):
        thin(np.zeros(3), np.zeros(3), np.zeros(3, dtype=bool), most=1)
