"""Charts at full speed: eight rules on 10 M points, limits of 1,440 streams of 10 M rows, run lengths, sums.

Plain numpy figures stand beside ours in the same run.
"""

import numpy as np
import pytest

from spc.chart import markov, recursion_chain, rule_chain, run_length
from spc.chart.cusum import cusum_values
from spc.chart.ewma import ewma_values
from spc.chart.rules import RULES, rule_signals
from spc.chart.run_length import ewma_run_length, rule_run_length
from spc.chart.stream_limits import stream_limits
from spc.model.summaries import summarise

POINTS = 10_000_000
ALL = tuple(RULES.values())


@pytest.fixture(scope="module")
def z():
    return np.random.default_rng(0).normal(size=POINTS)


@pytest.fixture(scope="module")
def streams():
    return np.random.default_rng(1).integers(0, 1440, POINTS)


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


def test_limits_of_1440_mixed_streams(benchmark, z, streams):
    assert benchmark(stream_limits, z, streams).n.sum() == POINTS


def test_limits_of_1440_mixed_streams_with_breaks(benchmark, z, streams):
    segments = np.arange(POINTS) // 50_000
    assert benchmark(stream_limits, z, streams, segments=segments).n.sum() == POINTS


def test_plain_numpy_means_of_streams(benchmark, z, streams):
    """For the ratio: means alone, without any moving range."""
    benchmark(lambda: np.bincount(streams, weights=z) / np.bincount(streams))


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


def test_exact_summary_of_fifty_thousand(benchmark):
    x = np.round(np.random.default_rng(2).normal(50.0, 2.0, 50_000), 3)
    assert benchmark(summarise, x).n == 50_000
