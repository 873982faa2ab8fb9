"""The law behind an index: what share of faces is at or under each flatness, with what the readings leave open."""

import math

import numpy as np
import plotly.graph_objects as go

from dashboard.charts.far import capped, far_words
from dashboard.charts.style import Array, area, base_figure, clear
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import count, number, spoken
from spc.model.interval_fit import IntervalFit

__all__ = ["law_figure"]

_POINTS = 240
_MOST_ENDS = 1_000  # ends of readings drawn as exact steps


def law_figure(
    low_um: Array,
    high_um: Array,
    fit: IntervalFit,
    limit_um: float,
    look: Look,
    unit: DisplayUnit,
    *,
    what: str,
) -> go.Figure:
    """Draw the fitted law over the band in which the share of faces must lie.

    Parameters
    ----------
    low_um, high_um : ndarray (n,)
        Readings as intervals, micrometres; `high_um` may be inf.
    fit : IntervalFit
        Fitted; not 'refused'.
    limit_um : float
    look, unit : Look, DisplayUnit
    what : str
        What was read, for the axis: 'flatness'.

    Returns
    -------
    plotly Figure
        The band runs from the share surely at or under a value to the share possibly so; the true steps lie in it.
    """
    figure = base_figure(look, x_title=f"{what}, {unit.label}", y_title="share of faces at or under it, %")
    finite = high_um[np.isfinite(high_um)]
    read, law = np.concatenate([finite, low_um]), float(fit.isf(0.001))
    limit = limit_um if math.isfinite(limit_um) else 0.0
    top = max(capped(read, max(law / 3, limit)), law, 1.15 * limit)  # the law is drawn whole
    ends = np.unique(np.concatenate([low_um, finite]))[:: max(1, 2 * low_um.size // _MOST_ENDS)]
    grid = np.unique(np.concatenate([np.linspace(0.0, top * 1.05, _POINTS), ends, np.nextafter(ends, 0.0)]))
    sure = np.searchsorted(np.sort(high_um), grid, side="right") / high_um.size
    possible = np.searchsorted(np.sort(low_um), grid, side="right") / low_um.size
    shown = grid / unit.um_per_unit
    left_open = "what the readings leave open"
    figure.add_trace(area(shown, 100 * sure, 100 * possible, name=left_open, colour=look.now, opacity=0.30))
    figure.add_trace(
        go.Scatter(
            x=shown,
            y=100 * np.asarray(fit.cdf(grid), dtype=float),
            mode="lines",
            line={"color": look.ink, "width": 3 * look.scale},
            name=f"fitted law ({fit.family})",
            customdata=[unit.named(number(float(value))) for value in shown],
            hovertemplate=f"%{{customdata}}: %{{y:.2f}}{spoken().percent}<extra></extra>",
        )
    )
    if math.isfinite(limit_um):
        figure.add_trace(
            go.Scatter(
                x=[limit_um / unit.um_per_unit] * 2,
                y=[0, 104],
                mode="lines",
                line={"color": look.limit, "width": 3 * look.scale, "dash": "dash"},
                name="limit",
                showlegend=False,
                hoverinfo="skip",
            )
        )
        figure.add_annotation(
            x=limit_um / unit.um_per_unit,
            y=8,
            xanchor="right",
            xshift=-8,
            showarrow=False,
            text=f"<b>limit {unit.named(number(unit.from_um(limit_um)))}</b>",
            font={"size": 16 * look.scale},
            bgcolor=clear(look.paper, 0.85),
        )
    far = int(np.count_nonzero(low_um > 1.05 * top))
    if far:
        most = far_words(unit.from_um(float(read.max())), unit)
        figure.add_annotation(
            x=1, xref="paper", xanchor="right", y=96, yanchor="top", showarrow=False, align="right",
            text=f"{count(far, 'reading')} above this picture, up to {most} \u25b6",
            font={"size": 15 * look.scale}, bgcolor=clear(look.paper, 0.85),
        )  # fmt: skip
    figure.update_yaxes(range=[0, 104])
    figure.update_xaxes(range=[0, 1.05 * top / unit.um_per_unit])
    return figure
