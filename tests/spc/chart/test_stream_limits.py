import numpy as np
import pytest

from spc.chart.individuals import local_spread
from spc.chart.stream_limits import stream_limits


@pytest.mark.parametrize("block", [64, 1 << 17])
def test_agrees_stream_by_stream(block, monkeypatch):
    monkeypatch.setattr("spc.chart.stream_limits.BLOCK", block)
    rng = np.random.default_rng(1)
    n = 3000
    streams = rng.integers(0, 7, n)
    streams[streams == 5] = 6  # one code without readings
    x = rng.normal(1e6 ** (streams % 3), 1.0)
    x[rng.random(n) < 0.05] = np.nan
    segments = np.cumsum(rng.random(n) < 0.01)
    found = stream_limits(x, streams, segments=segments)
    for k in range(7):
        mine = streams == k
        alone = local_spread(x[mine], segments=segments[mine])
        assert (found.n[k], found.ranges[k]) == (alone.n, alone.ranges)
        assert found.centre[k] == pytest.approx(alone.centre, rel=1e-13)
        assert found.sigma[k] == pytest.approx(alone.sigma, rel=1e-12)
        assert found.zero_share[k] == pytest.approx(alone.zero_share)
    assert np.isinf(found.upper[5]) and found.sigma[5] == 0.0


def test_order_of_rows_within_streams_is_kept():
    rng = np.random.default_rng(2)
    x, streams = rng.normal(size=500), rng.integers(0, 4, 500)
    order = np.argsort(streams, kind="stable")
    mixed, sorted_ = stream_limits(x, streams), stream_limits(x[order], streams[order])
    assert mixed.sigma == pytest.approx(sorted_.sigma, rel=1e-12)


def test_constant_and_short_streams_have_no_limits():
    found = stream_limits([1.0, 1.0, 1.0, 5.0, 6.0], [0, 0, 0, 1, 1], sides="upper")
    assert found.sigma.tolist() == [0.0, 0.0]
    assert np.isinf(found.upper).all() and np.isneginf(found.lower).all()
    assert stream_limits([], np.array([], dtype=int)).n.size == 0


def test_refusals():
    with pytest.raises(ValueError, match="`streams` must hold one whole number per reading"):
        stream_limits([1.0], [0.5])
    with pytest.raises(ValueError, match="`streams` must be 0 or more, got -1"):
        stream_limits([1.0], [-1])
    with pytest.raises(ValueError, match="`segments` must hold one id per reading"):
        stream_limits([1.0], [0], segments=[1, 2])
