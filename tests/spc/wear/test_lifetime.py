import numpy as np
import pandas as pd
import pytest

from spc.wear.lifetime import cycle_lifetimes

CYCLES = pd.DataFrame(
    {
        "start_known": [True, True, True, True, False, True],
        "faces": [10, 12, 8, 5, 9, 0],
        "minutes": [30.0, np.nan, 16.0, 10.0, 20.0, 0.0],
        "minutes_missing": [0.0, 1.0, 0.125, 0.0, 0.0, 0.0],
        "low_faces": [10.0, 12, 3, 5, 9, 0],
        "high_faces": [10.0, np.inf, 8, np.inf, 9, np.inf],
        "ended": ["due", "planned", "found late", "running", "due", "running"],
    }
)


def test_lives_from_cycles():
    lives = cycle_lifetimes(CYCLES)
    assert lives.low.tolist() == [10, 12, 3, 5]
    assert lives.high.tolist() == [10, np.inf, 8, np.inf]
    assert (lives.worn, lives.planned, lives.running, lives.left_out) == (2, 1, 1, 2)
    assert lives.sentence == (
        "2 worn, 1 taken off before that, 1 running; 2 left out, their start was not logged or nothing was lapped"
    )


def test_minutes_clock_leaves_out_cycles_with_none():
    lives = cycle_lifetimes(CYCLES, clock="minutes")
    assert lives.low.tolist() == [30, 6, 10]
    assert lives.high.tolist() == [30, 16, np.inf]
    assert lives.left_out == 3
    assert lives.sentence == (
        "2 worn, 0 taken off before that, 1 running; 2 left out, their start was not logged or nothing was lapped; "
        "1 left out, over 20% of its lappings do not say their minutes"
    )
    with pytest.raises(ValueError, match="`clock` must be 'faces' or 'minutes'"):
        cycle_lifetimes(CYCLES, clock="moons")


def test_a_cycle_that_misses_more_minutes_than_a_clock_may_is_no_life():
    lives = cycle_lifetimes(CYCLES.assign(minutes_missing=[0.2, 1.0, 0.21, 29 / 30, 0.0, 0.0]), clock="minutes")
    assert lives.low.tolist() == [30]
    assert lives.sentence.endswith("3 left out, over 20% of their lappings do not say their minutes")
