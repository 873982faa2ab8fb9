import re
from dataclasses import replace

import numpy as np
import pytest

from spc.wear.path_shape import SHAPES, halfway_shapes

BY_NAME = {shape.name: shape for shape in SHAPES}


@pytest.mark.parametrize(
    ("name", "between"),
    [
        ("inverse", {"reading to the power -1.5", "reading to the power -0.5"}),
        ("square", {"age to the power 1.75"}),
        ("linear", {"age to the power 0.75", "age to the power 1.25", "reading to the power 0.5"}),
    ],
)
def test_a_shape_between_two_is_named_by_what_is_raised_to_which_power(name, between):
    found = set(halfway_shapes(BY_NAME[name], SHAPES))
    assert {shape.name for shape in found} == between
    for shape in found:
        power = float(re.search(r"-?[\d.]+$", shape.name)[0])
        assert power == (shape.reading_power if shape.name.startswith("reading") else shape.age_power)


@pytest.mark.parametrize(
    ("name", "near", "hopeless", "between"),
    [
        ("inverse", {"inverse square"}, {"exponential"}, {"reading to the power -1.5", "reading to the power -0.5"}),
        ("inverse", {"inverse square"}, set(), {"reading to the power -0.5"}),
        ("inverse square", {"inverse"}, {"exponential"}, {"reading to the power -1.5"}),
        ("inverse square", {"inverse"}, set(), set()),
    ],
)
def test_between_two_that_are_as_good_with_a_third_far_behind_a_better_one_is_looked_for(name, near, hopeless, between):
    found = halfway_shapes(BY_NAME[name], SHAPES, *({BY_NAME[n] for n in names} for names in (near, hopeless)))
    assert {shape.name for shape in found} == between


@pytest.mark.parametrize(
    ("fitted", "near", "between"),
    [
        (2.0, set(), {1.75, 3.0}),
        (2.0, {"three halves"}, set()),
        (3.0, set(), {2.5, 3.5}),
        (1.5, set(), {1.25, 1.75}),
    ],
)
def test_readings_about_zero_may_speed_up_more_than_any_shape_offered(fitted, near, between):
    offered = [s for s in SHAPES if not s.needs_positive and s.age_power != fitted]
    best = replace(BY_NAME["square"], age_power=fitted)
    found = halfway_shapes(best, [*offered, best], {BY_NAME[n] for n in near})
    assert {(shape.reading_power, shape.age_power) for shape in found} == {(1.0, power) for power in between}
    above_zero = {shape.age_power for shape in halfway_shapes(BY_NAME["square"], SHAPES)}
    assert max(above_zero) < 2


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_reading_comes_back_from_its_scale(shape):
    reading = np.array([0.1, 1.0, 3.7])
    assert shape.back(shape.reading(reading)) == pytest.approx(reading, rel=1e-12)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_what_large_readings_differ_by_is_not_lost(shape):
    """Beside a million every shape is a straight line: the middle of two readings stays the middle on its scale."""
    low, middle, high = shape.reading(1e6 + np.array([0.0, 1.0, 2.0]))
    assert (middle - low) / (high - low) == pytest.approx(0.5, abs=1e-5)
