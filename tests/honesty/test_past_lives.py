"""Where ranges by readings held too few past cycles: do those that take in how long past cycles lasted hold?

Full size (about 9 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_past_lives.py
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from spc.board.lap_paths import CyclePaths, past_until
from spc.board.past_held import held_of_past
from spc.wear.past_forecasts import OUTCOMES
from spc.wear.past_lives import draws_left, past_lives, taken_in
from spc.wear.pooled import fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path
from tests.honesty.table import RESULTS, honesty_size, record
from tests.honesty.wear_cell import LIMIT, Scene, lap_in_use, past_cycles, share_error

STATEMENT = (
    "Shops of 12 past cycles in which ranges by readings held too few of these, as the board counts it; from there on "
    "faces left take in how long past cycles lasted. In laps that run flat and turn steep at an age that nobody knows "
    "the nominal 90 % range then holds the true crossing in at least 88 %, up to two errors of the simulation, and is "
    "no wider than by readings alone. A shop where too few came to the limit for a law of life keeps its range, and "
    "says that it is less sure."
)
_STEEP = Scene("", shape="knee", noise=0.1, level_sd=0.05)
SCENES = {
    faces: replace(_STEEP, own_faces=faces, words=f"flat, then steep from an age between 8 and 28; {faces} own faces")
    for faces in (8, 12, 16, 20)
}
SIZES = {"reduced": (2, 5), "full": (80, 12)}  # shops with a law of life whose ranges held too few, laps of each
COLUMNS = [
    "scene", "shops", "whose ranges held too few", "of these with a law of life", "laps", "inside %, by readings",
    "inside %", "standard error", "crossed earlier %", "crossed later %", "width, by readings", "width",
]  # fmt: skip


def missed_of(past):
    """How past cycles came out where too few held, as the board tells it from the same counts."""
    unsigned = wear_path("no sign", (), ())
    held = held_of_past(past_until(tuple(CyclePaths(path, unsigned) for path in past), LIMIT), {"": LIMIT})
    return tuple(way for way in OUTCOMES if any(way in one.missed for one in held))


def run(size, rng, faces):
    wanted, laps = SIZES[size]
    scene, shops, doubted, found = SCENES[faces], 0, 0, []
    while len(found) < wanted:
        past, shops = past_cycles(scene, rng), shops + 1
        missed = missed_of(past)
        doubted += bool(missed)
        lives = past_lives(past, LIMIT) if missed else None
        if lives is None:
            continue
        pooled = fit_pooled(past, limit=LIMIT, rng=rng)
        found.append([])
        for _ in range(laps):
            own, truth, _ = lap_in_use(scene, rng)
            by_readings = time_to_limit(with_own_way(pooled, own, rng=rng), own, limit=LIMIT, horizon=100, rng=rng)
            answer = by_readings
            if by_readings.status == "range":
                others = draws_left(lives, by_readings, age=float(own.age[-1]), rng=rng)
                answer = taken_in(by_readings, others, missed)
            ends = [_ends(each) for each in (by_readings, answer)]
            inside = [low <= truth <= high for low, high in ends]
            early, late = truth < ends[1][0], truth > ends[1][1]
            found[-1].append((*inside, early, late, *(min(high, 100) - low for low, high in ends)))
    told = np.array(found, dtype=float)
    before, inside, early, late = told.mean(axis=(0, 1))[:4]
    error = share_error(told[:, :, 1])
    percent = [round(100 * float(v), 1) for v in (before, inside, error, early, late)]
    widths = [round(float(np.median(told[:, :, at])), 1) for at in (4, 5)]
    return [scene.words, shops, doubted, wanted, told[:, :, 1].size, *percent, *widths]


def _ends(answer):
    return 100.0 if answer.low is None else answer.low, np.inf if answer.high is None else answer.high


@pytest.mark.parametrize("faces", list(SCENES))
def test_ranges_hold_once_they_take_in_how_long_past_cycles_lasted(faces):
    row = run(honesty_size(), np.random.default_rng([73, faces]), faces)
    _RAN.append(row)
    assert row[6] >= 88 - 4 * row[7], row
    record(
        "past_lives",
        title="Faces left: what if readings foretell nothing?",
        statement=STATEMENT,
        columns=COLUMNS,
        rows=_RAN,
        of=len(SCENES),
    )


_RAN: list[list[object]] = []


def test_the_kept_table_says_what_its_words_say():
    rows = json.loads((RESULTS / "past_lives.json").read_text(encoding="utf-8"))["rows"]
    assert [row[0] for row in rows] == [scene.words for scene in SCENES.values()]
    assert min(row[4] for row in rows) >= 600
    assert all(row[6] >= 88 - 2 * row[7] for row in rows), rows
    assert all(row[5] < row[6] - 10 and row[11] <= row[10] for row in rows), rows
