import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.stats import norm

from spc.board.room import beyond_the_rest_p, further_than_the_room_p, room_alarm_of, room_test

SOURCES = Path(__file__).parents[2] / "sources"


def test_tail_of_the_order_statistic():  # second way: the beta law of an order statistic
    from scipy.stats import beta

    z = np.array([0.9, 1.0, 1.1, 1.2, 1.5, 1.7, 1.8, 2.0, 2.2, 2.5])
    found = room_test(z)
    # 10 laps: 6 must lie beyond; 3 may be bad, so the 3rd largest of the other 7, at the 5th smallest score 1.5
    expected = 2 * beta.sf(norm.cdf(1.5), 5, 3)
    assert found.p_value == pytest.approx(expected, rel=1e-9)


def test_names_direction_and_laps():
    z = [2.0, 1.8, 2.5, 1.9, 2.2, np.nan, 2.1, 1.7, -0.1, 2.4]
    found = room_test(z)
    assert (found.status, found.direction) == ("together", "worse")
    assert found.moved.tolist() == [True] * 5 + [False, True, True, False, True]
    alarm = room_alarm_of(found, tuple("abcdefghij"))
    assert alarm.laps == tuple("abcdeghj")
    assert "look at the room before any lap" in alarm.sentence
    assert room_test([-x for x in z]).direction == "better"


def test_a_few_very_bad_laps_are_not_the_room():
    z = np.array([30.0, 30.0, 30.0, 0.4, -0.2, 0.3, 0.9, -1.0, 0.1, 0.5])
    assert room_test(z, alpha=0.05).status == "no"
    assert room_alarm_of(room_test(z), tuple("abcdefghij")) is None


def test_laps_on_which_it_does_not_show_do_not_keep_the_alarm_down():
    found = room_test([5.0, 0.2, 4.0, 2.6, 5.1, 0.2, 7.3, 0.0])
    assert found.status == "together" and found.median_z == pytest.approx(3.3)
    assert room_test([5.0, 0.2, 4.0, -0.6, 0.1, 0.2, 7.3, 0.0]).status == "no"


def test_too_few_laps_is_said():
    found = room_test([3.0, 3.0, np.nan, 3.0])
    assert found.status == "too few laps"
    assert "3 laps with faces are too few" in found.sentence


def test_beyond_the_rest_takes_the_weaker_of_two_comparisons():
    z = np.array([3.0] * 8)  # all moved together: none stands out from the rest
    assert beyond_the_rest_p(z) == pytest.approx(0.5)
    z = np.array([3.0] + [0.0] * 8)  # one stands out: against the rest it is a little less sharp
    p = beyond_the_rest_p(z)
    assert norm.sf(3.0) < p[0] < 0.005
    low = np.array([0.0] + [-3.0] * 8)  # the rest got better: this one is as it always was
    assert beyond_the_rest_p(low)[0] == pytest.approx(0.5)
    assert math.isnan(beyond_the_rest_p([np.nan, 1, 1, 1, 1, 1])[0])


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`alpha` must be between 0 and 1"):
        room_test([0.0] * 6, alpha=0)
    with pytest.raises(ValueError, match="`z` must be one finite number per lap"):
        room_test([np.inf] * 6)
    with pytest.raises(ValueError, match="`laps` must name the 6 laps"):
        room_alarm_of(room_test([0.0] * 6), ("a",))


def test_a_lap_further_than_the_room_is_an_outlier_of_least_squares():
    """Second way: the externally studentized residual of a fit of the mean alone, by a library of regression."""
    import statsmodels.api as sm

    level = np.array([0.41, 0.52, 0.48, 1.10, 0.44, 0.57, 0.50])
    found = further_than_the_room_p(np.append(level, np.nan), np.full(8, 0.001))
    table = sm.OLS(level, np.ones((level.size, 1))).fit().outlier_test()
    one_sided = np.where(table[:, 0] > 0, table[:, 1] / 2, 1 - table[:, 1] / 2)
    assert found[:-1] == pytest.approx(one_sided, rel=1e-9) and np.isnan(found[-1])


def test_a_lap_further_than_the_room_is_judged_as_a_published_outlier():
    """The largest of Rosner's 54 readings; where these and the published 3.118 are from stands in the file."""
    level = np.loadtxt(SOURCES / "rosner_1983_example.csv", comments="#", skiprows=3)
    n, largest = level.size, int(level.argmax())
    p = further_than_the_room_p(level, np.full(n, 1e-9))[largest]
    t = stats.t.isf(p, n - 2)
    far = (n - 1) / n**0.5 * (t**2 / (n - 2 + t**2)) ** 0.5  # deviation from the mean of all, their sd
    assert far == pytest.approx(3.118, abs=1e-3)
    assert n * p > 0.025  # below the published critical value 3.158 of 5 %, both sides


def test_laps_that_all_read_one_value_are_measured_by_it():
    assert further_than_the_room_p([0.4] * 6, [0.0] * 6).tolist() == [1.0] * 6
    assert further_than_the_room_p([0.4] * 5 + [0.5], [0.0] * 6)[-1] == 0.0


def test_scatter_of_its_own_faces_keeps_a_lap_with_the_room():
    level = np.array([0.50, 0.51, 0.50, 0.49, 0.50, 0.56])
    assert further_than_the_room_p(level, np.full(6, 0.001))[-1] < 0.001
    assert further_than_the_room_p(level, np.full(6, 0.05))[-1] > 0.1
    assert np.isnan(further_than_the_room_p(level[:4], np.full(4, 0.05))).all()
