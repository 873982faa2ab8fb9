"""Groups of a thousand stepped readings: the draws must not collapse, nor the ranges be wider than they need be."""

from dataclasses import replace

import numpy as np
import pytest

from spc.wear import wear_path as wear_path_module
from spc.wear.pooled import fit_pooled
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import wear_path
from tests.honesty.wear_cell import LIMIT, SCENES, past_cycles
from tests.spc.wear.shapes import SHAPE

STEP, FACES, START, NOISE = 0.5, 80, 0.6, 0.2  # half bands
SLOPE, SLOPE_SD = 0.016, 0.003
LINEAR = (SHAPE["linear"],)


def stepped(label, line, age, rng):
    middle = np.maximum(np.round((line + NOISE * rng.standard_normal(age.size)) / STEP) * STEP, 0)
    return wear_path(label, age, np.maximum(middle - STEP / 2, 0), middle + STEP / 2)


def group(rng, cycles=18):
    age = np.arange(1.0, FACES + 1)
    return [stepped(f"c{i}", START + (SLOPE + SLOPE_SD * rng.standard_normal()) * age, age, rng) for i in range(cycles)]


@pytest.fixture(scope="module")
def pooled():
    return fit_pooled(group(np.random.default_rng(1)), shapes=LINEAR, rng=np.random.default_rng(2))


def test_a_thousand_half_band_readings_keep_their_draws(pooled):
    assert sum(p.age.size for p in pooled.past) == 18 * FACES
    assert pooled.shapes[0].lines.effective >= 50
    slope_sd = np.exp(pooled.shapes[0].lines.spreads[:, 3]) * _to_readings(pooled)
    low, high = np.quantile(slope_sd, [0.025, 0.975])
    assert low < SLOPE_SD < high and high / low < 3


@pytest.mark.parametrize("name", list(SCENES))
def test_draws_do_not_collapse_in_any_scene(name):
    rng = np.random.default_rng([9, list(SCENES).index(name)])
    for shape in fit_pooled(past_cycles(SCENES[name], rng), limit=LIMIT, rng=rng).shapes:
        assert shape.lines.effective >= 50, (shape.name, shape.lines.effective)


def test_range_is_hardly_wider_than_one_that_knows_the_law(pooled):
    """Against an oracle: the slope's law, the start and the error known, the same readings seen without their steps."""
    rng = np.random.default_rng(5)
    age, limit, ratio, inside = np.arange(1.0, 41), 2.0, [], 0
    for k in range(12):
        slope = SLOPE + SLOPE_SD * rng.standard_normal()
        own = stepped("own", START + slope * age, age, rng)
        answer = time_to_limit(pooled, own, limit=limit, rng=np.random.default_rng(k))
        inside += answer.low <= (limit - START) / slope - 40 <= answer.high
        ratio.append((answer.high - answer.low) / _oracle_width(age, slope, limit))
    assert 1.0 < np.median(ratio) < 1.8
    assert inside >= 8  # 10.8 of 12 expected; at most 7 has a chance of 0.4 % at 90 % (binomial)


def _oracle_width(age, slope, limit):
    """Width of the middle 90 % of the crossing once 40 unstepped readings have sharpened a known law of the slope."""
    error = NOISE**2 + STEP**2 / 12
    precision = 1 / SLOPE_SD**2 + (age**2).sum() / error
    mean = (SLOPE / SLOPE_SD**2 + slope * (age**2).sum() / error) / precision
    steep, flat = mean + 1.6449 / np.sqrt(precision), mean - 1.6449 / np.sqrt(precision)
    return (limit - START) / flat - (limit - START) / steep


def _to_readings(pooled):
    scale = pooled.shapes[0].scale
    return scale.reading_range / scale.age_range


def test_steps_cost_little():
    """Stepped readings cost little: the range from half bands is at most half as wide again as from exact ones."""
    age = np.arange(1.0, FACES + 1)
    rng = np.random.default_rng(7)
    lines = [START + (SLOPE + SLOPE_SD * rng.standard_normal()) * age for _ in range(18)]
    exact = [wear_path(f"c{i}", age, line + NOISE * rng.standard_normal(FACES)) for i, line in enumerate(lines)]
    rounded = []
    for path in exact:
        middle = np.maximum(np.round(path.low / STEP) * STEP, 0)
        rounded.append(replace(path, low=np.maximum(middle - STEP / 2, 0), high=middle + STEP / 2))
    widths = []
    for past in (exact, rounded):
        fit = fit_pooled(past, shapes=LINEAR, rng=np.random.default_rng(1))
        own = replace(past[0], age=age[:40], low=past[0].low[:40], high=past[0].high[:40],
                      sign_known=past[0].sign_known[:40])  # fmt: skip
        answer = time_to_limit(fit, own, limit=2.0, rng=np.random.default_rng(2))
        widths.append(answer.high - answer.low)
    assert widths[1] < 1.5 * widths[0]


def test_leaving_out_readings_of_a_long_cycle_hardly_moves_its_range(monkeypatch):
    """Cycles of a thousand faces, all readings against those that are kept: the same range within a tenth of it."""
    rng = np.random.default_rng(11)
    age = np.arange(1.0, 1001)
    past = [stepped(f"c{i}", START + (0.0016 + 0.0003 * rng.standard_normal()) * age, age, rng) for i in range(6)]
    own = stepped("own", START + 0.0016 * age[:700], age[:700], rng)

    def answer():
        pooled = fit_pooled(past, shapes=LINEAR, rng=np.random.default_rng(2))
        return time_to_limit(pooled, own, limit=2.2, rng=np.random.default_rng(3))

    thin = answer()
    monkeypatch.setattr(wear_path_module, "MOST_READINGS", 10_000)
    whole = answer()
    width = whole.high - whole.low
    assert thin.median != whole.median  # some were left out
    assert abs(thin.median - whole.median) < 0.1 * width and 0.95 < (thin.high - thin.low) / width < 1.15
