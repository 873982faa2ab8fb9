"""Forecast of 24 laps with 12 past cycles each, cold and when one face is added; and of all units of a large file.

Run: python -m pytest tests/benchmarks/bench_forecast.py -o python_files='bench_*.py'
"""

import numpy as np
import pytest

from spc.wear.pooled import fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import time_to_limit
from spc.wear.unit_forecast import UnitPools
from spc.wear.wear_path import wear_path
from tests.honesty.wear_cell import LIMIT, SCENES, lap_in_use, past_cycles

LAPS = 24


def cell():
    rng = np.random.default_rng(2)
    scene = SCENES["half-band steps"]
    return [(past_cycles(scene, rng), lap_in_use(scene, rng)[0]) for _ in range(LAPS)]


def foretold(pooled, own, rng):
    """As the board does it: a lap may go its own way."""
    return time_to_limit(with_own_way(pooled, own, rng=rng), own, limit=LIMIT, rng=rng)


def cold(laps):
    rng = np.random.default_rng(3)
    pools = [fit_pooled(past, limit=LIMIT, rng=rng) for past, _ in laps]
    return pools, [foretold(p, own, rng) for p, (_, own) in zip(pools, laps, strict=True)]


def test_24_laps_each_a_group_of_its_own(benchmark):
    laps = cell()
    pools, answers = benchmark.pedantic(cold, args=(laps,), rounds=3, warmup_rounds=1)
    assert len(pools) == LAPS and all(a.status == "range" for a in answers)


def test_one_face_added(benchmark):
    """The past cycles stay as they are: only the lap that got the face is forecast again."""
    past, own = cell()[0]
    pooled = fit_pooled(past, limit=LIMIT, rng=np.random.default_rng(3))

    def again():
        return foretold(pooled, own, np.random.default_rng(4))

    assert benchmark.pedantic(again, rounds=20, warmup_rounds=1).status == "range"


def test_24_laps_in_one_group(benchmark):
    laps = cell()
    past = [p for group, _ in laps for p in group]

    def one_pool():
        rng = np.random.default_rng(3)
        pooled = fit_pooled(past, limit=LIMIT, rng=rng)
        return [foretold(pooled, own, rng) for _, own in laps]

    assert len(benchmark.pedantic(one_pool, rounds=3, warmup_rounds=1)) == LAPS


def units_of_a_file(count, readings, covariates):
    rng = np.random.default_rng(5)
    age = np.arange(1.0, readings + 1)
    paths = []
    for unit in range(count):
        load = rng.choice([1.0, 2.0, 5.0], covariates)
        slope = 0.06 * np.exp(0.2 * rng.standard_normal()) * load.prod() ** 0.5
        wear = 0.7 + 0.2 * rng.standard_normal() + slope * age + 0.1 * rng.standard_normal(readings)
        paths.append(wear_path(f"unit {unit}", age, wear, limit=1.5 * wear.max(), covariates=load))
    return paths


@pytest.mark.parametrize("count, readings, covariates", [(100, 20, 0), (400, 40, 0), (400, 40, 2)])
def test_every_unit_of_a_file(benchmark, count, readings, covariates):
    paths = units_of_a_file(count, readings, covariates)

    def every_unit():
        pools = UnitPools(paths, seed=1)
        return [pools.forecast(at, path) for at, path in enumerate(paths)]

    answers = benchmark.pedantic(every_unit, rounds=1)
    assert len(answers) == count and all(a.status == "range" for a in answers)
