"""The course that past cycles have in common: found where it is known, and used where nothing else tells the wear."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from spc.wear.pool_without import pool_without
from spc.wear.pooled import fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import time_to_limit
from spc.wear.usual_course import course_of_others, course_on, usual_course
from spc.wear.wear_path import wear_path
from tests.honesty.wear_cell import COURSES, LIMIT, SCENES, lap_in_use, past_cycles

AGE = np.arange(31.0)


def bent(age):
    """Flat at first, then as steep as ten times that; it bends at an age that is a knot."""
    return 0.01 * age + 0.09 * np.maximum(age - 18.0, 0.0)


def cycles(count=6, *, level=lambda k: 0.4 + 0.1 * k, upto=lambda k: 31, **more):
    return [wear_path(f"c{k}", AGE[: upto(k)], level(k) + bent(AGE[: upto(k)]), **more) for k in range(count)]


def rise(course, age):
    return course.age(np.asarray(age, dtype=np.float64), 0.0)


def test_the_course_is_found_whatever_the_levels():
    course = usual_course(cycles())
    assert rise(course, AGE) - rise(course, [0.0]) == pytest.approx(bent(AGE) - bent(0.0), abs=1e-9)
    assert (course.reading_power, course.straight, course.needs_positive) == (1.0, False, False)


def test_it_goes_on_before_and_after_what_was_read_as_it_does_at_its_ends():
    course = usual_course([replace(path, age=path.age + 5.0) for path in cycles()])
    assert np.diff(rise(course, [0.0, 5.0])) == pytest.approx(0.05)
    assert np.diff(rise(course, [35.0, 45.0])) == pytest.approx(1.0)


def test_its_slopes_are_those_of_bounded_least_squares():
    """A second route: the same readings, solved with bounds by another algorithm."""
    rng = np.random.default_rng(4)
    noisy = [
        replace(path, low=(noise := path.low + 0.05 * rng.standard_normal(path.age.size)), high=noise)
        for path in cycles(7, upto=lambda k: 20 + 2 * k)
    ]
    course = usual_course(noisy)
    knots, far = np.array(course.course).T
    most = np.append(np.diff(knots)[:-1], np.inf)
    ways = [np.clip(path.age[:, None] - knots[:-1], 0.0, most) for path in noisy]
    columns = np.vstack([way - way.mean(axis=0) for way in ways])
    right = np.concatenate([path.low - path.low.mean() for path in noisy])
    slopes = lsq_linear(columns, right, bounds=(0.0, np.inf), tol=1e-12).x
    length = np.diff(knots)
    least = 0.05 * float(slopes @ length) / length.sum()  # a course never stands still
    assert np.diff(far) / length == pytest.approx(np.maximum(slopes, least), abs=1e-6)


def test_part_numbers_read_at_levels_of_their_own():
    parts = tuple("AB"[k % 2] for k in range(31))
    read = [
        replace(path, parts=parts, low=(y := path.low + np.where(np.array(parts) == "B", 0.5, 0.0)), high=y)
        for path in cycles()
    ]
    course = usual_course(read)
    assert rise(course, AGE) - rise(course, [0.0]) == pytest.approx(bent(AGE) - bent(0.0), abs=1e-9)


def test_shares_of_the_limit_are_told_as_such():
    read = [replace(path, low=path.low * k, high=path.high * k, limit=2.0 * k) for k, path in enumerate(cycles(), 1)]
    course = usual_course(read, relative=True)
    assert rise(course, [30.0]) - rise(course, [0.0]) == pytest.approx((bent(30.0) - bent(0.0)) / 2)


def test_a_start_by_definition_is_no_reading_of_the_course():
    led = [
        replace(path, age=np.append(-1.0, path.age), low=np.append(0.2, path.low), high=np.append(0.2, path.high))
        for path in cycles()
    ]
    assert usual_course(led) == usual_course(cycles())


def test_readings_open_on_one_side_stand_at_their_closed_end():
    path = cycles()[0]
    above = [replace(each, high=np.full(31, np.inf)) for each in cycles()]
    below = [replace(each, low=np.full(31, -np.inf)) for each in cycles()]
    assert usual_course(above) == usual_course(below) == usual_course([path, *cycles()[1:]])


@pytest.mark.parametrize(
    "past", [cycles(4), [replace(p, low=-p.low, high=-p.high) for p in cycles()], cycles(upto=lambda k: 3)]
)
def test_none_is_found_where_cycles_are_few_or_fall_or_were_read_at_few_ages(past):
    assert usual_course(past) is None


def test_the_last_piece_ends_where_three_cycles_were_read():
    """One cycle that outlived all others does not say how they would have gone on."""
    one_long = cycles(upto=lambda k: 31 if k == 0 else 22)
    assert usual_course(one_long).course[-1][0] == 21.0


def test_each_cycle_has_the_course_of_cycles_it_is_not_among():
    """Cycles that rise in one step, each at an age of its own: the course of the others does not have its step."""
    steps = [wear_path(f"c{k}", AGE, 0.4 + 0.001 * AGE + (AGE > 4 + 4 * k)) for k in range(6)]
    for path, course in zip(steps, course_of_others(steps), strict=True):
        others = [other for other in steps if other is not path]
        alone = usual_course(others, least=5)
        assert [far for _, far in course.course] == pytest.approx([far for _, far in alone.course], abs=1e-9)
        assert course != usual_course(steps)
    many = course_of_others(cycles(30))
    assert len({id(course) for course in many}) == 12 and many[0] is many[12] is many[24]
    assert course_of_others(cycles(4)) is None


def test_laps_that_turn_steep_at_one_age_are_foreseen_by_it_and_straight_ones_hardly():
    rng = np.random.default_rng(6)
    share = []
    for scene in (COURSES[12], SCENES["usual"]):
        past, (own, truth, _) = past_cycles(scene, rng), lap_in_use(scene, rng)
        pooled = fit_pooled(past, limit=LIMIT, rng=np.random.default_rng(1))
        share.append(sum(shape.share for shape in pooled.shapes if shape.scale.shape.course))
        if scene is COURSES[12]:
            told = time_to_limit(with_own_way(pooled, own, rng=rng), own, limit=LIMIT, rng=rng)
            assert told.low <= truth <= told.high and told.high - told.low < 12
    assert share[0] > 0.9 and share[1] < 0.3


def test_the_pool_without_a_cycle_has_the_course_of_the_others():
    past = past_cycles(COURSES[8], np.random.default_rng(9))
    pooled = fit_pooled(past, limit=LIMIT, rng=np.random.default_rng(1))
    found = pool_without(pooled, rng=np.random.default_rng(2))
    assert sum(rest is not None for rest in found) >= 4
    for unit, rest in enumerate(found):
        if rest is None:
            continue
        (shape,) = [one for one in rest.shapes if one.scale.shape.course]
        assert shape.scale.shape == usual_course(rest.past) != pooled.shapes[0].scale.shape
        oldest = max(float(path.age[-1]) for path in pooled.past)
        assert shape.scale.age_scaled(np.array([oldest])) == pytest.approx([1.0]), unit
        assert shape.scale == course_on(pooled.shapes[0].scale, shape.scale.shape, oldest)
