import numpy as np
import pytest
from scipy.stats import linregress, t

from spc.wear.signed_path import (
    carries_signs,
    goes_through_flat,
    heads_for_flat,
    many_go_through_flat,
    signed_path,
    sizes_go_through_flat,
    ways_through_flat,
)
from spc.wear.wear_path import until_limit, wear_path


def path(bow, **options):
    bow = np.asarray(bow, float)
    size, age = np.abs(bow), np.arange(float(bow.size))
    shape = options.get("shape", np.where(bow > 0, "convex", "concave"))
    return signed_path("a cycle", age, np.maximum(size - 0.05, 0), size + 0.05, shape)


def noisy(start, drift, n, seed=1):
    return start + drift * np.arange(n) + 0.05 * np.random.default_rng(seed).standard_normal(n)


def test_sizes_get_their_sign_and_what_has_none_is_left_out():
    found = signed_path(
        "a", [0, 1, 2, 3, 4], [0.1, 0.2, 0.3, 0.4, np.nan], [0.2, 0.3, 0.4, 0.5, np.nan],
        ["convex", "concave", "", "twist", "convex"], parts=["P", "Q", "R", "S", "T"],
    )  # fmt: skip
    assert found.age.tolist() == [0, 1] and found.parts == ("P", "Q")
    assert found.low.tolist() == [0.1, -0.3] and found.high.tolist() == [0.2, -0.2]
    assert found.sign_known.all()


def test_what_is_open_above_stays_so_and_its_neighbours_tell_the_sign():
    found = signed_path("a", [0, 1, 2], [1.0, 1.0, 1.0], [np.inf] * 3, ["convex", "concave", ""])
    assert found.low.tolist() == [1.0] * 3 and np.isinf(found.high).all()
    assert found.sign_known.tolist() == [True, False, False]


def test_enough_signs_are_three_and_a_quarter_of_all():
    three = path([0.2, 0.3, 0.4])
    assert carries_signs(three, 12) and not carries_signs(three, 13)
    assert not carries_signs(path([0.2, 0.3]), 2)


def test_both_sides_of_flat():
    assert goes_through_flat(path([-0.3, -0.2, -0.1, 0.1, 0.2, 0.3]))
    assert not goes_through_flat(path([-0.3, -0.2, -0.1, -0.1, 0.2, 0.3]))  # two may be slips of the pen
    assert not goes_through_flat(path([-0.3] * 40 + [0.1] * 3))  # so may three of many


def test_a_line_heads_for_flat_as_the_t_law_of_its_end_says():  # second way
    for seed in range(12):
        bow = noisy(-0.35, 0.012, 10, seed)
        age = np.arange(10.0)
        fit = linregress(age, bow)
        rest = bow - fit.intercept - fit.slope * age
        spread = np.sqrt(rest @ rest / 8 * (1 / 10 + (30 - 4.5) ** 2 / np.sum((age - 4.5) ** 2)))
        end = fit.intercept + 30 * fit.slope
        assert heads_for_flat(path(bow), 30.0) == bool(end > 0 and t.cdf(end / spread, 8) >= 0.95)


@pytest.mark.parametrize(("start", "drift", "heads"), [(-0.35, 0.03, True), (-0.35, -0.03, False), (0.4, 0.0, False)])
def test_what_grows_or_holds_does_not_head_for_flat(start, drift, heads):
    assert heads_for_flat(path(noisy(start, drift, 12)), 30.0) is heads
    assert not heads_for_flat(path(noisy(start, drift, 4)), 30.0)  # too few for a line


def test_faces_convex_and_concave_by_turns_go_through_nothing():
    sizes = 5.0 + 0.5 * np.random.default_rng(2).standard_normal(24)
    by_turns = np.where(np.random.default_rng(3).random(24) < 0.3, "concave", "convex")
    assert not goes_through_flat(path(sizes, shape=by_turns))
    assert goes_through_flat(path(noisy(-0.35, 0.03, 24)))


def test_a_third_of_the_past_cycles_is_many():
    turning, steady = path(noisy(-0.35, 0.03, 24)), path(noisy(-0.35, 0.0, 24))
    assert many_go_through_flat(ways_through_flat([turning, turning, *[steady] * 4], 24.0))
    assert not many_go_through_flat(ways_through_flat([turning, turning, *[steady] * 5], 24.0))
    assert not many_go_through_flat(ways_through_flat([turning, steady], 24.0))  # one cycle alone may be a slip
    assert not many_go_through_flat(ways_through_flat([], 24.0))


def test_a_signed_path_is_cut_at_either_limit():
    down = path([-0.5, -0.9, -1.2, -1.3, -1.4])
    assert until_limit(down, 1.0, -1.0).age.size == 4
    assert until_limit(down, 1.0).age.size == 5


@pytest.mark.parametrize(
    ("start", "drift", "n", "step", "turned"),
    [
        (-0.35, 0.012, 110, 0.01, True),
        (-0.35, 0.012, 110, 0.15, True),  # half a band
        (-0.2, 0.012, 100, 0.01, True),
        (-0.35, 0.012, 20, 0.01, True),  # has only fallen, and reaches nothing before it is as old as others get
        (0.25, 0.006, 70, 0.01, False),
        (0.25, 0.006, 70, 0.15, False),
        (0.05, 0.01, 90, 0.01, False),
        (0.3, 0.0, 80, 0.01, False),
        (0.9, -0.004, 80, 0.01, False),  # laps in: falls, and to nothing only far beyond the age of the others
    ],
)
def test_sizes_alone_tell_a_form_that_went_through_flat(start, drift, n, step, turned):
    for seed in range(20):
        size = np.round(np.abs(noisy(start, drift, n, seed)) / step) * step
        found = wear_path("a", np.arange(float(n)), np.maximum(size - step / 2, 0), size + step / 2)
        assert sizes_go_through_flat(found, 80.0) is turned


@pytest.mark.parametrize(
    "growth",
    [lambda age: 0.1 + 0.0003 * age**2, lambda age: 0.2 + 0.03 * np.maximum(age - 40, 0), lambda age: 0.015 * age],
)
def test_sizes_that_turn_steep_did_not_go_through_flat(growth):
    """Of 100 cycles that only grow, at most a few are taken to go through flat; a line and a straight V call most."""
    rng = np.random.default_rng(6)
    age = np.arange(1.0, 61.0, 2.0)
    called = 0
    for _ in range(100):
        size = np.abs(growth(age) + 0.05 * rng.standard_normal(age.size))
        called += sizes_go_through_flat(wear_path("a", age, size, size), 60.0)
    assert called <= 5
