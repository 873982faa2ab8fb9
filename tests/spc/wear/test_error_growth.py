"""How errors go with the size of a reading: against a general likelihood program, and errors that are planted."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm, t

from spc.wear.error_growth import ErrorGrowth, error_growth
from spc.wear.path_crossing import crossing_ages
from spc.wear.path_forecast import FuturePaths
from spc.wear.path_scale import fit_scale
from spc.wear.pooled import fit_pooled
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE

POWERS = np.arange(0, 3.25, 0.5)


def cycles(seed, *, power=0.0, noise=0.12, count=12, shape="linear", step=0.0, parts=None):
    """Cycles that wear from 0.7 to 2, their error going with a power of what is read."""
    rng = np.random.default_rng(seed)
    found = []
    for c in range(count):
        age = np.arange(1.0, 26.0)
        level, pace = 0.7 * np.exp(0.2 * rng.normal()), np.exp(0.25 * rng.normal())
        course = level * np.exp(0.04 * pace * age) if shape == "exponential" else level + 0.05 * pace * age
        of = rng.choice(len(parts), age.size) if parts else np.zeros(age.size, int)
        course = course * np.array(list(parts.values()))[of] if parts else course
        read = np.maximum(course + noise * course**power * rng.normal(size=age.size), 0.0)
        low = np.floor(read / step) * step if step else read
        names = [list(parts)[k] for k in of] if parts else ()
        found.append(wear_path(f"cycle {c}", age, low, low + step, parts=names))
    return found


def test_the_likelihoods_are_those_of_a_general_program():
    """Third differences by polynomials, Student's t by scipy, the scale of the errors by a search."""
    paths = cycles(1, power=1.0, count=4)
    away, size = [], []
    for path in paths:
        for at in range(path.age.size - 3):
            age, read = path.age[at : at + 4], path.low[at : at + 4]
            left = read - np.polyval(np.polyfit(age, read, 2), age)
            away.append(np.sqrt(left @ left))  # one dimension is left beside a parabola
            size.append(read.mean())
    away, size = np.array(away), np.array(size) / np.mean(size)
    for power, told in zip(POWERS, error_growth(paths).log_likelihood, strict=True):

        def minus(log_scale, power=power):
            scale = np.exp(log_scale) * size**power
            return -(t.logpdf(away / scale, 5) - np.log(scale)).sum()

        best = -minimize_scalar(minus, bounds=(-6, 1), method="bounded").fun + away.size * np.log(np.sqrt(5 * np.pi))
        assert told == pytest.approx(best / 2, abs=0.1)  # the scales are tried by steps


@pytest.mark.parametrize("step", [0.0, 0.15])
@pytest.mark.parametrize("shape", ["linear", "exponential"])
def test_planted_laws_of_error_are_told_whatever_the_shape_of_wear(shape, step):
    def powers(power, noise):
        told = [error_growth(cycles(s, power=power, noise=noise, shape=shape, step=step)) for s in range(40)]
        return [(one.on(SHAPE["linear"]), one.on(SHAPE["exponential"])) for one in told]

    alike = powers(0.0, 0.12)
    assert sum(line > 0 for line, _ in alike) <= 4 and sum(log == -1 for _, log in alike) >= 30
    grows = powers(1.0, 0.13)
    assert sum(line > 0 for line, _ in grows) >= 26 and sum(log < 0 for _, log in grows) <= 4


def test_part_numbers_that_read_higher_are_no_error():
    parts = {"pin": 1.0, "seal": 0.6, "ring": 1.5}
    told = [error_growth(cycles(seed, parts=parts, noise=0.05)) for seed in range(30)]
    assert sum(one.on(SHAPE["linear"]) > 0 for one in told) <= 3


def test_where_nothing_is_told_every_shape_keeps_its_own_law():
    few = cycles(1, count=1)[:1]
    below = [wear_path("bow", np.arange(30.0), np.linspace(-1, 1, 30) + 0.1 * np.sin(np.arange(30.0)))]
    one_age = [wear_path("visit", np.full(30, 3.0), np.linspace(1, 2, 30))]
    at_start = [wear_path("visit", np.zeros(30), np.linspace(1, 2, 30))]
    exact = [wear_path("exact", np.arange(30.0), np.full(30, 2.0))]
    short = [wear_path("c", [1.0, 2.0, 3.0], [1.0, 2.0, 2.5])] * 12
    unknown = [wear_path("c", np.arange(30.0), np.arange(30.0) ** 2, sign_known=np.zeros(30, bool))]
    for paths in ([], below, one_age, at_start, exact, short, unknown, [wear_path("none", (), ())]):
        assert error_growth(paths) == ErrorGrowth(())
    assert ErrorGrowth(()).on(SHAPE["inverse"]) == 0.0
    assert error_growth([wear_path("c", few[0].age[:14], few[0].low[:14])]) == ErrorGrowth(())


