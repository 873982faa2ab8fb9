from pathlib import Path

import numpy as np
import pytest

from spc.chart.outliers import find_outliers

SOURCES = Path(__file__).parents[2] / "sources"


def test_rosner_example():  # Rosner (1983), three outliers; steps as printed (cut, not rounded, at 3 decimals)
    values = np.loadtxt(SOURCES / "rosner_1983_example.csv", comments="#", skiprows=3)
    found = find_outliers(values, most=10)
    assert values[found.index].tolist() == [6.01, 5.42, 5.34]
    assert found.distance[:3] == pytest.approx([3.118, 2.942, 3.179], abs=0.001)
    assert found.critical[:3] == pytest.approx([3.158, 3.151, 3.143], abs=0.001)


def test_good_lists_are_left_alone_as_often_as_stated():  # second way: counting
    rng = np.random.default_rng(40)
    for n in (15, 60):
        called = np.mean([find_outliers(rng.normal(size=n)).index.size > 0 for _ in range(1500)])
        assert called <= 0.05 + 4 * (0.05 * 0.95 / 1500) ** 0.5


def test_two_that_hide_each_other_are_both_found():
    x = np.append(np.random.default_rng(41).normal(size=40), [9.0, 9.1])
    assert sorted(find_outliers(x).index.tolist()) == [40, 41]


@pytest.mark.parametrize("values", [[], [1.0], [1.0] * 30, [0.0, 1.0, 2.0, 3.0]])
def test_nothing_to_say(values):
    assert find_outliers(values).index.size == 0


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`scores` must be one-dimensional and finite"):
        find_outliers([1.0, np.nan])
    with pytest.raises(ValueError, match="`rate` must be between 0 and 1"):
        find_outliers([1.0] * 9, rate=0)
