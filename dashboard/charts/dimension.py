"""A dimension of one part number from one lap: each reading as its interval, chart limits and the drawing's limits."""

import math

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.far import far_marks, far_words, reach_of
from dashboard.charts.style import base_figure, line_over, reading_bars
from dashboard.charts.thin import MOST_MARKS, thin
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import as_typed, number
from spc.board.dimension import DimensionChart

__all__ = ["dimension_figure", "dimension_table"]


def dimension_figure(
    report: DimensionChart, lower_um: float, upper_um: float, look: Look, unit: DisplayUnit
) -> go.Figure:
    """Draw a dimension in order of time.

    Parameters
    ----------
    report : DimensionChart
        With one reading or more.
    lower_um, upper_um : float
        Limits of the drawing; NaN = none.
    look, unit : Look, DisplayUnit

    Returns
    -------
    plotly Figure
        The axis need not hold zero: a dimension lies about its nominal value.
    """
    figure = base_figure(
        look,
        x_title="faces, oldest to newest",
        y_title=f"{report.characteristic}, {unit.label}",
    )
    low, high = report.low_um / unit.um_per_unit, report.high_um / unit.um_per_unit
    place = np.arange(1.0, low.size + 1)
    beyond = np.isin(np.array(report.face_ids), report.beyond)
    rows = thin(low, high, beyond, most=MOST_MARKS // 6)
    hover = [
        f"face {report.face_ids[row]}, {as_typed(report.time_texts[row])}: {number(float(low[row]), 6)} to "
        f"{unit.named(number(float(high[row]), 6))}"
        for row in rows
    ]
    lines = _lines(report, lower_um, upper_um, look, unit)
    middle = (low + high) / 2
    least, most = reach_of(middle, np.array([value for _, value, *_ in lines]))
    above, below = middle > most, middle < least
    held = ~(above | below)
    least, most = min(least, float(low[held].min())), max(most, float(high[held].max()))
    room = 0.06 * (most - least or 1.0)
    near = held[rows]
    figure.add_traces(
        reading_bars(
            place[rows][near], low[rows][near], high[rows][near], [hover[at] for at in np.flatnonzero(near)],
            name="reading", colour=look.now, ceiling=most, width=max(0.6, low.size / 600), edge=3 * look.scale,
        )
    )  # fmt: skip
    for far, edge in ((above[rows], most), (below[rows], least)):
        if far.any():
            told = [f"\u2002{far_words(float(value), unit)}\u2002" for value in middle[rows][far]]
            said = [hover[at] for at in np.flatnonzero(far)]
            mark = far_marks(place[rows][far], edge, told, said, look, right=low.size + 1.0, below=edge == least)
            figure.add_trace(mark)
    named: set[str] = set()  # two limits of a kind are one entry of the legend
    ends = np.array([0.0, low.size + 1.0])
    for name, value, colour, dashed, width in lines:
        figure.add_traces(
            line_over(
                ends, np.full(2, value), look, colour=colour, width=width * look.scale, name=name, dashed=dashed,
                showlegend=name not in named, hoverinfo=None,
                hovertemplate=f"{name}: {unit.named(number(value, 6))}<extra></extra>",
            )
        )  # fmt: skip
        named.add(name)
    if beyond.any():
        figure.add_trace(
            go.Scatter(
                x=place[beyond],
                y=middle[beyond].clip(least, most),
                mode="markers",
                marker={"symbol": "circle-open", "size": 18 * look.scale, "color": look.ring, "line": {"width": 3}},
                name="beyond a chart limit",
                hoverinfo="skip",
            )
        )
    figure.update_yaxes(range=[least - room, most + room], exponentformat="none", separatethousands=True)
    figure.update_xaxes(range=[0, max(2.0, low.size + 1.0)])
    return figure


def dimension_table(report: DimensionChart, unit: DisplayUnit, *, most: int = 500) -> pd.DataFrame:
    """Return the newest readings of the picture."""
    beyond = set(report.beyond)
    return pd.DataFrame(
        {
            "face": report.face_ids,
            "when": report.time_texts,
            f"from, {unit.label}": np.round(report.low_um / unit.um_per_unit, 4),
            f"to, {unit.label}": np.round(report.high_um / unit.um_per_unit, 4),
            "beyond a chart limit": ["yes" if face in beyond else "" for face in report.face_ids],
        }
    ).iloc[: -most - 1 : -1]


def _lines(
    report: DimensionChart, lower_um: float, upper_um: float, look: Look, unit: DisplayUnit
) -> list[tuple[str, float, str, bool, float]]:
    """Name, height, colour, whether it is dashed, and width of every level line there is."""
    lines = [
        ("limit of the drawing", unit.from_um(value), look.ring, False, 3.0)
        for value in (lower_um, upper_um)
        if math.isfinite(value)
    ]
    if report.chart.status == "ok":
        chart = report.chart
        lines += [
            ("chart limit", unit.from_um(float(chart.lower[0])), look.limit, True, 2.5),
            ("chart limit", unit.from_um(float(chart.upper[0])), look.limit, True, 2.5),
            ("usual", unit.from_um(float(chart.centre[0])), look.band, False, 2.0),
        ]
    return lines
