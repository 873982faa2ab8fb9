"""Do limits that were estimated attain the rate that is said of them?"""

import numpy as np
from scipy.special import ndtr

from spc.chart.attained import attained_rate, guaranteed_width
from spc.chart.counts import share_chart
from spc.chart.individuals import individuals_chart
from spc.chart.multivariate import joint_chart
from spc.chart.self_starting import q_values
from spc.chart.subgroup import subgroup_chart
from tests.honesty.table import honesty_size, record


def run_individuals(size, rng):
    """Conditional false-alarm rates of charts whose limits came from the chart itself, baseline by baseline."""
    runs = 10_000 if size == "full" else 500
    rows = []
    for n in (20, 50, 100):
        rates = []
        for _ in range(runs):
            chart = individuals_chart(rng.normal(size=n)).individuals
            rates.append(ndtr(-chart.upper[0]) + ndtr(chart.lower[0]))
        said = attained_rate(n)
        error = float(np.std(rates) / runs**0.5)
        wide = guaranteed_width(n)
        kept = []
        for _ in range(runs):
            chart = individuals_chart(rng.normal(size=n), width_sd=wide).individuals
            kept.append(ndtr(-chart.upper[0]) + ndtr(chart.lower[0]) <= 1.2 * said.nominal)
        row = [n, runs, said.average, float(np.mean(rates)), error, said.high_90, float(np.quantile(rates, 0.9))]
        rows.append([*row, wide, float(np.mean(kept))])
    return rows


def run_families(size, rng):
    """Attained rates of charts with known or well-estimated settings."""
    runs = 20_000 if size == "full" else 1000
    rows = []

    def add(name, said, hits, points):
        rows.append([name, points, said, hits / points, (said * (1 - said) / points) ** 0.5])

    faces = rng.integers(20, 90, runs)
    chart = share_chart(rng.binomial(faces, 0.08), faces, share=0.08, dispersion="plain")
    add("share of faces, probability limits", chart.attained, chart.chart.signals[0].index.size, runs)
    groups = np.repeat(np.arange(runs), 5)
    found = subgroup_chart(rng.normal(size=groups.size), groups, centre=0.0, sigma=1.0)
    add("subgroup mean of 5", float(2 * ndtr(-3.0)), found.mean.signals[0].index.size, runs)
    scores = np.concatenate([q_values(rng.normal(size=60))[2:] for _ in range(runs // 50)])
    add("self-starting scores", float(2 * ndtr(-3.0)), int(np.sum(np.abs(scores) > 3)), scores.size)
    hits, points = 0, 0
    for _ in range(runs // 20):
        own = joint_chart(rng.normal(size=(40, 2)), alpha=0.01, least_rows=40)
        hits, points = hits + own.chart.signals[0].index.size, points + 40
    add("joint distance of the baseline's own faces, alpha 0.01", 0.01, hits, points)
    return rows


def test_individuals_attain_what_is_said():
    rows = run_individuals(honesty_size(), np.random.default_rng(30271))
    record(
        "chart_individuals",
        title="Individuals chart with estimated limits: true false-alarm rate",
        statement="Normal readings, centre and moving range from the baseline; the rate of one chart is fixed by the "
        "luck of its baseline. Last two columns: the width that shall hold 1.2 times the nominal rate for 9 baselines "
        "of 10, and the share for which it does.",
        columns=["baseline", "runs", "mean said", "mean", "+-", "90 % point said", "90 % point", "wide sd", "kept"],
        rows=rows,
    )
    for n, runs, said, found, error, said_90, found_90, _, kept in rows:
        assert abs(found - said) <= 4 * error + 0.04 * said, n  # 4 %: the scaled chi is an approximation
        assert abs(found_90 / said_90 - 1) <= 0.06 + 8 / runs**0.5
        assert abs(kept - 0.9) <= 4 * (0.09 / runs) ** 0.5 + 0.01


def test_other_charts_attain_what_is_said():
    rows = run_families(honesty_size(), np.random.default_rng(30272))
    record(
        "chart_rates",
        title="False-alarm rate per point of other charts",
        statement="Each under its own model, in control.",
        columns=["chart", "points", "said", "counted", "+-"],
        rows=rows,
    )
    for name, _, said, counted, error in rows:
        assert abs(counted - said) <= 4 * error + 1e-12, name
