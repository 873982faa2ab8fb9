"""Does the range hold for the part number that is at its limit first, whichever was lapped last?

Full size (about 3 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_leading_part.py
"""

import numpy as np
import pandas as pd
import pytest

from spc.board.lap_forecast import PoolCache, forecast_cycle
from spc.board.lap_paths import CyclePaths, PartLimit, RunningCycle, past_until
from spc.wear.wear_path import wear_path
from tests.honesty.table import honesty_size

SIZES = {"reduced": (4, 10), "full": (60, 10)}  # groups of past cycles, laps forecast from each
STEP, NOISE, USUAL = 0.01, 0.025, 22
SAME, TIGHT = {"A": 0.6, "B": 0.6}, {"A": 0.5, "B": 0.6}  # under TIGHT the tightest limit is not the first crossed
WIDE = {"A": 0.5, "B": 0.9}  # that of B lies where no past cycle was read
STEPS = {"A": (1.0, 0.0), "B": (1.0, 0.15)}  # factor of a reading, and how much higher it is, micrometres
FACTORS = {"A": (1.0, 0.0), "B": (1.35, 0.0)}
SCENES = {
    "same limit": (SAME, STEPS),
    "tightest limit later": (TIGHT, STEPS),
    "factors, same limit": (SAME, FACTORS),
    "factors, a limit beyond what was read": (WIDE, FACTORS),
}
EMPTY = wear_path("no signs", (), ())


def cycle(label, start, drift, n, reads, rng):
    parts = rng.choice(["A", "B"], n)
    factor, higher = np.array([reads[part] for part in parts]).T
    true = factor * (start + drift * np.arange(n)) + higher
    size = np.round(np.maximum(true + NOISE * rng.standard_normal(n), 0) / STEP) * STEP
    path = wear_path(label, np.arange(float(n)), size - STEP / 2, size + STEP / 2, parts=parts.tolist())
    return CyclePaths(path, EMPTY)


def line(rng):
    return 0.2 + 0.02 * rng.standard_normal(), max(0.004, 0.012 + 0.0025 * rng.standard_normal())


def laps_of(limits, reads, rng):
    """Forecast and true faces left of each part number, of laps that are not at a limit yet."""
    groups, laps = SIZES[honesty_size()]
    for _ in range(groups):
        cycles = tuple(cycle(f"past {c}", *line(rng), USUAL, reads, rng) for c in range(10))
        past = past_until(cycles, max(limits.values()))
        cache = PoolCache()
        for k in range(laps):
            n = int(rng.integers(3, 12))
            start, drift = line(rng)
            truth = {
                part: ((limits[part] - higher) / factor - start) / drift - n for part, (factor, higher) in reads.items()
            }
            own = cycle("in use", start, drift, n, reads, rng)
            rows = pd.DataFrame({"age_faces": np.arange(float(n)), "face_id": np.arange(n)})
            lately = reversed(dict.fromkeys(own.sizes.parts))
            named = tuple(PartLimit(part, limits[part], "") for part in lately)
            yield forecast_cycle(f"lap {k}", RunningCycle(rows, own, "", named), past, cache=cache).faces_left, truth


@pytest.mark.parametrize("name", SCENES)
def test_the_range_holds_for_the_part_that_is_at_its_limit_first(name, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    inside, others, first = [], [], []
    for left, truth in laps_of(*SCENES[name], np.random.default_rng([61, len(name)])):
        high = np.inf if left.high is None else left.high
        inside.append(left.low <= max(truth[left.part], 0.0) <= high)
        for other in left.others:
            ends = (np.inf if end is None else end for end in (other.low, other.high))
            low, high = ends
            others.append(low <= max(truth[other.part], 0.0) <= high)
            first.append(truth[left.part] <= truth[other.part])
    for held in (inside, others):
        assert np.mean(held) >= 0.88 - 4 * np.sqrt(0.9 * 0.1 / len(held)), (name, np.mean(held), len(held))
    assert np.mean(first) >= 0.95