def test_the_law_does_not_hang_on_units():
    paths = cycles(4, power=1.0)
    scaled = [wear_path(p.label, 1e-4 * p.age, 1e6 * p.low) for p in paths]
    one, other = (np.array(error_growth(each).log_likelihood) for each in (paths, scaled))
    assert one - one[0] == pytest.approx(other - other[0], abs=1e-6)


def test_readings_of_one_age_tell_what_readings_close_together_tell():
    rng = np.random.default_rng(8)
    visits = np.repeat(np.arange(1.0, 13.0), 3)
    read = (0.5 + 0.2 * visits) * (1 + 0.1 * rng.normal(size=(6, visits.size)))
    one, close = (
        error_growth([wear_path("unit", visits + apart * np.tile(np.arange(3), 12), each) for each in read])
        for apart in (0.0, 1e-6)
    )
    assert one.log_likelihood == pytest.approx(close.log_likelihood, abs=0.05)
    assert one.on(SHAPE["linear"]) > 0


@pytest.mark.parametrize("name", ["linear", "exponential", "inverse", "inverse square"])
@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
def test_errors_carried_to_the_scale_of_a_shape_have_the_share_it_states(name, power):
    """By drawing readings: small errors, so that what bends between the scales hardly counts."""
    group = cycles(2)
    away = power - (1 - SHAPE[name].reading_power)
    scale = fit_scale(group, SHAPE[name], relative=False, with_covariates=False, error_power=away)
    rng, at = np.random.default_rng(3), np.array([0.7, 1.0, 1.4, 2.0])
    read = at + 0.002 * at**power * rng.normal(size=(40_000, 4))
    spread = scale.reading_scaled(read, np.nan).std(axis=0)
    share = np.sqrt(scale.error_share(scale.reading_scaled(at, np.nan)))
    assert spread / spread[1] == pytest.approx(share / share[1], rel=0.02)


def test_sizes_below_zero_have_the_law_and_the_shares_of_those_above():
    group = cycles(2, power=1.0)
    below = [wear_path(p.label, p.age, -p.low) for p in group]
    assert error_growth(below) == error_growth(group) != ErrorGrowth(())
    above, under = (
        fit_scale(each, SHAPE["inverse"], relative=False, with_covariates=False, error_power=-1.0)
        for each in (group, below)
    )
    at = np.array([0.8, 1.0, 1.6])
    one = above.error_share(above.reading_scaled(at, np.nan))
    assert under.error_share(under.reading_scaled(-at, np.nan)) == pytest.approx(one)
    assert np.isfinite(above.error_share(np.array([-1e9, 1e9]))).all()


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_the_next_face_exceeds_its_limit_in_one_of_ten(side):
    """Where the path is said to have got there: the upper tail of the normal law by scipy."""
    group = cycles(2, power=1.0)
    scale = fit_scale(group, SHAPE["linear"], relative=False, with_covariates=False, error_power=1.0)
    age = np.linspace(0, 100, 201)
    rises = side > 0
    path = scale.reading_scaled((0.5 + 0.02 * age if rises else 3.0 - 0.02 * age)[None], np.nan)
    future = FuturePaths(
        scale, age, path, np.array([0.2]), np.array([1e-12]), path[0, 0], np.nan, np.empty((1, 0)), np.zeros(1)
    )  # fmt: skip
    upper, lower = (2.0, None) if rises else (99.0, 1.5)
    reached = crossing_ages(future, upper, lower, "next face", np.random.default_rng(5))
    stands = np.interp(reached, age, path[0])[:, None]
    error = future.error_of(stands)
    limit = scale.reading_scaled(np.array([lower or upper]), np.nan)
    assert norm.sf(side * (limit - stands) / error) == pytest.approx(0.1, abs=1e-3)


def test_a_straight_line_whose_error_grows_is_not_taken_for_one_that_speeds_up():
    straight = 0
    for seed in range(6):
        pooled = fit_pooled(cycles(seed, power=1.0, noise=0.13), limit=2.5, rng=np.random.default_rng(seed))
        straight += pooled.shapes[0].scale.shape.straight and pooled.shapes[0].scale.error_power > 0
    assert straight >= 5


@pytest.mark.parametrize(
    ("power", "shape", "said"),
    [
        (1.0, "linear", "; the larger a reading, the larger its error, as past ones tell"),
        (0.0, "linear", ""),
        (0.0, "exponential", "; small and large readings err alike, as past ones tell"),
    ],
)
def test_a_forecast_says_how_readings_err_where_they_told_it(power, shape, said):
    *past, own = cycles(5, power=power, noise=0.05 if shape == "exponential" else 0.12, count=13, shape=shape)
    pooled = fit_pooled(past, limit=2.0, rng=np.random.default_rng(1))
    begun = wear_path("own", own.age[:8], own.low[:8])
    answer = time_to_limit(pooled, begun, limit=2.0, rng=np.random.default_rng(2))
    assert answer.borrowed == f"8 faces of its own, the rest from 12 past cycles{said}"
