"""Factors of part numbers: against a general least-squares program, and cycles whose truth is planted."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from spc.wear.part_factors import by_factors, part_factors
from spc.wear.wear_path import wear_path

PARTS = np.array(["A", "B", "C"])
STEP = 0.05


def cycles(seed, *, count=12, faces=30, factors=(1.0, 1.0, 1.0), steps=(0.0, 0.0, 0.0), noise=0.03, step=STEP):
    """Cycles of three part numbers that read higher by so many times, and by so many micrometres."""
    rng = np.random.default_rng(seed)
    found = []
    for c in range(count):
        age = np.arange(float(faces))
        course = 0.3 * np.exp(0.1 * rng.normal()) + 0.012 * np.exp(0.2 * rng.normal()) * age
        part = rng.choice(3, faces, p=[0.5, 0.3, 0.2])
        size = np.array(factors)[part] * course + np.array(steps)[part] + noise * rng.normal(size=faces)
        low = np.maximum(np.floor(size / step), 0.0) * step if step else np.maximum(size, 0.0)
        found.append(wear_path(f"cycle {c}", age, low, low + step, parts=PARTS[part].tolist()))
    return found


def test_factors_are_those_of_a_general_least_squares_program():
    paths = cycles(1, count=3, faces=20, factors=(1.0, 0.7, 1.4), step=0.0)
    found = part_factors(paths)
    y = np.concatenate([p.low for p in paths])
    cycle = np.repeat(np.arange(3), 20)
    part = np.searchsorted(PARTS, np.concatenate([p.parts for p in paths]))
    t = np.tile(np.arange(20.0) / 19.0, 3)

    def left(terms):
        course = sum(terms[3 * cycle + k] * t**k for k in range(3))
        return y - np.append(1.0, terms[9:])[part] * course

    fitted = least_squares(left, np.r_[np.tile([0.3, 0.2, 0.0], 3), 1.0, 1.0], xtol=1e-12, ftol=1e-12).x[9:]
    for name, expected in zip("BC", fitted, strict=True):
        assert found[name] / found["A"] == pytest.approx(expected, rel=1e-4)
    read = [found[name] for path in paths for name in path.parts]
    assert np.mean(np.log(read)) == pytest.approx(0.0, abs=1e-12)


def test_factors_planted_are_found_and_steps_are_not_taken_for_them():
    said = [part_factors(cycles(seed, factors=(1.0, 0.7, 1.3))) for seed in range(20)]
    assert sum(bool(one) for one in said) >= 18
    ratios = [one["C"] / one["B"] for one in said if one]
    assert np.mean(ratios) == pytest.approx(1.3 / 0.7, rel=0.03)
    assert sum(bool(part_factors(cycles(seed, steps=(0.0, -0.1, 0.1)))) for seed in range(40)) <= 4
    assert sum(bool(part_factors(cycles(seed))) for seed in range(40)) <= 2


def test_a_path_is_divided_by_what_is_known():
    path = wear_path("one", [0, 1, 2], [0.2, 0.4, 0.6], [0.3, 0.5, np.inf], parts=["A", "B", "new"])
    usual = by_factors(path, {"A": 2.0, "B": 0.5})
    assert usual.low.tolist() == [0.1, 0.8, 0.6] and usual.high.tolist() == [0.15, 1.0, np.inf]
    assert by_factors(path, {}) is path


@pytest.mark.parametrize(
    "paths",
    [
        [],
        cycles(3, count=1, faces=4),
        [wear_path("no parts", range(30), np.linspace(0.2, 0.6, 30))],
        [wear_path("one part", range(30), np.linspace(0.2, 0.6, 30), parts=["A"] * 30)],
        [wear_path("all equal", range(30), np.zeros(30), parts=["A", "B"] * 15)],
        [wear_path("one age", np.zeros(30), np.linspace(0.2, 0.6, 30), parts=["A", "B"] * 15)],
        [wear_path("open", range(30), np.full(30, 0.5), np.full(30, np.inf), parts=["A", "B"] * 15)],
        [wear_path("never together", range(30), np.linspace(0.2, 0.6, 30), parts=["A"] * 15 + ["B"] * 15)],
    ],
)
def test_too_little_says_nothing(paths):
    assert part_factors(paths) == {}
