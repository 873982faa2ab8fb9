"""Does the range of the faces left hold where the board chooses how to read a lap: by size or by the sign of its bow?

Full size (about 5 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_turning_forecast.py
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from spc.board.lap_forecast import PoolCache, forecast_cycle
from spc.board.lap_paths import CyclePaths, PartLimit, RunningCycle, past_until
from spc.board.size_or_sign import way_of_reading
from spc.wear.signed_bow import fit_signed_bow
from spc.wear.signed_path import signed_path
from spc.wear.wear_path import wear_path
from tests.honesty.table import honesty_size, record
from tests.honesty.wear_cell import share_error

LIMIT, STEP, USUAL, FARTHEST = 1.0, 0.05, 30, 400
SIZES = {"reduced": (2, 5), "full": (50, 10)}  # groups of past cycles, laps forecast from each
STATEMENT = (
    "The nominal 90 % range holds the true crossing in at least 88 % of simulated laps, up to the error of the "
    "simulation: laps that turn through flat as no past cycle did, laps whose cycles all turn, laps that never turn, "
    "and laps whose first passes are not logged where the face was lapped again. Limit 1.0 um, readings in steps of "
    "0.05 um, 12 past cycles of up to 30 faces."
)
COLUMNS = ["lap", "laps", "by sign %", "inside %", "standard error", "earlier %", "later %", "open-ended %", "width"]


@dataclass(frozen=True)
class Scene:
    words: str
    own_faces: int
    past_line: tuple[float, float, float, float]  # start, its sd, drift a face, its sd; micrometres, convex positive
    own_line: tuple[float, float, float, float]
    signs: float = 1.0  # share of signs written
    noise: float = 0.05
    speeding: bool = False  # grows by a share a face, its scatter with it
    unread: bool = False  # a first pass over the limit is not logged


STEADY = (-0.35, 0.06, -0.002, 0.003)
ALONE = (-0.35, 0.06, 0.03, 0.006)
GROWS = (-0.3, 0.05, -0.025, 0.004)
TURNS = (-0.6, 0.08, 0.03, 0.006)
SCENES = {
    "as none did": Scene("turns as no past cycle did, 16 faces", 16, STEADY, ALONE),
    "half signed": Scene("the same, half of the signs written, 24 faces", 24, STEADY, ALONE, 0.5),
    "all turn": Scene("all cycles turn, 8 faces", 8, TURNS, TURNS),
    "never": Scene("concave and never turns, 8 faces", 8, GROWS, GROWS),
    "unread": Scene(
        "first passes over the limit are not logged, 20 faces", 20, (0.35, 0.03, 0.035, 0.003),
        (0.35, 0.03, 0.035, 0.003), noise=0.25, speeding=True, unread=True,
    ),
}  # fmt: skip


def line(scene, which, rng):
    start, start_sd, drift, drift_sd = which
    start, drift = start + start_sd * rng.standard_normal(), drift + drift_sd * rng.standard_normal()
    return (lambda t: start * np.exp(drift * t)) if scene.speeding else (lambda t: start + drift * t)


def logged(scene, label, path, n, rng):
    """Sizes and forms of one cycle as a log carries them, twice: by size and with the sign of the bow."""
    age = np.arange(float(n))
    error = rng.standard_normal(n)
    bow = path(age) * np.exp(scene.noise * error) if scene.speeding else path(age) + scene.noise * error
    size = np.round(np.abs(bow) / STEP) * STEP
    low, high = np.maximum(size - STEP / 2, 0.0), size + STEP / 2
    shape = np.where(rng.random(n) < scene.signs, np.where(bow > 0, "convex", "concave"), "").astype(object)
    if scene.unread:
        again = size >= LIMIT
        low, high, shape = np.where(again, LIMIT, low), np.where(again, np.inf, high), np.where(again, "", shape)
    return CyclePaths(wear_path(label, age, low, high), signed_path(label, age, low, high, shape)), (low, high, shape)


def lap_in_use(scene, rng):
    grid = np.arange(0, 4 * FARTHEST) / 4
    while True:
        path = line(scene, scene.own_line, rng)
        there = np.abs(path(grid)) >= LIMIT
        crossing = grid[there.argmax()] if there.any() else np.inf
        if crossing > scene.own_faces:
            return path, crossing - scene.own_faces


def one_lap(scene, past, cache, k, rng):
    """The board's way: is the form said to be turning, how is it read, how many faces are left."""
    path, truth = lap_in_use(scene, rng)
    n = scene.own_faces
    own, (low, high, shape) = logged(scene, "in use", path, n, rng)
    way = np.select([shape == "convex", shape == "concave"], [1, -1], 0)
    turning = fit_signed_bow(np.arange(n), low, high, way, rng=rng, draws=500).turning
    rows = pd.DataFrame({"age_faces": np.arange(float(n)), "face_id": np.arange(n)})
    now = RunningCycle(rows, own, "9 um", (PartLimit("P1", LIMIT, "1 um"),))
    left = forecast_cycle(f"lap {k}", now, past, turning=turning, cache=cache).faces_left
    return left, truth, way_of_reading(own, past, turning=turning).signed


