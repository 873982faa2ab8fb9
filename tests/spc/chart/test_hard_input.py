"""Every chart on every hard series: an answer or a worded status; pytest turns any warning into a failure."""

import numpy as np
import pytest

from spc.chart.counts import count_chart, share_chart
from spc.chart.cusum import cusum_chart, log_ratio_cusum
from spc.chart.ewma import ewma_chart
from spc.chart.individuals import individuals_chart
from spc.chart.mewma import mewma_chart
from spc.chart.multivariate import joint_chart
from spc.chart.phi_aware import dependent_chart
from spc.chart.relaps import gap_chart
from spc.chart.result import signal_sentences
from spc.chart.self_starting import self_starting_chart
from spc.chart.short_run import ratio_chart, standard_chart
from spc.chart.subgroup import subgroup_chart

RNG = np.random.default_rng(1)
READINGS = np.round(RNG.lognormal(0, 0.5, 200), 2)
SERIES = {
    "none": [],
    "one": [1.0],
    "two": [1.0, 2.0],
    "three": [1.0, 2.0, 1.5],
    "constant": [0.5] * 50,
    "all missing": [np.nan] * 20,
    "one among missing": [np.nan, np.nan, 1.0, np.nan],
    "every other missing": np.where(np.arange(200) % 2, np.nan, READINGS),
    "tiny": READINGS * 1e-12,
    "huge": READINGS * 1e9,
    "one step": [1.0] * 30 + [2.0] * 30,
    "two values": np.tile([1.0, 1.5], 100),
    "usual": READINGS,
}
CHARTS = {
    "individuals": lambda x: [individuals_chart(x).individuals, individuals_chart(x).moving_range],
    "individuals by median": lambda x: [individuals_chart(x, spread="median moving range").individuals],
    "drifting average": lambda x: [ewma_chart(x), ewma_chart(x, sides="upper")],
    "sum": lambda x: [cusum_chart(x).high, cusum_chart(x, head_start=0.5).low],
    "log ratio": lambda x: [log_ratio_cusum(x, decision=3.0)],
    "subgroup": lambda x: [
        getattr(subgroup_chart(x, np.arange(len(x)) // 4, within=within), part)
        for within in ("range", "standard deviation")
        for part in ("mean", "within")
    ],
    "ratio": lambda x: [ratio_chart(x, np.arange(len(x)) % 3).chart],
    "standard": lambda x: [standard_chart(x, ["a"] * len(x), target={"a": 1.0}, spread={"a": 0.5}).chart],
    "self-starting": lambda x: [self_starting_chart(x).single, self_starting_chart(x).drift],
    "correlated": lambda x: [
        dependent_chart(x, phi=0.5, centre=1.0, sigma=0.5, residuals=residuals) for residuals in (False, True)
    ],
    "joint": lambda x: [joint_chart(np.column_stack((x, x))).chart, mewma_chart(np.column_stack((x, x)))],
}


@pytest.mark.parametrize("series", SERIES)
@pytest.mark.parametrize("chart", CHARTS)
def test_an_answer_or_a_worded_status(chart, series):
    values = SERIES[series]
    for found in CHARTS[chart](values):
        assert found.status in ("ok", "too few", "no spread", "refused")
        assert bool(found.reason) == (found.status != "ok")
        assert found.value.size == found.centre.size == found.lower.size == found.upper.size
        assert not np.isnan(found.lower).any() and not np.isnan(found.upper).any()
        assert found.method and found.alarms
        for sentence in signal_sentences(found):
            assert "nan" not in sentence and "inf" not in sentence


@pytest.mark.parametrize("bad", [[], [True], [True, False], [False] * 50, [True] * 50])
def test_flags(bad):
    assert gap_chart(bad, share=0.1).status in ("ok", "too few")
    assert share_chart(np.asarray(bad, dtype=int), np.ones(len(bad))).chart.status in ("ok", "too few", "no spread")
    assert count_chart(np.asarray(bad, dtype=int)).chart.status in ("ok", "too few", "no spread")


@pytest.mark.parametrize(
    "chart", ["individuals", "drifting average", "sum", "log ratio", "subgroup", "ratio", "self-starting", "correlated"]
)
def test_a_million_readings(chart):
    x = np.random.default_rng(2).lognormal(0, 0.5, 1_000_000)
    for found in CHARTS[chart](x):
        assert found.status == "ok"
