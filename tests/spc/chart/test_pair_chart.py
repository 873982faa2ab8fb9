import numpy as np
import pytest
from scipy.special import ndtr

from spc.chart.ewma import ewma_values
from spc.chart.pair_chart import pair_chart


def watch(z, **settings):
    z = np.asarray(z, dtype=float)
    options = {"alpha": 0.00135, "weight": 0.2, "average_limit_z": 1.0} | settings
    return pair_chart(z, ndtr(-z), **options)


def test_average_is_the_drifting_average_while_nothing_signals():  # second way: the chart of its own
    z = np.random.default_rng(30).normal(size=200)
    for side in ("upper", "lower", "both"):
        ours = watch(z, side=side, average_limit_z=50.0, alpha=1e-12, starts=[70])
        theirs = ewma_values(z, weight=0.2, sides=side, segments=np.arange(200) >= 70)
        assert ours.average == pytest.approx(theirs, abs=1e-12)


def test_a_call_is_one_call_and_the_average_starts_anew():
    # average after k points of 2: 2 (1 - 0.8^k) > 1 first at k = 4 (closed form)
    found = watch([2.0] * 10)
    assert np.flatnonzero(found.drifting).tolist() == [3, 7]
    assert found.since[[3, 7]].tolist() == [0, 4]
    assert not found.beyond.any()


def test_a_point_beyond_the_limit_restarts_the_average():
    found = watch([2.0, 2.0, 3.5, 2.0, 2.0, 2.0])
    assert np.flatnonzero(found.beyond).tolist() == [2]
    assert found.average[3] == pytest.approx(0.4)


def test_begins_where_the_average_left_its_centre():
    found = watch([-1.0, -1.0, 2.0, 2.0, 2.0, 2.0])
    assert np.flatnonzero(found.drifting).tolist() == [5]
    assert found.since[5] == 2


def test_missing_points_carry_over_and_never_signal():
    found = watch([2.0, np.nan, 2.0, 2.0, np.nan, 2.0])
    assert np.flatnonzero(found.drifting).tolist() == [5]
    assert found.average[1] == found.average[0]


def test_lower_side_watches_downwards():
    z = np.full(5, -2.0)
    found = pair_chart(z, ndtr(z), alpha=0.03, weight=0.2, average_limit_z=5.0, side="lower")
    assert found.beyond.all()
    assert found.average[0] == pytest.approx(-0.4)


def test_nothing_in_nothing_out():
    assert watch([]).average.size == 0


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="of one length"):
        pair_chart([1.0], [0.1, 0.2], alpha=0.1, weight=0.2, average_limit_z=1.0)
    with pytest.raises(ValueError, match="`side` must be one of upper, lower, both"):
        watch([1.0], side="up")
    with pytest.raises(ValueError, match="`alpha` must be between 0 and 1"):
        watch([1.0], alpha=0.0)
    with pytest.raises(ValueError, match="`weight` must be in"):
        watch([1.0], weight=0.0)


@pytest.mark.parametrize("side", ["upper", "lower", "both"])
def test_no_drift_begins_at_a_point_that_was_not_measured(side):
    good = 0.0 if side == "both" else -1.0  # held back at the centre, or there
    z = np.array([good, good, np.nan, 2.0, 2.0, 2.0, np.nan, 2.0, 2.0, 2.0])
    z = -z if side == "lower" else z
    found = pair_chart(z, np.ones(z.size), alpha=0.001, weight=0.2, average_limit_z=0.9, side=side)
    assert np.flatnonzero(found.drifting).tolist() == [5, 9]
    assert found.since[[5, 9]].tolist() == [3, 7]
