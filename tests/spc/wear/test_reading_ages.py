import numpy as np
import pytest

from spc.wear.reading_ages import ages_of_readings
from spc.wear.unit_forecast import UnitPools
from spc.wear.wear_path import wear_path


def path_at(*age):
    return wear_path("a", age, np.zeros(len(age)))


def visited(visits, each, apart):
    """Ages of so many readings at each visit, so far apart within it; ten from visit to visit."""
    return np.repeat(10.0 * np.arange(1, visits + 1), each) + apart * np.tile(np.arange(each), visits)


def test_readings_go_on_in_steps_as_they_came():
    ages, together = ages_of_readings([path_at(*range(1, 11))], path_at(1, 2, 3), 3.0, 33.0)
    assert ages.tolist() == list(range(3, 34)) and together == 1


def test_steps_that_grow_with_age_are_no_visits():
    ages, _ = ages_of_readings([path_at(1, 10, 100, 1000, 10_000)] * 6, path_at(1, 10), 10.0, 20_000.0)
    assert ages.tolist() == [10, 100, 1000, 10_000, 19_000, 28_000]


@pytest.mark.parametrize("apart", [0.0, 1e-6, 0.001, 0.5])
def test_readings_of_one_visit_come_together_again(apart):
    whole = visited(7, 3, apart)
    ages, together = ages_of_readings([path_at(*whole)] * 2, path_at(*whole[:5]), 20.0, 50.0)
    assert ages.tolist() == [20, 30, 30, 30, 40, 40, 40, 50, 50, 50] and together == 1


@pytest.mark.parametrize("each", [1, 3])
def test_of_many_readings_several_are_drawn_as_one_and_none_is_left_over(each):
    whole = visited(500, each, 0.001)
    ages, together = ages_of_readings([path_at(*whole)], path_at(*whole[:6]), whole[5], 15_000.0)
    assert ages.size <= 401 and together > 1 and ages[-1] >= 15_000
    assert (ages.size - 1) * together == pytest.approx(each * (15_000 - whole[5]) / 10, abs=each + 2 * together)


def test_a_unit_that_lasts_a_blink_beside_others_takes_no_endless_steps():
    blink, others = path_at(*(1e-9 * np.arange(1, 50))), path_at(*(10.0 * np.arange(1, 50)))
    ages, _ = ages_of_readings([blink, others], path_at(1e-9, 2e-9), 2e-9, 1500.0)
    assert ages.size <= 401 and ages[-1] >= 1500


def test_three_readings_at_a_visit_tell_what_they_tell_at_one_clock_value():
    """A limit is not reached by the three hundred readings that ten clock counts hold at a visit's own pace."""
    answers = []
    for apart in (0.0, 0.01):
        draw, paths = np.random.default_rng(5), []
        for name in range(6):
            age = visited(10, 3, apart)
            wear = 2 + 0.05 * np.exp(0.2 * draw.normal()) * age + 0.3 * draw.normal(size=age.size)
            paths.append(wear_path(str(name), age, wear, limit=9.0))
        answers.append(UnitPools(paths, seed=1).forecast(0, paths[0]))
    one, other = ([answer.now + end for end in (answer.low, answer.median, answer.high)] for answer in answers)
    assert other == pytest.approx(one, rel=0.03)
