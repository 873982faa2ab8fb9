"""A dimension in order of time as drawn: both limits as one entry of the legend, and what lies far from the rest."""

import numpy as np

from dashboard.charts.dimension import dimension_figure
from dashboard.theme import LIGHT
from dashboard.units import MICROMETRE
from spc.board.dimension import DimensionChart
from spc.chart.individuals import individuals_chart


def report(value):
    chart = individuals_chart(value, centre=10.0, sigma=1.0).individuals
    faces = tuple(range(101, 101 + value.size))
    beyond = tuple(face for face, size in zip(faces, value, strict=True) if abs(size - 10.0) > 3.0)
    return DimensionChart(
        "CI-1", "P1", "thickness", chart, faces, ("",) * value.size, value - 0.05, value + 0.05, beyond, 0.0, "sentence"
    )


def traces(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def test_the_two_limits_of_a_kind_are_one_entry_of_the_legend():
    figure = dimension_figure(report(np.linspace(9.0, 11.0, 40)), 4.0, 16.0, LIGHT, MICROMETRE)
    for name in ("chart limit", "limit of the drawing"):
        lines = traces(figure, name)
        assert [line.showlegend for line in lines] == [True, False] and lines[0].y[0] != lines[1].y[0]
    assert not [trace.name for trace in figure.data if "upper" in trace.name]


def test_readings_far_above_and_below_all_others_are_told_at_the_edges():
    value = np.linspace(9.0, 11.0, 40)
    value[[10, 20]] = 9000.0, -9000.0
    figure = dimension_figure(report(value), np.nan, np.nan, LIGHT, MICROMETRE)
    low, high = figure.layout.yaxis.range
    assert high - low < 100.0
    for name, at, words in (("above the picture", 11.0, "9,000 µm"), ("below the picture", 21.0, "-9,000 µm")):
        (edge,) = traces(figure, name)
        assert list(edge.x) == [at] and edge.text[0].strip("</b>\u2002") == words and low < edge.y[0] < high
    (rings,) = traces(figure, "beyond a chart limit")
    assert low < min(rings.y) and max(rings.y) < high
