"""A dimension of one part number from one lap: each reading as its interval, chart limits and the drawing's limits."""

import math

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure, reading_bars
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
        height=int(460 * look.scale),
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
    ends = [value for _, value, *_ in lines] + [float(low.min()), float(high.max())]
    room = 0.06 * (max(ends) - min(ends) or 1.0)
    figure.add_traces(
        reading_bars(
            place[rows], low[rows], high[rows], hover, name="reading", colour=look.now, ceiling=max(ends),
            width=max(0.6, low.size / 600), edge=3 * look.scale,
        )
    )  # fmt: skip
    for name, value, colour, dash, width in lines:
        figure.add_trace(
            go.Scatter(
                x=[0.0, low.size + 1.0],
                y=[value] * 2,
                mode="lines",
                line={"color": colour, "width": width * look.scale, "dash": dash},
                name=name,
                hovertemplate=f"{name}: {unit.named(number(value, 6))}<extra></extra>",
            )
        )
    if beyond.any():
        middle = (low + high) / 2
        figure.add_trace(
            go.Scatter(
                x=place[beyond],
                y=middle[beyond],
                mode="markers",
                marker={"symbol": "circle-open", "size": 18 * look.scale, "color": look.ring, "line": {"width": 3}},
                name="beyond a chart limit",
                hoverinfo="skip",
            )
        )
    figure.update_yaxes(range=[min(ends) - room, max(ends) + room], exponentformat="none", separatethousands=True)
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
) -> list[tuple[str, float, str, str, float]]:
    """Name, height, colour, dash and width of every level line there is."""
    lines = [
        ("limit of the drawing", unit.from_um(value), look.ring, "solid", 3.0)
        for value in (lower_um, upper_um)
        if math.isfinite(value)
    ]
    if report.chart.status == "ok":
        chart = report.chart
        lines += [
            ("chart limit", unit.from_um(float(chart.lower[0])), look.limit, "dash", 2.5),
            ("chart limit", unit.from_um(float(chart.upper[0])), look.limit, "dash", 2.5),
            ("usual", unit.from_um(float(chart.centre[0])), look.band, "solid", 2.0),
        ]
    seen: set[str] = set()
    named = []
    for name, *rest in lines:
        named.append((name if name not in seen else f"{name}, upper", *rest))
        seen.add(name)
    return named
