import numpy as np
import pytest

from spc.wear.path_slips import slips, without_slips
from spc.wear.wear_path import wear_path


def noisy(label, rng, *, law="normal", n=30, sd=0.1):
    error = rng.standard_normal(n) if law == "normal" else rng.standard_t(3, n)
    return wear_path(label, np.arange(n), 0.5 + 0.1 * np.arange(n) + sd * error)


def spoiled(path, at, value):
    low = path.low.copy()
    low[at] = value
    return wear_path(path.label, path.age, low)


def test_a_decimal_point_in_the_wrong_place_is_named():
    paths = [noisy(f"u{i}", np.random.default_rng(i)) for i in range(4)]
    paths[2] = spoiled(paths[2], 8, 13.0)
    kept, notes = without_slips(paths)
    assert notes == ("u2: the reading 13 at 8 stands alone, far from those on either side",)
    assert [p.age.size for p in kept] == [30, 30, 29, 30] and 8 not in kept[2].age


@pytest.mark.parametrize("law", ["normal", "heavy"])
def test_sound_readings_are_hardly_ever_slips(law):
    # Of 60,000 readings of a normal law none lies so far out; of a t law with 3 degrees of freedom a few do.
    rng = np.random.default_rng(5)
    found = sum(int(off.sum()) for i in range(2000) for off in slips([noisy(f"u{i}", rng, law=law)]))
    assert found == 0 if law == "normal" else found < 120  # one in 500


def test_a_path_that_runs_away_has_no_slip():
    assert not slips([wear_path("crack", np.arange(40), np.exp(0.12 * np.arange(40)))])[0].any()


def test_a_restart_is_no_slip():
    low = np.r_[np.linspace(0.3, 2.0, 20), np.linspace(0.3, 2.0, 20)]
    assert not slips([wear_path("twice", np.arange(40), low)])[0].any()


def test_coarse_steps_and_open_readings_are_not_judged():
    steps = np.array([0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.5, 0.0])
    coarse = wear_path("steps", np.arange(8), steps, steps + 0.5)
    opened = wear_path("open", np.arange(5), [0.1, 0.2, 9.0, 0.3, 0.4], [0.1, 0.2, np.inf, 0.3, 0.4])
    assert not any(off.any() for off in slips([coarse, opened]))


def test_two_readings_have_no_slip():
    assert slips([wear_path("short", [0, 1], [0.0, 50.0])])[0].tolist() == [False, False]
