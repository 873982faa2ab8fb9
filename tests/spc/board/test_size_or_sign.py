import numpy as np
import pytest

from spc.board.lap_paths import CyclePaths, past_until
from spc.board.size_or_sign import way_of_reading
from spc.wear.signed_path import signed_path
from spc.wear.wear_path import wear_path


def cycle(start, drift, n, seed=1, signs=True, label="a"):
    bow = start + drift * np.arange(n) + 0.04 * np.random.default_rng(seed).standard_normal(n)
    size, age = np.abs(bow), np.arange(float(n))
    shape = np.where(bow > 0, "convex", "concave") if signs else np.full(n, "")
    low, high = np.maximum(size - 0.02, 0), size + 0.02
    return CyclePaths(wear_path(label, age, low, high), signed_path(label, age, low, high, shape))


STEADY = past_until(tuple(cycle(-0.35, -0.005, 24, c) for c in range(6)), 1.0)
TURNING = past_until(tuple(cycle(-0.35, 0.03, 24, c) for c in range(6)), 1.0)


@pytest.mark.parametrize(
    ("own", "past", "signed", "apart"),
    [
        (cycle(-0.35, -0.005, 12), STEADY, False, False),
        (cycle(-0.35, 0.03, 12), STEADY, True, True),  # heads for flat as no past cycle did
        (cycle(-0.35, 0.03, 24), STEADY, True, True),  # has been on both sides
        (cycle(-0.35, 0.03, 12), TURNING, True, False),
        (cycle(-0.35, 0.03, 2), TURNING, True, False),  # hardly begun: as past cycles went
        (cycle(-0.35, 0.03, 12, signs=False), STEADY, False, False),
    ],
)
def test_the_sign_counts_where_the_form_goes_through_flat(own, past, signed, apart):
    found = way_of_reading(own, past, turning=False)
    assert (found.signed, found.apart, found.refused) == (signed, apart, "")


def test_a_form_said_to_be_turning_is_never_forecast_by_its_size():
    assert way_of_reading(cycle(-0.35, -0.005, 12), STEADY, turning=True).signed


def test_how_many_past_cycles_went_through_flat_is_said_as_it_is():
    assert STEADY.few_through_flat == "no past cycle went through flat as this one does"
    few = past_until((cycle(-0.35, 0.03, 24, 9), *(cycle(-0.35, -0.005, 24, c) for c in range(6))), 1.0)
    assert way_of_reading(cycle(-0.35, 0.03, 24), few, turning=False).apart
    assert few.few_through_flat == "only 1 of 7 past cycles went through flat as this one does"


def test_without_a_sign_where_cycles_turn_nothing_is_said():
    found = way_of_reading(cycle(-0.35, 0.03, 12, signs=False), TURNING, turning=False)
    assert not found.signed
    assert "do not say convex or concave; log the form with every reading" in found.refused


def unsigned(lap, start, drift, cycles=6, n=40):
    labels = [f"{lap}, cycle {c}" for c in range(cycles)]
    return tuple(cycle(start, drift, n, c, signs=False, label=name) for c, name in enumerate(labels))


SISTER = tuple(cycle(-0.35, 0.03, 40, c, label=f"CI-4, cycle {c}") for c in range(4))  # all go through flat


def test_a_lap_without_signs_whose_own_past_did_not_turn_is_read_by_size_beside_a_sister_that_turns():
    past = past_until((*unsigned("CI-1", 0.25, 0.01), *SISTER), 1.0)
    now = cycle(0.25, 0.01, 12, signs=False, label="CI-1, this cycle")
    found = way_of_reading(now, past, turning=False)
    assert past.turning and (found.signed, found.apart, found.refused) == (False, False, "")
    hardly_begun = cycle(0.25, 0.01, 1, signs=False, label="CI-1, this cycle")
    assert not way_of_reading(hardly_begun, past, turning=False).signed
    assert [path.label for path in past.pool(signed=False)[1]] == [f"CI-1, cycle {c}" for c in range(6)]
    assert [path.label for path in past.pool(signed=True)[1]] == [f"CI-4, cycle {c}" for c in range(4)]
    assert way_of_reading(SISTER[0], past, turning=False).signed  # the sister goes on with its signs


@pytest.mark.parametrize(
    ("own", "before"),
    [
        (
            cycle(0.25, 0.01, 12, signs=False, label="CI-1, this cycle"),
            unsigned("CI-1", -0.35, 0.03),
        ),  # fell, then grew
        (cycle(0.25, 0.01, 12, signs=False, label="CI-1, this cycle"), unsigned("CI-1", -0.35, 0.01, n=25)),  # fell
        (cycle(-0.35, 0.03, 30, signs=False, label="CI-1, this cycle"), unsigned("CI-1", 0.25, 0.01)),
        (cycle(0.25, 0.01, 12, signs=False, label="CI-4, this cycle"), unsigned("CI-1", 0.25, 0.01)),  # own past turned
    ],
)
def test_sizes_that_fall_before_they_grow_still_need_their_signs(own, before):
    past = past_until((*before, *SISTER), 1.0)
    assert "do not say convex or concave" in way_of_reading(own, past, turning=False).refused


def test_a_lap_without_a_past_is_read_as_most_of_its_group():
    new = cycle(0.25, 0.01, 12, signs=False, label="CI-9, this cycle")
    straight = unsigned("CI-1", 0.25, 0.01)
    assert not way_of_reading(new, past_until((*straight, *SISTER), 1.0), turning=False).refused
    assert way_of_reading(new, past_until((*straight[:4], *SISTER), 1.0), turning=False).refused


def test_past_cycles_without_signs_are_not_pooled_with_them():
    mixed = past_until((cycle(-0.35, 0.03, 24), cycle(-0.35, 0.03, 24, signs=False)), 1.0)
    assert (len(mixed.sizes), len(mixed.signed)) == (2, 1)
    assert mixed.name != mixed.signed_name
