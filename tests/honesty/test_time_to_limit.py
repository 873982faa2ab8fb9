"""Does the nominal 90 % range of the faces left hold the true crossing in 88 to 92 of 100 laps?

Full size (about 25 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_time_to_limit.py
"""

import json

import numpy as np
import pytest

from spc.wear.pooled import fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import time_to_limit
from tests.honesty.table import RESULTS, honesty_size, record
from tests.honesty.wear_cell import COURSES, LIMIT, SCENES, STRANGE, lap_in_use, past_cycles, share_error

STATEMENT = (
    "The nominal 90 % range holds the true crossing in 88 to 92 % of simulated laps, on average over the scenes and, "
    "up to two errors of the simulation, in each. A range with an open end cannot fail on that side."
)
SIZES = {"reduced": (4, 4), "full": (220, 10)}  # groups of past cycles, laps forecast from each
MORE = {"wandering": 2}  # so many times as many groups: there they differ most
COLUMNS = [
    "scene",
    "laps",
    "inside %",
    "standard error",
    "crossed earlier %",
    "crossed later %",
    "open-ended %",
    "width",
]


def run(size, rng, names=tuple(SCENES)):
    rows = []
    for name in names:
        groups, laps = SIZES[size]
        groups *= MORE.get(name, 1)
        scene = {**SCENES, **STRANGE, **COURSES}[name]
        inside, early, late, open_ended, width = (np.zeros((groups, laps)) for _ in range(5))
        for g in range(groups):
            pooled = fit_pooled(past_cycles(scene, rng), limit=LIMIT, rng=rng)
            for k in range(laps):
                own, truth, _ = lap_in_use(scene, rng)
                lower = -LIMIT if scene.signed else None
                asked = with_own_way(pooled, own, rng=rng)
                answer = time_to_limit(asked, own, limit=LIMIT, lower_limit=lower, horizon=100, rng=rng)
                low = 100.0 if answer.low is None else answer.low
                high = np.inf if answer.high is None else answer.high
                early[g, k], late[g, k] = truth < low, truth > high
                inside[g, k] = low <= truth <= high
                open_ended[g, k], width[g, k] = answer.high is None, min(high, 100) - low
        share = inside.mean()
        error = share_error(inside)
        percent = [round(100 * float(v), 1) for v in (share, error, early.mean(), late.mean(), open_ended.mean())]
        rows.append([scene.words, inside.size, *percent, round(float(np.median(width)), 1)])
    return rows


@pytest.mark.parametrize("name", list(SCENES))
def test_range_covers_as_it_says(name):
    row = run(honesty_size(), np.random.default_rng([41, list(SCENES).index(name)]), (name,))[0]
    _RAN.append(row)
    assert 88 - 4 * row[3] <= row[2] <= min(92 + 4 * row[3], 100), row
    record(
        "time_to_limit",
        title="Faces left: does the range hold?",
        statement=STATEMENT,
        columns=COLUMNS,
        rows=_RAN,
        of=len(SCENES),
    )


_RAN: list[list[object]] = []


def test_the_kept_table_says_what_its_words_say():
    rows = json.loads((RESULTS / "time_to_limit.json").read_text(encoding="utf-8"))["rows"]
    assert len(rows) == len(SCENES) and min(row[1] for row in rows) >= 2000
    assert 88 <= np.mean([row[2] for row in rows]) <= 92
    assert all(88 - 2 * row[3] <= row[2] <= 92 + 2 * row[3] for row in rows), rows


def test_what_is_left_of_the_range_where_no_shape_fits():
    """Not held to 90 %: the count is shown, so that nobody takes the range for more than it is."""
    rows = [
        run(honesty_size(), np.random.default_rng([43, at]), (name,))[0] for at, name in enumerate(STRANGE)
    ]  # fmt: skip
    assert all(60 - 4 * row[3] <= row[2] <= 100 for row in rows), rows
    record(
        "time_to_limit_strange",
        title="Faces left: what if wear has a form that no shape here has?",
        statement=(
            "Wear that runs in and then goes on steadily, or of which one part grows exponentially, is not among the "
            "shapes. How often the nominal 90 % range then holds the true crossing is counted here, not promised."
        ),
        columns=COLUMNS,
        rows=rows,
    )


def test_laps_that_all_turn_steep_at_one_age_are_foreseen_before_they_do():
    rows = [run(honesty_size(), np.random.default_rng([47, at]), (name,))[0] for at, name in enumerate(COURSES)]
    assert all(88 - 4 * row[3] <= row[2] <= 100 for row in rows), rows
    record(
        "time_to_limit_course",
        title="Faces left: what if laps run flat and all turn steep at one age?",
        statement=(
            "Foreseen after 12 faces, when nothing has turned yet: from five past cycles on the course they have in "
            "common is one of the shapes. The nominal 90 % range holds the true crossing in 88 % of laps or more, up "
            "to two errors of the simulation."
        ),
        columns=COLUMNS,
        rows=rows,
    )


def test_the_kept_table_of_the_common_course_says_what_its_words_say():
    rows = json.loads((RESULTS / "time_to_limit_course.json").read_text(encoding="utf-8"))["rows"]
    assert len(rows) == len(COURSES) and min(row[1] for row in rows) >= 2000
    assert all(row[2] >= 88 - 2 * row[3] for row in rows), rows
    assert rows[-1][-1] < 12, rows  # faces: by the powers alone it is twice as wide and more


def test_plugging_the_spreads_in_would_not_hold():
    """The test above can fail: with the spreads held at their middle and four past cycles the range is too short."""
    rng = np.random.default_rng(17)
    scene = SCENES["sparse"]
    widths = []
    for _ in range(5):
        pooled = fit_pooled(past_cycles(scene, rng), limit=LIMIT, rng=rng)
        own, *_ = lap_in_use(scene, rng)
        drawn = time_to_limit(pooled, own, limit=LIMIT, horizon=100, rng=rng).draws
        fixed = time_to_limit(_plugged(pooled), own, limit=LIMIT, horizon=100, rng=rng).draws
        spread = [np.diff(np.quantile(np.minimum(d, 100), [0.05, 0.95]))[0] for d in (drawn, fixed)]
        widths.append(spread[1] / spread[0])
    assert np.mean(widths) < 0.97


def _plugged(pooled):
    from dataclasses import replace

    best = pooled.shapes[0]
    lines = best.lines
    middle = np.tile(np.median(lines.spreads, axis=0), (lines.spreads.shape[0], 1))
    mean = np.tile(lines.mean.mean(axis=0), (lines.mean.shape[0], 1))
    plugged = replace(lines, spreads=middle, mean=mean, covariance=lines.covariance * 1e-6)
    return replace(pooled, shapes=(replace(best, lines=plugged, share=1.0),))
