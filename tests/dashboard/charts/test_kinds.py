"""A panel of any kind of chart as drawn: its axis, its limits, and what lies far from the rest."""

import numpy as np

from dashboard.charts.kinds import kind_figure
from dashboard.theme import LIGHT
from spc.board.chart_made import Panel
from spc.chart.individuals import individuals_chart

VALUES = np.random.default_rng(8).normal(10.0, 1.0, 60)


def draw(value):
    chart = individuals_chart(value, centre=10.0, sigma=1.0).individuals
    labels = tuple(str(place) for place in range(1, value.size + 1))
    return kind_figure(Panel(chart, labels, ("",) * value.size), LIGHT, "thickness, µm"), chart


def traces(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def test_points_limits_and_centre_are_drawn_with_the_axis_title_given():
    figure, chart = draw(VALUES)
    assert figure.layout.yaxis.title.text == "thickness, µm" and len(traces(figure, "point")[0].x) == 60
    low, high = figure.layout.yaxis.range
    assert low < min(VALUES.min(), chart.lower[0]) and high > max(VALUES.max(), chart.upper[0])
    assert not traces(figure, "above the picture") and not traces(figure, "below the picture")


def test_points_far_above_and_below_all_others_are_told_at_the_edges():
    value = VALUES.copy()
    value[[20, 40]] = 5000.0, -5000.0
    figure, _ = draw(value)
    low, high = figure.layout.yaxis.range
    for name, at, words in (("above the picture", 21, "5,000"), ("below the picture", 41, "-5,000")):
        (edge,) = traces(figure, name)
        assert list(edge.x) == [at] and edge.text[0].strip("</b>\u2002") == words and low < edge.y[0] < high
    (rings,) = traces(figure, "signal")
    assert low < min(rings.y) and max(rings.y) < high


def test_where_many_lie_far_out_they_are_what_the_readings_do_and_are_held():
    from dashboard.charts.far import reach_of

    value = np.concatenate([np.zeros(50), np.linspace(0, 400, 30)])  # a sum that climbs
    assert reach_of(value, np.array([5.0])) == (0.0, 400.0)
    assert reach_of(np.array([1.0, 1.0, 1.0]), np.array([])) == (1.0, 1.0)
