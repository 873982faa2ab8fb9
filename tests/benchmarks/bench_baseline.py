"""Replay of a year of 12 laps, the change search, the interval search and the budget: `pytest tests/benchmarks`."""

import numpy as np
import pytest

from spc.board.false_calls import go_look, plan_budget, widths_for
from spc.board.frozen_limits import RulesInUse
from spc.chart.baseline import analyse
from spc.chart.change_point import change_point
from spc.chart.replay import Revision, digest_of, replay, signals_of
from spc.chart.stream import SIGNS, stream_of
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import START_US, events_of, faces_of

LAPS, FACES = 12, 365 * 20


@pytest.fixture(scope="module")
def year():
    w = widths_for(1000.0)
    rules = RulesInUse(w.alpha, w.weight, w.average_limit_z, w.points_between, w.sees_one_sd, w.sees_two_sd)
    laps = []
    for k in range(LAPS):
        rng = np.random.default_rng(k)
        faces = faces_of(f"K{k}", FACES, rng, a_day=20)
        events = events_of(f"K{k}", FACES, a_day=20)
        numbered = number_cycles(faces, events)
        revisions = {}
        for sign in ("flatness", "minutes", "removal rate"):
            s = stream_of(numbered, lap=f"K{k}", sign=sign)
            model = analyse(s.where(np.arange(len(s)) < 200), rules).model
            revisions[sign] = (Revision(1, START_US, model),)
        laps.append((f"K{k}", faces, events, revisions))
    return laps


def test_replay_of_a_year(benchmark, year):  # 12 laps x 20 faces a day x 365 days, three signs, from the frames on
    def play():
        digests = []
        for lap, faces, events, revisions in year:
            numbered = number_cycles(faces, events)
            for sign in SIGNS:
                if sign in revisions:
                    judged = replay(stream_of(numbered, lap=lap, sign=sign), revisions[sign])
                    digests.append(digest_of(signals_of(judged)))
        return digests

    first = play()
    assert benchmark.pedantic(play, rounds=3, iterations=1) == first


def test_change_search_of_a_hundred_readings(benchmark):
    x = np.random.default_rng(1).normal(size=100)
    change_point(x)  # critical values are simulated once per length
    benchmark(change_point, x)


def test_critical_values_simulated(benchmark):
    from spc.chart.change_scan import change_null

    place = np.sort(np.random.default_rng(2).random(100))
    kinds = ("mean", "slope", "spread")
    benchmark.pedantic(change_null, (place,), {"kinds": kinds, "degree": 0, "min_segment": 2}, rounds=3)


def test_budget_of_144_charts(benchmark):
    rounds = iter(np.linspace(0.5, 3.0, 100))
    benchmark.pedantic(lambda: plan_budget([100.0] * 144, false_calls_per_week=next(rounds)), rounds=5)


def test_go_look_of_1000_laps(benchmark):
    p = np.random.default_rng(4).random(1000)
    benchmark(go_look, p)
