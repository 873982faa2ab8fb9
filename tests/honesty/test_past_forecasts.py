"""Are ranges that are right seldom called too narrow by a shop's own past cycles, and wrong ones mostly?

Full size (about 4 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_past_forecasts.py
"""

import json

import numpy as np
import pytest

from spc.board.lap_paths import CyclePaths, past_until
from spc.board.past_held import held_of_past
from spc.wear.past_forecasts import SHARES
from spc.wear.wear_path import wear_path
from tests.honesty.table import RESULTS, honesty_size, record
from tests.honesty.wear_cell import LIMIT, Scene, past_cycles

STATEMENT = (
    "Each past cycle of a shop is foreseen from the other ones, from its middle and from three quarters of it. Where "
    "cycles wear as a shape here says, what comes after lies within the range in 90 % of them or more, and the ranges "
    "are called too narrow in at most 5 % of the shops. Cycles end by plan, or at the first reading at the limit. "
    "Where they run flat and turn steep at an age that nobody knows, it is counted how often that is seen."
)
SCENES = {
    "usual": Scene("readings scatter by a sixth of the limit"),
    "fine": Scene("readings scatter by a twentieth of the limit", noise=0.1),
    "half-band steps": Scene("readings in steps of a quarter of the limit", step=0.5),
    "flat, then steep": Scene("flat, then steep from an age between 8 and 28", shape="knee", noise=0.1, level_sd=0.05),
}
WRONG = ("flat, then steep",)
SIZES = {"reduced": (1, 6), "full": (50, 12)}  # shops, past cycles of each
COLUMNS = [
    "scene", "foreseen from %", "shops", "cycles", "held %", "standard error", "faster %", "slower %",
    "shops called too narrow %", "standard error of these",
]  # fmt: skip


def run(size, rng, name):
    shops, cycles = SIZES[size]
    scene, unsigned = SCENES[name], wear_path("no sign", (), ())
    found = []
    for _ in range(shops):
        drawn = past_cycles(scene, rng)[:cycles]
        past = past_until(tuple(CyclePaths(path, unsigned) for path in drawn), LIMIT)
        found.append(held_of_past(past, {"": LIMIT}))
    called = np.mean([any(one.too_narrow for one in shop) for shop in found])
    rows = []
    for at, share in enumerate(SHARES):
        of = [shop[at] for shop in found]
        counted = sum(one.counted for one in of)
        held, faster, slower = (sum(getattr(one, way) for one in of) / counted for way in ("held", "faster", "slower"))
        between = np.std([one.held / one.counted for one in of], ddof=1) / np.sqrt(shops) if shops > 1 else 0.0
        errors = max(between, np.sqrt(0.9 * 0.1 / counted)), np.sqrt(max(called * (1 - called), 0.05 * 0.95) / shops)
        shown = [round(100 * float(v), 1) for v in (held, errors[0], faster, slower, called, errors[1])]
        rows.append([scene.words, round(100 * share), shops, counted, *shown])
    return rows


@pytest.mark.parametrize("name", list(SCENES))
def test_right_ranges_are_seldom_called_too_narrow(name):
    rows = run(honesty_size(), np.random.default_rng([71, list(SCENES).index(name)]), name)
    _RAN.extend(rows)
    if name not in WRONG:
        assert all(90 - 4 * row[5] <= row[4] for row in rows), rows
        assert rows[0][8] <= 5 + 4 * rows[0][9], rows
    record(
        "past_forecasts",
        title="Faces left: do a shop's own past cycles tell whether its ranges hold?",
        statement=STATEMENT,
        columns=COLUMNS,
        rows=_RAN,
        of=len(SCENES) * len(SHARES),
    )


_RAN: list[list[object]] = []


def test_the_kept_table_says_what_its_words_say():
    rows = json.loads((RESULTS / "past_forecasts.json").read_text(encoding="utf-8"))["rows"]
    wrong = [row for row in rows if row[0] in [SCENES[name].words for name in WRONG]]
    right = [row for row in rows if row not in wrong]
    assert len(rows) == len(SCENES) * len(SHARES) and min(row[3] for row in rows) >= 400
    assert all(row[4] >= 90 - 2 * row[5] for row in right), right
    assert np.mean([row[8] for row in right]) <= 5
    assert wrong[0][8] > 50 > right[0][8], wrong
