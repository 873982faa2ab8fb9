import numpy as np
import pytest

from spc.board.lap_paths import CyclePaths, past_until, way_of_reading
from spc.wear.signed_path import signed_path
from spc.wear.wear_path import wear_path


def cycle(start, drift, n, seed=1, signs=True):
    bow = start + drift * np.arange(n) + 0.04 * np.random.default_rng(seed).standard_normal(n)
    size, age = np.abs(bow), np.arange(float(n))
    shape = np.where(bow > 0, "convex", "concave") if signs else np.full(n, "")
    low, high = np.maximum(size - 0.02, 0), size + 0.02
    return CyclePaths(wear_path("a", age, low, high), signed_path("a", age, low, high, shape))


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


def test_past_cycles_without_signs_are_not_pooled_with_them():
    mixed = past_until((cycle(-0.35, 0.03, 24), cycle(-0.35, 0.03, 24, signs=False)), 1.0)
    assert (len(mixed.sizes), len(mixed.signed)) == (2, 1)
    assert mixed.name != mixed.signed_name
