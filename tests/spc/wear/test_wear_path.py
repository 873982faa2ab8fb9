import numpy as np
import pytest

from spc.wear.path_shape import SHAPES, shape_named
from spc.wear.wear_path import wear_path


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


def test_unknown_shape_lists_the_known():
    with pytest.raises(ValueError, match="must be one of linear, square root"):
        shape_named("cubic")
