"""Restarts against a second route: every pair of places tried, each fitted by least squares on its own."""

from itertools import combinations

import numpy as np
import pytest

from spc.wear.restarts import find_restarts, place_restart


def sawtooth(rng, lengths, *, rise, noise):
    age = np.concatenate([np.arange(float(n)) for n in lengths])
    return np.arange(float(age.size)), 1.0 + rise * age + rng.normal(0, noise, age.size), np.cumsum(lengths)[:-1]


def squares(age, sign, cuts):
    """Sum of squares about one line that starts again at the cuts, by a solver."""
    begun = np.array([max([age[c] for c in cuts if c <= i], default=age[0]) for i in range(age.size)])
    design = np.column_stack([np.ones(age.size), age - begun])
    (_, slope), rest, *_ = np.linalg.lstsq(design, sign, rcond=None)
    return float(rest[0]) if slope > 0 else np.inf


@pytest.mark.parametrize("seed", range(4))
def test_two_restarts_are_the_best_pair_of_all(seed):
    age, sign, _ = sawtooth(np.random.default_rng(seed), [10, 9, 11], rise=0.1, noise=0.15)
    pairs = [(a, b) for a, b in combinations(range(4, 27), 2) if b - a >= 4]
    best = min(pairs, key=lambda pair: squares(age, sign, pair))
    assert tuple(one.place for one in find_restarts(age, sign)) == best


def test_each_is_told_with_its_fall_and_what_is_lost_without_it():
    age, sign, places = sawtooth(np.random.default_rng(11), [20, 15], rise=0.1, noise=0.01)
    (one,) = find_restarts(age, sign)
    assert one.place == places[0]
    assert one.fall == pytest.approx(0.1 * 20, abs=0.02)
    plain = np.sum((sign - np.polyval(np.polyfit(age, sign, 1), age)) ** 2)
    most = 0.5 * age.size * np.log(plain / squares(age, sign, places))
    assert 0.5 * most < one.strength <= most * (1 + 1e-9)  # no more than it, and less where neighbours are tied


@pytest.mark.parametrize(("lengths", "rise", "noise"), [([36] * 7, 0.035, 0.15), ([18, 30, 12, 25, 40], 0.05, 0.2)])
def test_many_restarts_in_a_row_are_all_found(lengths, rise, noise):
    age, sign, places = sawtooth(np.random.default_rng(3), lengths, rise=rise, noise=noise)
    assert [one.place for one in find_restarts(age, sign)] == places.tolist()


def test_unread_faces_and_the_age_at_the_start_make_no_odds():
    age, sign, places = sawtooth(np.random.default_rng(4), [20, 20, 20], rise=0.08, noise=0.1)
    sign[[3, 30]] = np.nan
    found = find_restarts(age, sign)
    assert [one.place for one in found] == places.tolist()
    again = find_restarts(age + 70, sign - 5)
    assert [one.place for one in again] == places.tolist()
    assert again[0].strength == pytest.approx(found[0].strength, rel=1e-9)


@pytest.mark.parametrize(
    "sign", [np.full(30, 0.3), np.full(30, np.nan), np.arange(30.0), -np.arange(30.0), np.arange(11.0) % 4]
)
def test_nothing_restarts_in_a_line_and_in_a_few_faces(sign):
    assert find_restarts(np.arange(float(sign.size)), sign) == ()


def test_growth_that_slows_down_is_no_restart():
    """A straight line fits long cycles that slow down badly, and one that begins again less badly."""
    rng, age = np.random.default_rng(21), np.arange(200.0)
    grown = np.log(0.15 + 0.2 * np.sqrt(age))
    suspected = sum(bool(find_restarts(age, grown + rng.normal(0, 0.15, age.size))) for _ in range(60))
    assert suspected <= 3  # stated: one sound cycle in 50
    fresh = np.log(0.15 + 0.2 * np.sqrt(np.tile(np.arange(50.0), 4)))
    found = find_restarts(age, fresh + rng.normal(0, 0.15, age.size))
    assert [one.place for one in found] == pytest.approx([50, 100, 150], abs=1)


@pytest.mark.parametrize("step", [0.0, 0.147])
def test_wear_that_is_flat_and_then_steep_does_not_start_again(step):
    """Many restarts and then none would look alike: at most one sound cycle in 50 is to be suspected."""
    rng, age = np.random.default_rng(11), np.arange(130.0)
    true = 0.3 + 0.1 * age / 130 + 0.016 * np.maximum(age - 90, 0.0)
    read = true * np.exp(0.25 * rng.normal(size=(60, 130)))
    read = np.maximum(np.round(read / step), 0.5) * step if step else read
    assert sum(bool(find_restarts(age, one)) for one in np.log(read)) <= 2


def test_a_restart_known_to_be_within_a_range_is_placed_or_not_told():
    rng = np.random.default_rng(3)
    for slope, least, most in ((0.05, 0.85, 1.0), (0.0, 0.0, 0.02)):
        told, near = 0, 0
        for _ in range(200):
            before, after, wide = rng.integers(12, 30), rng.integers(3, 20), rng.integers(4, 14)
            age = np.concatenate([np.arange(before), np.arange(after)])
            first = max(0, before - rng.integers(0, wide + 1))
            found = place_restart(
                np.arange(age.size, dtype=float), slope * age + rng.normal(0, 0.2, age.size), first,
                min(age.size, first + wide),
            )  # fmt: skip
            told += found is not None
            near += found is not None and found.earliest <= before <= found.latest
        assert least <= told / 200 <= most
        assert near >= 0.97 * told or slope == 0.0  # where nothing wears there is no place to tell
