"""Charts at full speed: eight rules on 10 M points, limits of 1,440 laps of 10 M rows, run lengths, sums.

Plain numpy figures stand beside ours in the same run.
"""

import numpy as np
import pytest

from spc.chart import markov, recursion_chain, rule_chain, run_length
from spc.chart.cusum import cusum_values
from spc.chart.ewma import ewma_values
from spc.chart.individuals import local_spread
from spc.chart.rules import RULES, rule_signals
from spc.chart.run_length import ewma_run_length, rule_run_length

POINTS = 10_000_000
ALL = tuple(RULES.values())


@pytest.fixture(scope="module")
def z():
    return np.random.default_rng(0).normal(size=POINTS)


@pytest.fixture(scope="module")
def laps(z):
    """1,440 laps of unlike length, each a stretch of the readings, as the board hands them out."""
    ends = np.sort(np.random.default_rng(1).choice(POINTS - 1, 1439, replace=False)) + 1
    return [lap for lap in np.split(z, ends) if lap.size]


def test_eight_rules_on_ten_million_points(benchmark, z):
    benchmark.extra_info["points"] = POINTS
    found = benchmark(rule_signals, z, rules=ALL)
    benchmark.extra_info["points_per_second"] = POINTS / benchmark.stats["mean"]
    assert len(found) == 8


def test_eight_rules_with_breaks(benchmark, z):
    segments = np.arange(POINTS) // 60
    assert len(benchmark(rule_signals, z, rules=ALL, segments=segments)) == 8


def test_plain_numpy_one_limit(benchmark, z):
    """For the ratio: the least any program must do, one comparison of all points with one limit."""
    benchmark(lambda: np.flatnonzero(np.abs(z) > 3.0))


def test_limits_of_1440_laps(benchmark, laps):
    assert sum(found.n for found in benchmark(lambda: [local_spread(lap) for lap in laps])) == POINTS


def test_limits_of_1440_laps_with_breaks(benchmark, laps):
    breaks = [np.arange(lap.size) // 60 for lap in laps]
    found = benchmark(lambda: [local_spread(x, segments=ids) for x, ids in zip(laps, breaks, strict=True)])
    assert sum(one.n for one in found) == POINTS


def test_plain_numpy_means_of_laps(benchmark, laps):
    """For the ratio: means alone, without any moving range."""
    benchmark(lambda: [lap.mean() for lap in laps])


def test_drifting_average_of_ten_million(benchmark, z):
    benchmark(ewma_values, z, weight=0.2)


def test_sum_of_ten_million(benchmark, z):
    benchmark(cusum_values, z - 0.5)


def test_run_length_of_eight_rules(benchmark):
    def fresh():
        rule_chain.rule_automaton.cache_clear()
        run_length._rule_run_length.cache_clear()
        return rule_run_length(ALL)

    assert benchmark(fresh).average > 50


def test_run_length_of_a_drifting_average(benchmark):
    def fresh():
        recursion_chain.recursion_chain.cache_clear()
        return ewma_run_length(0.1, 2.814, exact_limits=True)

    assert benchmark(fresh).average > 400


def test_run_length_alone_of_a_drifting_average(benchmark):
    chain = recursion_chain.recursion_chain(recursion_chain.Recursion(0.9, 0.1, 0.0, 0.6, True))
    benchmark(markov.chain_average, chain)
