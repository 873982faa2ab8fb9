"""One panel of a chart of any kind: points in order, centre, limits, and rings where it signals."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.far import far_marks, reach_of
from dashboard.charts.style import base_figure
from dashboard.theme import Look
from dashboard.words import number
from spc.board.chart_made import Panel

__all__ = ["kind_figure", "kind_table"]

_MOST = 600  # newest points drawn


def kind_figure(panel: Panel, look: Look, y_title: str) -> go.Figure:
    """Draw the newest points of a panel that has one or more.

    Parameters
    ----------
    panel : Panel
    look : Look
    y_title : str
        What is plotted, with its unit.
    """
    chart = panel.chart
    figure = base_figure(look, x_title="points, oldest to newest", y_title=y_title)
    first = max(0, chart.value.size - _MOST)
    place = np.arange(first, chart.value.size) + 1
    value = chart.value[first:]
    there = np.isfinite(value)
    hover = [
        f"{label}{f', {time}' if time else ''}: {number(float(v), 4)}"
        for label, time, v in zip(panel.labels[first:], panel.times[first:], value, strict=True)
    ]
    drawn = (chart.upper, chart.lower, chart.centre) if chart.status == "ok" else ()
    levels = np.concatenate([level[first:][np.isfinite(level[first:])] for level in drawn] or [value[:0]])
    low, high = reach_of(value[there], levels)
    figure.add_trace(
        go.Scatter(
            x=place[there],
            y=value[there],
            mode="lines+markers",
            line={"color": look.now, "width": 1.5 * look.scale},
            marker={"color": look.now, "size": 7 * look.scale},
            name="point",
            customdata=[words for words, shown in zip(hover, there.tolist(), strict=True) if shown],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )
    lines = (
        ("upper limit", chart.upper, look.limit, "dash"),
        ("lower limit", chart.lower, look.limit, "dash"),
        ("centre", chart.centre, look.band, "solid"),
    )
    for name, level, colour, dash in lines:
        known = np.isfinite(level[first:])
        if chart.status == "ok" and known.any():
            figure.add_trace(
                go.Scatter(
                    x=place[known],
                    y=level[first:][known],
                    mode="lines",
                    line={"color": colour, "width": 2.5 * look.scale, "dash": dash, "shape": "hvh"},
                    name=name,
                    hoverinfo="skip",
                )
            )
    called = sorted({i for signals in chart.signals for i in signals.index.tolist() if i >= first})
    if called:
        figure.add_trace(
            go.Scatter(
                x=[i + 1 for i in called],
                y=chart.value[called].clip(low, high),
                mode="markers",
                marker={"symbol": "circle-open", "size": 18 * look.scale, "color": look.ring, "line": {"width": 3}},
                name="signal",
                hoverinfo="skip",
            )
        )
    for far, below in ((value > high, False), (value < low, True)):
        if far.any():
            at = np.flatnonzero(far)
            told = [f"\u2002{number(float(v), 4)}\u2002" for v in value[at]]
            edge = low if below else high
            words = [hover[row] for row in at]
            figure.add_trace(far_marks(place[at], edge, told, words, look, right=first + float(place[-1]), below=below))
    room = 0.08 * (high - low or 1.0)
    figure.update_yaxes(range=[low - room, high + room])
    return figure


def kind_table(panel: Panel, *, most: int = 500) -> pd.DataFrame:
    """Return the newest points of the panel."""
    chart = panel.chart
    spoken: dict[int, str] = {}
    for signals in chart.signals:
        spoken |= dict.fromkeys(signals.index.tolist(), signals.words)
    columns = {
        name: np.where(np.isfinite(values), values, np.nan)
        for name, values in (("value", chart.value), ("lower limit", chart.lower), ("upper limit", chart.upper))
    }
    signal = [spoken.get(i, "") for i in range(chart.value.size)]
    table = pd.DataFrame({"point": panel.labels, "when": panel.times, **columns, "signal": signal})
    return table[np.isfinite(chart.value)].iloc[: -most - 1 : -1]
