"""Speed of fits and bounds at n = 1,000; run: pytest tests/benchmarks/bench_model.py -o python_files='bench_*.py'.

The last two are the yardsticks in the same run: one plain numpy pass and one scipy fit of the same readings.
"""

import numpy as np
import pytest

from spc.capability.index import quantile_index
from spc.model.bounds import bound, quantile_target
from spc.model.fit_test import check_fit
from spc.model.interval_fit import choose_family, fit_intervals
from spc.model.probability_limit import probability_limit
from tests.honesty.laws import LAWS, read_on_step, sample

X = sample("lognormal", 1000, np.random.default_rng(1))


def own_stretch():  # 1,000 distinct intervals: no grouping helps
    start = np.random.default_rng(2).random(1000) * 0.2
    low = np.floor((X - start) / 0.2) * 0.2 + start
    return np.maximum(low, 0), low + 0.2


DATA = {"stepped": read_on_step(X, 0.25), "exact": (X, X), "own stretch": own_stretch()}


@pytest.mark.parametrize("data", DATA)
def test_family_choice(benchmark, data):  # stated: under 100 ms
    benchmark(choose_family, *DATA[data])


@pytest.mark.parametrize("data", DATA)
@pytest.mark.parametrize("family", LAWS)
def test_calibrated_bound(benchmark, data, family):  # stated: under 2 s
    fit = fit_intervals(*DATA[data], family=family)
    benchmark.pedantic(bound, args=(fit, quantile_target(0.00135)), rounds=2)


def test_index_with_every_possible_law(benchmark):
    choice = choose_family(*read_on_step(X[:60], 0.25))
    benchmark.pedantic(quantile_index, args=(choice, 5.0), rounds=2)


def test_fit_check(benchmark):
    benchmark(check_fit, fit_intervals(*DATA["stepped"]))


def test_probability_limit_with_its_range(benchmark):
    benchmark(probability_limit, choose_family(*DATA["stepped"]))


def test_family_choice_of_a_million_stepped_readings(benchmark):
    low, high = read_on_step(sample("lognormal", 1_000_000, np.random.default_rng(3)), 0.25)
    benchmark.pedantic(choose_family, args=(low, high), rounds=2)


def test_yardstick_numpy_sort_of_a_million(benchmark):
    x = sample("lognormal", 1_000_000, np.random.default_rng(3))
    benchmark.pedantic(np.unique, args=(x,), rounds=2)


def test_yardstick_scipy_fit_of_one_law(benchmark):
    from scipy import stats

    low, high = DATA["stepped"]
    data = stats.CensoredData(interval=np.column_stack([low, high]))
    benchmark.pedantic(stats.lognorm.fit, args=(data,), kwargs={"floc": 0}, rounds=2)
