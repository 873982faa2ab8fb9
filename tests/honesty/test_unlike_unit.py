"""Does a range still hold for a unit unlike all others of its file, and is a usual one forecast as well as before?

Full size (about 7 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_unlike_unit.py
"""

from dataclasses import dataclass

import numpy as np

from spc.wear.pooled import fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path
from tests.honesty.table import honesty_size, record

LIMIT, READINGS, NOISE, START, START_SD, SLOPE, SLOPE_SD = 11.0, 24, 0.3, 1.0, 0.2, 0.2, 0.2
SIZES = {"reduced": 14, "full": 600}  # groups of eight units, one more forecast from each
TITLE = "Forecast of a unit unlike all others of its file"
STATEMENT = (
    "The nominal 90 % range of `lapcell forecast` holds the true crossing in at least 88 % of simulated units that "
    "wear 4 or 10 times as fast as the 8 others, or a quarter as fast, begin far off, or scatter a tenth as much, in "
    "at least 80 % of those that scatter 5 times as much, and in 88 to 92 % of usual ones, up to the error of the "
    "simulation. Forecast from the others without allowing that a unit goes its own way, the range of most of them is "
    "as sure as it is wrong. A unit whose form alone differs, and shows it late, is not told from the others in time: "
    "the last row."
)
COLUMNS = [
    "unit", "units", "inside %", "standard error", "width, % of life", "inside % from the others alone",
    "width from the others alone", "said to go its own way %", "open-ended %",
]  # fmt: skip


@dataclass(frozen=True)
class Scene:
    words: str
    faster: float = 1.0
    further: float = 0.0  # of the start, micrometres
    noisier: float = 1.0
    power: float = 1.0  # of age
    least: float = 88.0  # per cent inside by the statement; 0 = it promises nothing


SCENES = {
    "usual": Scene("usual"),
    "fast": Scene("4 times as fast", faster=4.0),
    "faster": Scene("10 times as fast", faster=10.0),
    "slow": Scene("a quarter as fast", faster=0.25),
    "far": Scene("begins 20 usual spreads further on", further=4.0),
    "noisy": Scene("scatters 5 times as much", noisier=5.0, least=80.0),
    "quiet": Scene("scatters a tenth as much", noisier=0.1),
    "bent": Scene("speeds up where the others are straight", power=1.5, least=0.0),
}


def past_units(rng):
    age = np.arange(1.0, 31.0) * 2
    for place in range(8):
        slope, start = SLOPE * np.exp(SLOPE_SD * rng.standard_normal()), START + START_SD * rng.standard_normal()
        read = start + slope * age + NOISE * rng.standard_normal(age.size)
        yield wear_path(f"unit {place}", age, read, limit=LIMIT)


def half_of_a_unit(scene, rng):
    """Its readings up to half of its life, what is left of it then, and its life."""
    slope = SLOPE * np.exp(SLOPE_SD * rng.standard_normal()) * scene.faster * 50 ** (1 - scene.power)
    start = START + START_SD * rng.standard_normal() + scene.further
    life = ((LIMIT - start) / slope) ** (1 / scene.power)
    age = np.linspace(0, life, READINGS + 1)[1 : READINGS // 2 + 1]
    read = start + slope * age**scene.power + scene.noisier * NOISE * rng.standard_normal(age.size)
    return wear_path("own", age, read, limit=LIMIT), life - age[-1], life


def ends(pooled, own, rng):
    answer = time_to_limit(pooled, own, limit=LIMIT, rng=rng)
    assert answer.status in ("range", "over"), answer.sentence
    low = np.inf if answer.low is None else answer.low
    return answer, low, np.inf if answer.high is None else answer.high


def run(count, rng):
    """A row for each scene; the scenes share their pools."""
    found = {name: [] for name in SCENES}
    for _ in range(count):
        pooled = fit_pooled(list(past_units(rng)), rng=rng)
        for name, scene in SCENES.items():
            own, left, life = half_of_a_unit(scene, rng)
            answer, low, high = ends(with_own_way(pooled, own, rng=rng), own, rng)
            _, low_before, high_before = ends(pooled, own, rng)
            widths = np.diff(np.minimum([[low, high], [low_before, high_before]], answer.horizon))[:, 0] / life
            own_way, open_ended = answer.own_way_share > 0.5, not np.isfinite(high)
            found[name].append((low <= left <= high, low_before <= left <= high_before, own_way, open_ended, *widths))
    for name, rows in found.items():
        inside, before, own_way, open_ended = (float(v) for v in np.mean(np.array(rows)[:, :4], axis=0))
        width, width_before = (float(v) for v in np.median(np.array(rows)[:, 4:], axis=0))
        error = max(np.sqrt(inside * (1 - inside) / count), np.sqrt(0.9 * 0.1 / count))
        shown = (inside, error, width, before, width_before, own_way, open_ended)
        yield [SCENES[name].words, count, *(round(100 * float(v), 1) for v in shown)]


def test_the_range_holds_for_a_unit_unlike_all_others():
    rows = list(run(SIZES[honesty_size()], np.random.default_rng(61)))
    record("unlike_unit", title=TITLE, statement=STATEMENT, columns=COLUMNS, rows=rows)
    for (name, scene), row in zip(SCENES.items(), rows, strict=True):
        inside, error, width, before, width_before = row[2:7]
        if name == "usual":
            assert 88 - 4 * error <= inside <= 92 + 4 * error, row
            assert width <= 1.1 * width_before, row
        else:
            assert inside >= scene.least - 4 * error, row
        if name in ("fast", "faster"):  # the test can fail: from the others alone it does not hold
            assert before < 70, row
