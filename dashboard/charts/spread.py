"""Sizes of spread side by side, each with its interval; and repeat readings of the same faces."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure, clear, reading_bars
from dashboard.charts.thin import MOST_MARKS
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import as_typed, number

__all__ = ["ShownSpread", "repeats_figure", "spread_figure", "spread_height", "spread_table"]


@dataclass(frozen=True, slots=True)
class ShownSpread:
    """One standard deviation to draw; micrometres. NaN = not known."""

    name: str
    sd_um: float
    low_um: float
    high_um: float


def spread_height(spreads: Sequence[ShownSpread]) -> int:
    """Pixels that the picture of so many spreads takes."""
    return 130 + 56 * len(spreads)


def spread_figure(spreads: Sequence[ShownSpread], look: Look, unit: DisplayUnit, *, x_title: str) -> go.Figure:
    """Draw one bar per spread, from the least to the most it can be, with a stroke at the best estimate.

    Parameters
    ----------
    spreads : sequence of ShownSpread
        First one on top.
    look, unit : Look, DisplayUnit
    x_title : str
        Without the unit.

    Returns
    -------
    plotly Figure
    """
    names = [one.name for one in spreads]
    rows = np.arange(len(spreads), 0, -1, dtype=float)
    figure = base_figure(look, x_title=f"{x_title}, {unit.label}", y_title="")
    sd, low, high = (
        np.array([getattr(one, field) for one in spreads], dtype=float) / unit.um_per_unit
        for field in ("sd_um", "low_um", "high_um")
    )
    known = np.isfinite(low) & np.isfinite(high)
    words = [_words(*values, unit) for values in zip(sd, low, high, strict=True)]
    figure.add_trace(
        go.Bar(
            orientation="h",
            y=rows[known],
            base=low[known],
            x=(high - low)[known],
            width=0.5,
            marker={"color": clear(look.now, 0.55), "line": {"width": 1.5, "color": look.ink}},
            name="interval",
            customdata=[f"{as_typed(names[row])}: {words[row]}" for row in np.flatnonzero(known)],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )
    shown = np.isfinite(sd)
    figure.add_trace(
        go.Scatter(
            x=sd[shown],
            y=rows[shown],
            mode="markers",
            marker={
                "symbol": "line-ns",
                "size": 26 * look.scale,
                "line": {"width": 5, "color": look.ink},
                "color": look.ink,
            },
            name="best estimate",
            customdata=[f"{as_typed(names[row])}: {words[row]}" for row in np.flatnonzero(shown)],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )
    ends = np.concatenate([sd[shown], high[known]])
    figure.update_xaxes(range=[0, 1.08 * float(ends.max()) if ends.size and ends.max() > 0 else 1.0])
    figure.update_yaxes(
        tickmode="array", tickvals=rows, ticktext=[as_typed(name) for name in names], showgrid=False,
        range=[0.4, len(spreads) + 0.6],
    )  # fmt: skip
    return figure


def spread_table(spreads: Sequence[ShownSpread], unit: DisplayUnit) -> pd.DataFrame:
    """Return the spreads as a table."""
    return pd.DataFrame(
        {
            "source": [one.name for one in spreads],
            f"standard deviation, {unit.label}": [round(one.sd_um / unit.um_per_unit, 5) for one in spreads],
            "at least": [round(one.low_um / unit.um_per_unit, 5) for one in spreads],
            "at most": [round(one.high_um / unit.um_per_unit, 5) for one in spreads],
        }
    )


def repeats_figure(readings: pd.DataFrame, look: Look, unit: DisplayUnit, *, what: str) -> go.Figure:
    """Draw every reading of each face that was read more than once, side by side; who read is not told.

    Parameters
    ----------
    readings : DataFrame
        face (from 1), low_um, high_um; one row per reading, finite.
    look, unit : Look, DisplayUnit
    what : str
        What was read, for the axis.

    Returns
    -------
    plotly Figure
    """
    readings = readings.sort_values(["face", "low_um"], kind="stable").iloc[: MOST_MARKS - 200]
    place = readings.groupby("face").cumcount().to_numpy(np.float64)
    many = readings.groupby("face")["low_um"].transform("size").to_numpy(np.float64)
    x = readings["face"].to_numpy(np.float64) + (place - (many - 1) / 2) * 0.8 / np.maximum(many, 1)
    low, high = (readings[name].to_numpy(np.float64) / unit.um_per_unit for name in ("low_um", "high_um"))
    figure = base_figure(
        look,
        x_title="faces read more than once",
        y_title=f"{what}, {unit.label}",
    )
    hover = [
        f"face {face}: {number(float(a))} to {unit.named(number(float(b)))}"
        for face, a, b in zip(readings["face"], low, high, strict=True)
    ]
    ceiling = 1.08 * float(high.max())
    figure.add_traces(
        reading_bars(x, low, high, hover, name="reading", colour=look.now, ceiling=ceiling, width=0.7 / many.max())
    )
    figure.update_yaxes(range=[0 if low.min() >= 0 else None, ceiling])
    figure.update_xaxes(
        range=[0.4, float(readings["face"].max()) + 0.6], dtick=1 if readings["face"].max() <= 24 else None
    )
    return figure


def _words(sd: float, low: float, high: float, unit: DisplayUnit) -> str:
    interval = (
        f"{number(low)} to {number(high)}" if math.isfinite(low) and math.isfinite(high) else "interval not known"
    )
    return f"{unit.named(number(sd))} ({interval})" if sd > 0 else unit.named(interval)
