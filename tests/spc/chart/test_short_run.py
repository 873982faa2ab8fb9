import numpy as np
import pytest
from scipy.stats import levene

from spc.chart.part_levels import equal_spread, part_levels
from spc.chart.self_starting import q_values, self_starting_chart
from spc.chart.short_run import ratio_chart, standard_chart


def mixed(rng, n=200, spread=0.2):
    parts = rng.integers(0, 6, n)
    level = np.exp(rng.normal(0, 0.6, 6))
    return level[parts] * np.exp(rng.normal(0, spread, n)), parts, level


def test_equal_spread_agrees_with_scipy():
    x, parts, _ = mixed(np.random.default_rng(1))
    log = np.log(x)
    found = equal_spread(log, parts)
    assert found.p_value == pytest.approx(levene(*(log[parts == k] for k in range(6))).pvalue, rel=1e-9)
    log[parts == 2] *= 4
    assert equal_spread(log, parts).status == "unequal"
    assert equal_spread([1.0, 2.0], [1, 2]).status == "untested"


def test_levels_lean_on_the_family_as_far_as_readings_are_few():
    rng = np.random.default_rng(2)
    x, parts, level = mixed(rng, 300)
    x, parts = np.append(x, level[0] * 30.0), np.append(parts, 9)  # a new part, one odd reading
    found = part_levels(x, parts)
    assert found.level[:6] == pytest.approx(level, rel=0.15)
    new = found.part.index(9)
    assert found.weight[new] < found.weight[0]
    assert found.family < found.level[new] < found.median[new]
    assert found.level_sd[new] > 3 * found.level_sd[0]


def test_ratio_chart_makes_parts_comparable():
    rng = np.random.default_rng(3)
    x, parts, _ = mixed(rng)
    x[150] *= 3.0
    found = ratio_chart(x, parts)
    assert 150 in found.chart.signals[0].index
    assert found.chart.signals[0].index.size <= 3
    assert found.chart.sigma == pytest.approx(0.2, abs=0.05)
    few = np.flatnonzero(np.bincount(parts)[parts] == np.bincount(parts).min())[0]
    many = np.flatnonzero(np.bincount(parts)[parts] == np.bincount(parts).max())[0]
    assert found.chart.upper[few] > found.chart.upper[many]


def test_standard_chart_leaves_out_unknown_parts_in_words():
    found = standard_chart([1.0, 9.0, 5.0], ["a", "a", "b"], target={"a": 1.0}, spread={"a": 2.0})
    assert found.chart.value[:2] == pytest.approx([0.0, 4.0])
    assert found.chart.signals[0].index.tolist() == [1]
    assert found.chart.notes[-1] == "not plotted for want of a target or spread: part b"


def test_scores_are_standard_normal_and_independent():
    rng = np.random.default_rng(4)
    runs = 3000
    q = np.array([q_values(rng.normal(7.0, 3.0, 20))[2:] for _ in range(runs)])
    assert q.std() == pytest.approx(1.0, abs=4 / (2 * q.size) ** 0.5)
    assert q.mean() == pytest.approx(0.0, abs=4 / q.size**0.5)
    assert np.corrcoef(q[:, 1], q[:, 2])[0, 1] == pytest.approx(0.0, abs=4 / runs**0.5)
    rate = 0.0026998
    assert np.mean(np.abs(q) > 3) == pytest.approx(rate, abs=4 * (rate / q.size) ** 0.5)


def test_scores_agree_with_the_formula_reading_by_reading():
    from scipy.stats import norm, t

    x = np.random.default_rng(5).normal(size=12)
    for i in range(3, 13):
        before = x[: i - 1]
        score = ((i - 1) / i) ** 0.5 * (x[i - 1] - before.mean()) / before.std(ddof=1)
        assert q_values(x)[i - 1] == pytest.approx(norm.ppf(t.cdf(score, i - 2)), abs=1e-9)


def test_its_weakness_is_true_and_stated():
    """An early shift of 2 sd is caught by single scores in about one run of nine, by a known chart nearly always."""
    rng = np.random.default_rng(6)
    runs = 2000
    caught = [
        np.any(q_values(np.concatenate([rng.normal(size=10), rng.normal(2, 1, 20)]))[10:] > 3) for _ in range(runs)
    ]
    assert np.mean(caught) == pytest.approx(1 / 9, abs=4 * (1 / 9 * 8 / 9 / runs) ** 0.5)
    chart = self_starting_chart(rng.normal(size=30))
    assert "one run of nine" in chart.single.notes[0]
    assert chart.drift.status == "ok"


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0], [3.0] * 20, [np.nan] * 6])
def test_too_little_is_a_worded_status(values):
    assert self_starting_chart(values).single.status in ("too few", "no spread")
    assert ratio_chart(values, [0] * len(values)).chart.status in ("too few", "no spread")
    found = standard_chart(values, [0] * len(values), target={}, spread={}).chart
    assert found.status == "too few" and found.reason


def test_a_jump_after_equal_readings_waits_for_spread():
    q = q_values([2.0, 2.0, 2.0, 2.5, 2.4, 2.6])
    assert np.isnan(q[:4]).all() and np.isfinite(q[4:]).all()


def test_refusals():
    with pytest.raises(ValueError, match="`values` must be greater than 0 for a ratio, got 0 at position 1"):
        ratio_chart([1.0, 0.0], ["a", "a"])
    with pytest.raises(ValueError, match="`spread` must be a finite number greater than 0"):
        standard_chart([1.0], ["a"], target={"a": 1.0}, spread={"a": 0.0})
    with pytest.raises(ValueError, match="`parts` must hold one id per reading"):
        ratio_chart([1.0], ["a", "b"])


def test_what_skewness_costs_is_true_and_stated():  # second way: counted on lognormal readings, spread 0.5
    rng, high, low, points = np.random.default_rng(11), 0, 0, 0
    for _ in range(3000):
        q = q_values(rng.lognormal(0.0, 0.5, 20))[2:]
        high, low, points = high + np.sum(q > 3), low + np.sum(q < -3), points + q.size
    assert (high + low) / points / 0.0026998 == pytest.approx(5, abs=0.7) and low < 0.05 * high
    note = self_starting_chart(rng.normal(size=9)).single.notes[1]
    assert "spread of 0.5) give five times as many false alarms, nearly all of them on the long side" in note


def test_parts_whose_readings_lie_alike_about_their_medians_are_not_called_equal():
    found = equal_spread([1, 1, 3, 3, 1, 1, 2, 2], list("AAAABBBB"))
    assert found.status == "untested" and "equally far from its median" in found.sentence