def run(size, rng, name):
    scene = SCENES[name]
    groups, laps = SIZES[size]
    inside, early, late, open_ended, width, signed = (np.zeros((groups, laps)) for _ in range(6))
    for g in range(groups):
        cycles = []
        for c in range(12):
            n = int(rng.integers(USUAL // 2, USUAL + 1))
            cycles.append(logged(scene, f"past {c}", line(scene, scene.past_line, rng), n, rng)[0])
        past, cache = past_until(tuple(cycles), LIMIT), PoolCache()
        for k in range(laps):
            left, truth, signed[g, k] = one_lap(scene, past, cache, k, rng)
            assert left.status in ("range", "over"), left.sentence
            low = left.horizon if left.low is None else left.low
            high = np.inf if left.high is None else left.high
            early[g, k], late[g, k] = truth < low, truth > high
            inside[g, k] = low <= truth <= high
            open_ended[g, k], width[g, k] = left.high is None, min(high, left.horizon) - low
    share = inside.mean()
    error = share_error(inside)
    parts = (signed.mean(), share, error, early.mean(), late.mean(), open_ended.mean())
    return [scene.words, inside.size, *(round(100 * float(v), 1) for v in parts), round(float(np.median(width)), 1)]


@pytest.mark.parametrize("name", list(SCENES))
def test_the_range_holds_however_the_board_reads_the_lap(name, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    row = run(honesty_size(), np.random.default_rng([47, list(SCENES).index(name)]), name)
    _RAN.append(row)
    assert row[3] >= 88 - 4 * row[4], row
    if name in ("as none did", "half signed", "all turn"):
        assert row[2] >= 75, row
    record(
        "turning_forecast",
        title="Faces left of a lap that turns, or whose first passes are not logged",
        statement=STATEMENT,
        columns=COLUMNS,
        rows=_RAN,
        of=len(SCENES),
    )


_RAN: list[list[object]] = []


def test_by_size_alone_it_would_not_hold():
    """The test above can fail: a lap that turns as no past cycle did, forecast by size, is said to last for long."""
    from spc.wear.pooled import fit_pooled
    from spc.wear.time_to_limit import time_to_limit

    rng, scene = np.random.default_rng(5), SCENES["as none did"]
    past = [logged(scene, f"past {c}", line(scene, scene.past_line, rng), 24, rng)[0].sizes for c in range(6)]
    pooled = fit_pooled(past, rng=rng)
    missed = 0
    for _ in range(3):
        path, truth = lap_in_use(scene, rng)
        own = logged(scene, "in use", path, scene.own_faces, rng)[0].sizes
        answer = time_to_limit(pooled, own, limit=LIMIT, rng=rng)
        missed += answer.low is None or truth < answer.low
    assert missed == 3
