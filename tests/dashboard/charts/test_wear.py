"""The wear chart and the re-lap chart as drawn: what signals is ringed and named, re-lapped faces are marked."""

import math

import numpy as np
import pandas as pd
import pytest

from dashboard.charts.wear import outside, relap_figure, relap_table, wear_figure, wear_table
from dashboard.theme import LIGHT
from dashboard.units import MICROMETRE
from spc.board.wear_report import RelapReport, WearReport
from spc.chart.change_point import ChangeSearch
from spc.chart.relaps import bernoulli_plan, relap_chart
from spc.chart.wear_chart import wear_chart

AGE = np.arange(1.0, 25.0)


def wear(jump=0.0):
    value = np.log(0.2) + 0.01 * AGE + np.random.default_rng(3).normal(0, 0.05, AGE.size)
    value[-1] += jump
    chart = wear_chart(AGE, value)
    search = ChangeSearch("refused", (), math.nan, 0.01, AGE.size, ("mean",), "too few")
    readings = pd.DataFrame(
        {"text": [f"{v:.2f}" for v in np.exp(value)], "time_text": "2026-03-04", "low_um": np.exp(value) - 0.01,
         "high_um": np.exp(value) + 0.01}
    )  # fmt: skip
    return WearReport("CI-1", "ok", chart, search, tuple(range(AGE.size)), "method", "sentence"), readings


def names(figure):
    return [trace.name for trace in figure.data]


def test_a_lap_that_wears_as_usual_has_no_ring():
    report, readings = wear()
    figure = wear_figure(report, readings, LIGHT, MICROMETRE)
    assert "beyond usual wear" not in names(figure) and {"wearing as usual", "foretold", "reading"} <= set(
        names(figure)
    )
    assert "µm" in figure.layout.yaxis.title.text and figure.layout.xaxis.title.text == "faces since reconditioning"


def test_a_jump_is_ringed_and_named_in_words():
    report, readings = wear(jump=1.5)
    figure = wear_figure(report, readings, LIGHT, MICROMETRE)
    assert outside(report).nonzero()[0].tolist() == [AGE.size - 1]
    ring = next(trace for trace in figure.data if trace.name == "beyond usual wear")
    assert list(ring.x) == [AGE[-1]] and figure.layout.annotations[-1].text == "beyond usual wear"
    assert wear_table(report, readings, MICROMETRE)["signal"].tolist()[:2] == ["beyond usual wear", ""]


def test_hover_shows_the_reading_as_typed():
    report, readings = wear()
    readings["text"] = "<b>1</b>"
    bars = next(trace for trace in wear_figure(report, readings, LIGHT, MICROMETRE).data if trace.name == "reading")
    assert "&lt;b&gt;1&lt;/b&gt;" in bars.customdata[0]


@pytest.mark.parametrize(("bad", "called"), [([0] * 20, False), ([0] * 5 + [1] * 15, True)])
def test_faces_lapped_again_are_marked_and_a_rise_is_ringed(bad, called):
    chart = relap_chart(np.array(bad), bernoulli_plan(0.05, 0.2, average=500.0))
    report = RelapReport("CI-1", "ok", 0.05, 100, sum(bad), len(bad), chart, tuple(range(len(bad))), "m", "s")
    figure = relap_figure(report, LIGHT)
    marked = next(trace for trace in figure.data if trace.name == "lapped again")
    assert len(marked.x) == sum(bad)
    assert ("more re-laps than usual" in names(figure)) is called
    assert relap_table(report)["lapped again"].tolist().count("yes") == sum(bad)


def test_a_reading_far_above_all_others_is_told_at_the_edge_and_presses_nothing_together():
    report, readings = wear(jump=6.0)  # 400 times as large
    figure = wear_figure(report, readings, LIGHT, MICROMETRE)
    assert figure.layout.yaxis.range[1] < 4.0
    edge = next(trace for trace in figure.data if trace.name == "above the picture")
    assert list(edge.x) == [AGE[-1]] and edge.text[0].strip("</b>\u2002").endswith(" µm")
    ring = next(trace for trace in figure.data if trace.name == "beyond usual wear")
    assert ring.y[0] == edge.y[0] < figure.layout.yaxis.range[1]


def test_the_first_and_the_last_reading_are_drawn_whole():
    report, readings = wear()
    left, right = wear_figure(report, readings, LIGHT, MICROMETRE).layout.xaxis.range
    assert left < AGE[0] - 0.5 and right > AGE[-1] + 0.5
