"""Survival and optimum for ten thousand cycles; clocks for a million faces."""

import numpy as np
import pandas as pd
import pytest

from spc.wear.cycle import number_cycles
from spc.wear.cycle_table import list_cycles
from spc.wear.lifetime_fit import choose_lifetime
from spc.wear.recondition_age import recondition_age
from spc.wear.survival import kaplan_meier, survival_curve
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


@pytest.fixture(scope="module")
def lives():
    rng = np.random.default_rng(0)
    life, stop = np.ceil(rng.weibull(2.5, 10_000) * 60), rng.integers(10, 120, 10_000) * 1.0
    low, high = np.minimum(life, stop), np.where(life <= stop, life, np.inf)
    late = (rng.random(10_000) < 0.3) & np.isfinite(high)
    return low, high, np.where(late, np.floor(life * rng.uniform(0.5, 0.99, 10_000)), low)


def test_kaplan_meier(benchmark, lives):
    benchmark(kaplan_meier, lives[0], lives[1])


def test_interval_censored_curve_with_band(benchmark, lives):
    benchmark(lambda: survival_curve(lives[2], lives[1], rng=np.random.default_rng(1)))


def test_fit_and_least_cost_age(benchmark, lives):
    def both():
        fit = choose_lifetime(lives[2], lives[1])[0]
        rng = np.random.default_rng(1)
        return recondition_age(fit, lives[2], lives[1], planned_cost=1, worn_cost=5, rng=rng)

    assert benchmark(both).status == "range"


@pytest.fixture(scope="module")
def big_log():
    n, m = 1_000_000, 30_000
    rng = np.random.default_rng(0)
    faces = faces_frame([{}]).iloc[np.zeros(n, int)].reset_index(drop=True)
    events = events_frame([{"event": "reconditioned", "sort_us": 0}]).iloc[np.zeros(m, int)].reset_index(drop=True)
    laps = np.array([f"L{i}" for i in range(24)], object)
    parts = np.array([f"P{i}" for i in range(30)], object)
    faces = faces.assign(
        lap=pd.Series(laps[rng.integers(0, 24, n)]).astype("str"),
        part=pd.Series(parts[rng.integers(0, 30, n)]).astype("str"),
        face_id=np.arange(n), row_number=np.arange(n), sort_us=hours(0) + np.arange(n) * 600_000_000,
        minutes=rng.choice([2.0, 3.0, np.nan], n),
    )  # fmt: skip
    kinds = np.array(["reconditioned", "recharged", "cleaned"], object)
    events = events.assign(
        lap=laps[rng.integers(0, 24, m)], event=kinds[rng.integers(0, 3, m)], event_id=np.arange(m),
        sort_us=hours(0) + rng.integers(0, n, m) * 600_000_000,
    )  # fmt: skip
    return faces, events


def test_clocks_of_a_million_faces(benchmark, big_log):
    benchmark.pedantic(number_cycles, args=big_log, rounds=3)


def test_ten_thousand_cycles_listed(benchmark, big_log):
    numbered = number_cycles(*big_log)
    table = benchmark.pedantic(list_cycles, args=(numbered, big_log[1]), rounds=3)
    assert len(table) > 9_000
