from dataclasses import replace

import numpy as np
import pytest

from spc.wear.path_reading import first_working
from spc.wear.path_scale import begins_elsewhere, fit_scale, stack_paths, unzeroed
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE

AGE = np.arange(1.0, 9)


def paths(*, limits=(2.0, 5.0), loads=(10.0, 40.0), parts=("pin", "seal")):
    rng = np.random.default_rng(3)
    return [
        wear_path(
            f"c{limit}", AGE, limit * np.exp(0.1 * AGE + 0.05 * rng.normal(size=AGE.size)), limit=limit,
            covariates=(load,), parts=[part] * AGE.size,
        )
        for limit, load, part in zip(limits, loads, parts, strict=True)
    ]  # fmt: skip


@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("name", list(SHAPE))
def test_readings_come_back_and_their_slope_is_that_of_differences(name, relative):
    scale = fit_scale(paths(), SHAPE[name], relative=relative, with_covariates=True)
    read, limit = np.array([0.7, 2.0, 5.5]), 3.0
    assert scale.reading_back(scale.reading_scaled(read, limit), limit) == pytest.approx(read)
    ends = [scale.reading_scaled(read + step, limit) for step in (1e-6, -1e-6)]
    assert scale.log_slope(read, limit) == pytest.approx(np.log((ends[0] - ends[1]) / 2e-6), abs=1e-6)


@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("name", ["exponential", "inverse", "power"])
def test_what_lies_below_zero_is_told_by_its_size_which_falls(name, relative):
    below = [replace(path, low=-path.high[::-1], high=-path.low[::-1], limit=-path.limit) for path in paths()]
    scale = fit_scale(below, SHAPE[name], relative=relative, with_covariates=True)
    read, limit = np.array([-5.5, -2.0, -0.7]), -0.5
    assert scale.mirrored and scale.takes(below[0]) and not scale.takes(paths()[0])
    assert (np.diff(scale.reading_scaled(read, limit)) > 0).all()
    assert scale.reading_back(scale.reading_scaled(read, limit), limit) == pytest.approx(read)
    ends = [scale.reading_scaled(read + step, limit) for step in (1e-6, -1e-6)]
    assert scale.log_slope(read, limit) == pytest.approx(np.log((ends[0] - ends[1]) / 2e-6), abs=1e-6)


@pytest.mark.parametrize("name", ["linear", "exponential"])
def test_the_group_has_centre_nought_spread_one_and_ages_to_one(name):
    group = paths()
    scale = fit_scale(group, SHAPE[name], relative=True, with_covariates=True)
    stack = stack_paths(group, scale)
    shares = np.concatenate([path.low / path.limit for path in group])
    own = np.log(shares) if name == "exponential" else shares  # by arithmetic, without the shape
    assert stack.low.ravel() == pytest.approx((own - own.mean()) / own.std())
    assert stack.age_scaled == pytest.approx(np.tile(AGE / 8, (2, 1)))
    assert stack.part.tolist() == [[0] * 8, [1] * 8] and scale.parts == ("pin", "seal")
    load = np.array([10, 40])
    (of_first,), (of_second,) = scale.covariates_scaled((10.0,)), scale.covariates_scaled((40.0,))
    assert [of_first, of_second] == pytest.approx((load - load.mean()) / load.std())
    assert stack.design[0].tolist() == [
        [1, of_first, 0, 0, 0, 0],
        [0, 0, 1, of_first, 0, 0],
        [0, 0, 0, 0, 1, 0],
        [0, 0, 0, 0, 0, 1],
    ]


def test_a_start_by_definition_is_no_reading_and_another_start_is_told():
    rng = np.random.default_rng(4)
    begun = [
        wear_path(f"c{i}", np.arange(6.0), np.concatenate([[0.3], 0.5 + rng.random(5).cumsum()])) for i in range(3)
    ]
    scale = fit_scale(begun, SHAPE["linear"], relative=False, with_covariates=False)
    assert (scale.zeroed_at, scale.zeroed_value) == (0.0, 0.3)
    assert stack_paths(begun, scale).count.tolist() == [5, 5, 5]
    other, later = (wear_path("o", [age, 7.0], [0.4, 0.9]) for age in (0.0, 1.0))
    assert [begins_elsewhere(path, 0.0, 0.3) for path in (begun[0], other, later)] == [False, True, False]
    assert unzeroed(other, 0.0, 0.3) is other and unzeroed(begun[0], 0.0, 0.3).age.tolist() == [1, 2, 3, 4, 5]
    unlike = [*begun[:2], other]  # not one value to the last digit
    assert np.isnan(fit_scale(unlike, SHAPE["linear"], relative=False, with_covariates=False).zeroed_at)


def test_a_shape_that_cannot_be_used_is_refused_in_words():
    at_nought = [wear_path("c", [1.0, 2.0], [0.0, 0.4])]
    assert fit_scale(at_nought, SHAPE["exponential"], relative=False, with_covariates=False) == (
        "needs readings on one side of zero"
    )
    of_one_age = [wear_path("c", [2.0], [0.4])]
    words = fit_scale(of_one_age, SHAPE["log"], relative=False, with_covariates=False)
    assert words == "needs readings at more than one age"


@pytest.mark.parametrize("shape", ["inverse", "inverse square"])
def test_a_reading_open_above_is_open_where_the_scale_has_an_end(shape):
    """Their scale ends where the reading is infinite: that end is no reading."""
    past = [wear_path(f"c{i}", [1, 2, 3], [2, 2, 2], [np.inf] * 3) for i in range(3)]
    scale = fit_scale(past, SHAPE[shape], relative=False, with_covariates=False)
    stack = stack_paths(past, scale)
    assert np.isinf(stack.high).all()
    assert first_working(stack)[0] == pytest.approx(np.zeros((3, 3)), abs=1e-9)
