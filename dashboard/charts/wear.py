"""The running cycle against how the lap usually wears, and the sum that watches for faces lapped again."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.charts.far import capped, far_marks, far_size, far_words
from dashboard.charts.style import Array, area, base_figure, line_over, reading_bars, ring_words
from dashboard.charts.thin import MOST_MARKS, thin
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import as_typed
from spc.board.wear_report import RelapReport, WearReport
from spc.chart.result import Chart

__all__ = ["relap_figure", "relap_table", "wear_figure", "wear_table"]

_MOST_NAMED = 4


def wear_figure(report: WearReport, readings: pd.DataFrame, look: Look, unit: DisplayUnit) -> go.Figure:
    """Draw each face of the cycle between the limits foretold from the faces before it.

    Parameters
    ----------
    report : WearReport
        Status 'ok'.
    readings : DataFrame
        One row per face of the chart: low_um, high_um (each part brought to the usual one), text, time_text.
    look, unit : Look, DisplayUnit

    Returns
    -------
    plotly Figure
    """
    chart = report.chart
    figure = base_figure(
        look,
        x_title="faces since reconditioning",
        y_title=f"flatness at first pass,<br>parts made alike, {unit.label}",
    )
    scale = unit.um_per_unit
    low, high = (readings[name].to_numpy(np.float64) / scale for name in ("low_um", "high_um"))
    lower, centre, upper = (np.exp(level) / scale for level in (chart.lower, chart.centre, chart.upper))
    out = outside(report)
    kept = thin(low, high, out, most=MOST_MARKS // 6)
    closed = high[np.isfinite(high)]
    usual = max(float(np.median(closed)) if closed.size else 0.0, float(np.nanmax(centre, initial=0.0)))
    read = 1.1 * capped(np.concatenate([closed, low]), usual)
    ceiling = max(read, min(1.1 * float(np.nanmax(upper[2:], initial=0.0)), 1.3 * read))
    known = np.isfinite(upper) & np.isfinite(lower)
    if known.any():
        age = chart.age[known]
        top = np.minimum(upper[known], ceiling)
        figure.add_trace(area(age, lower[known], top, name="wearing as usual", colour=look.band, opacity=0.22))
        figure.add_traces(line_over(age, centre[known], look, colour=look.band, width=3 * look.scale, name="foretold"))
    hover = [
        f"<b>{as_typed(text)}</b><br>{as_typed(when)}"
        for text, when in zip(readings["text"], readings["time_text"], strict=True)
    ]
    right = float(chart.age.max()) + 1.0
    near, far = kept[low[kept] <= ceiling], kept[low[kept] > ceiling]
    figure.add_traces(
        reading_bars(
            chart.age[near], low[near], high[near], [hover[row] for row in near], name="reading", colour=look.now,
            ceiling=ceiling, width=max(0.6, float(np.ptp(chart.age)) / 500),
        )
    )  # fmt: skip
    if far.size:
        sizes = [far_size(float(low[row]), float(high[row])) for row in far]
        told = [f"\u2002{far_words(size, unit)}{more}\u2002" for size, more in sizes]
        above = [f"{hover[row]}<br>above this picture" for row in far]
        figure.add_trace(far_marks(chart.age[far], ceiling, told, above, look, right=right))
    _ring(figure, chart.age[out], high[out], "beyond usual wear", ceiling, look)
    figure.update_yaxes(range=[0, ceiling * 1.12])
    figure.update_xaxes(range=[float(chart.age.min()) - 0.02 * right - 0.6, right])
    return figure


def wear_table(report: WearReport, readings: pd.DataFrame, unit: DisplayUnit) -> pd.DataFrame:
    """Return the wear chart as a table, newest first."""
    chart, scale = report.chart, unit.um_per_unit
    return pd.DataFrame(
        {
            "faces since reconditioning": chart.age,
            "when": readings["time_text"].to_numpy(),
            "as typed": readings["text"].to_numpy(),
            f"foretold, {unit.label}": np.round(np.exp(chart.centre) / scale, 4),
            f"from, {unit.label}": np.round(np.exp(chart.lower) / scale, 4),
            f"to, {unit.label}": np.round(np.exp(chart.upper) / scale, 4),
            "signal": np.where(outside(report), "beyond usual wear", ""),
        }
    ).iloc[::-1]


def outside(report: WearReport) -> NDArray[np.bool_]:
    """Tell which faces lie beyond the limits of a lap that wears as usual."""
    chart = report.chart
    return (chart.value > chart.upper) | (chart.value < chart.lower)


def relap_figure(report: RelapReport, look: Look) -> go.Figure:
    """Draw the sum over single faces, its decision line, and each face that was lapped again.

    Parameters
    ----------
    report : RelapReport
        With a chart.
    look : Look

    Returns
    -------
    plotly Figure
    """
    chart = _chart(report)
    place = np.arange(1.0, chart.value.size + 1)
    figure = base_figure(
        look,
        x_title="faces of this cycle, oldest to newest",
        y_title="evidence for more re-laps,<br>steps of the sum",
    )
    again = _again(chart.value)
    kept = thin(chart.value, chart.value, again, most=MOST_MARKS // 4)
    figure.add_trace(
        go.Scatter(
            x=place[kept],
            y=chart.value[kept],
            mode="lines",
            line={"color": look.now, "width": 3 * look.scale, "shape": "hv"},
            name="sum",
            hovertemplate="face %{x:.0f}: %{y:.0f} steps<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=place[again],
            y=chart.value[again],
            mode="markers",
            marker={"symbol": "triangle-up", "size": 13 * look.scale, "color": look.ink},
            name="lapped again",
            hovertemplate="face %{x:.0f} was lapped again<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[0.5, place.size + 0.5],
            y=[float(chart.upper[0])] * 2,
            mode="lines",
            line={"color": look.limit, "width": 3 * look.scale, "dash": "dash"},
            name="a rise is called here",
            hoverinfo="skip",
        )
    )
    called = np.zeros(chart.value.size, dtype=bool)
    called[chart.signals[0].index] = True
    top = max(float(chart.upper[0]), float(chart.value.max())) * 1.2
    _ring(figure, place[called], chart.value[called], "more re-laps than usual", top, look)
    figure.update_yaxes(range=[0, top])
    figure.update_xaxes(range=[0, place.size + 1])
    return figure


def relap_table(report: RelapReport) -> pd.DataFrame:
    """Return the re-lap chart as a table, newest first."""
    chart = _chart(report)
    return pd.DataFrame(
        {
            "face": report.face_ids,
            "lapped again": np.where(_again(chart.value), "yes", ""),
            "sum, steps": chart.value,
            "a rise is called at": chart.upper,
        }
    ).iloc[::-1]


def _chart(report: RelapReport) -> Chart:
    if report.chart is None:
        raise ValueError("`report` must have a chart; this one was refused")
    return report.chart.chart


def _again(value: Array) -> NDArray[np.bool_]:
    """Faces at which the sum rises: those lapped again."""
    return np.diff(value, prepend=0.0) > 0


def _ring(figure: go.Figure, x: Array, y: Array, words: str, ceiling: float, look: Look) -> None:
    """Ring what signals and name it, the last few in words beside the ring."""
    if not x.size:
        return
    y = np.where(np.isfinite(y), np.minimum(y, ceiling), ceiling)
    figure.add_trace(
        go.Scatter(
            x=x,
            y=y,
            mode="markers",
            marker={"symbol": "circle-open", "size": 20 * look.scale, "color": look.ring, "line": {"width": 4}},
            cliponaxis=False,
            name=words,
            hovertemplate=f"{words}<extra></extra>",
        )
    )
    starts = np.flatnonzero(np.diff(x, prepend=-10.0) > 1.5)[-_MOST_NAMED:]
    for lane, row in enumerate(starts):
        figure.add_annotation(
            x=x[row],
            y=y[row],
            text=words,
            **ring_words(look),
            ax=-24,
            ay=-30 - 26 * (lane % 2),
            xanchor="right",
        )
