import numpy as np
import pytest

from spc.wear.path_shape import SHAPES
from spc.wear.wear_path import MOST_READINGS, thinned, wear_path


def test_readings_not_measured_are_left_out_with_their_parts():
    path = wear_path("c", [1, 2, 3], [0.5, np.nan, 1.5], [0.75, np.nan, np.inf], parts=["a", "b", "a"])
    assert path.age.tolist() == [1, 3] and path.parts == ("a", "a") and path.high[-1] == np.inf


@pytest.mark.parametrize(
    ("age", "low", "high", "words"),
    [
        ([1, 3, 2], [1, 1, 1], None, "must not jump back: reading 3 has age 2 after 3; a clock that restarts"),
        ([-1, 2], [1, 1], None, "must be 0 or more at every reading, got -1"),
        ([1, 2], [2, 1], [1, 2], "must be finite and not above `high`, got 2 to 1 in reading 1"),
        ([1, 2], [1], None, "must be of one length"),
    ],
)
def test_bad_paths_are_refused(age, low, high, words):
    with pytest.raises(ValueError, match=words):
        wear_path("lap 3, cycle 2", age, low, high)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_every_shape_goes_there_and_back(shape):
    y = np.array([0.3, 1.0, 2.5, 7.0])
    scaled = shape.reading(y)
    assert (np.diff(scaled) > 0).all()
    assert shape.back(scaled) == pytest.approx(y)
    slope = (shape.reading(y + 1e-6) - shape.reading(y - 1e-6)) / 2e-6
    assert np.exp(shape.log_slope(y)) == pytest.approx(slope, rel=1e-6)
    assert (np.diff(shape.age(np.array([0.0, 1.0, 2.0, 8.0]), 1.0)) > 0).all()


def test_few_readings_are_left_as_they_are():
    path = wear_path("c", np.arange(MOST_READINGS), np.ones(MOST_READINGS))
    assert thinned(path) is path


@pytest.mark.parametrize("size", [601, 1000, 1001, 4499, 41_670])
def test_of_many_readings_the_newest_stay_and_older_ones_evenly(size):
    ages = np.arange(size, dtype=float)
    path = thinned(wear_path("c", ages, ages, ages + 1, parts=[str(n) for n in range(size)]))
    assert MOST_READINGS // 2 < path.age.size <= MOST_READINGS
    older = path.age[: path.age.size - 200]
    assert path.age[-200:].tolist() == ages[-200:].tolist()
    assert older[0] == 0 and np.unique(np.diff(older)).size == 1
    assert path.low.tolist() == path.age.tolist() and path.parts == tuple(f"{age:.0f}" for age in path.age)


def test_a_reading_more_leaves_the_older_ones_chosen_as_they_were():
    ages = np.arange(3000.0)
    before, after = (thinned(wear_path("c", ages[:n], ages[:n])).age for n in (2800, 2801))
    assert set(before[before < 2600]) <= set(after)
