"""What each rule of acceptance costs: bad faces accepted against good faces rejected, reading by reading."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import number, percent, spoken
from spc.capability.guard_band import AcceptanceRule, AcceptanceTrade

_LEAST = 0.01  # per cent: the lowest share told apart in the picture

__all__ = ["conformance_figure", "trade_figure", "trade_table"]


def trade_figure(trade: AcceptanceTrade, look: Look, unit: DisplayUnit) -> go.Figure:
    """Draw the two ways to be wrong over the largest reading that is accepted; the chosen rule is ringed.

    Parameters
    ----------
    trade : AcceptanceTrade
    look, unit : Look, DisplayUnit

    Returns
    -------
    plotly Figure
    """
    figure = base_figure(
        look,
        x_title=f"largest reading accepted, {unit.label}",
        y_title="share of faces, % (each line ten times the last)",
    )
    rules = [rule for rule in trade.rules if rule.accepted > 0]
    x = np.array([unit.from_um(rule.accept_um) for rule in rules])
    for name, field, colour, symbol, dash in (
        ("bad among the accepted", "bad_among_accepted", look.ring, "square", "solid"),
        ("bad faces accepted, of all bad", "bad_accepted", look.watch, "diamond", "dot"),
        ("good faces rejected, of all good", "good_rejected", look.now, "circle", "solid"),
    ):
        share = 100 * np.array([getattr(rule, field) for rule in rules], dtype=float)
        said = [
            f"accept up to {unit.named(number(float(at)))}: {percent(float(value) / 100)} {name}"
            for at, value in zip(x, share, strict=True)
        ]
        figure.add_trace(
            go.Scatter(
                x=x,
                y=np.maximum(share, _LEAST),
                customdata=said,
                mode="lines+markers",
                line={"color": colour, "width": 2.5 * look.scale, "dash": dash},
                marker={
                    "symbol": symbol,
                    "size": 12 * look.scale,
                    "color": colour,
                    "line": {"color": look.ink, "width": 1},
                },
                name=name,
                hovertemplate="%{customdata}<extra></extra>",
            )
        )
    _limit(figure, unit.from_um(trade.upper_um), look, bottom=_LEAST / 2)
    if trade.chosen is not None:
        at = unit.from_um(trade.chosen.accept_um)
        figure.add_trace(
            go.Scatter(
                x=[at] * 2,
                y=np.maximum([100 * trade.chosen.bad_among_accepted, 100 * trade.chosen.good_rejected], _LEAST),
                mode="markers",
                marker={"symbol": "circle-open", "size": 24 * look.scale, "color": look.ink, "line": {"width": 3}},
                name=f"the rule for a risk of {percent(trade.risk)}",
                hoverinfo="skip",
            )
        )
    ticks = [_LEAST, 0.1, 1, 10, 100]
    words = [f"under {number(_LEAST)}", *map(number, ticks[1:])]
    figure.update_yaxes(type="log", range=[np.log10(_LEAST) - 0.12, 2.12], tickvals=ticks, ticktext=words)
    figure.update_xaxes(range=[-0.03 * float(x.max()), 1.05 * float(x.max())])
    return figure


def trade_table(trade: AcceptanceTrade, unit: DisplayUnit) -> pd.DataFrame:
    """Return every rule with what it costs."""
    rules = [rule for rule in trade.rules if rule.accepted > 0]
    columns = {
        "bad among the accepted, %": "bad_among_accepted",
        "bad faces accepted, % of all bad": "bad_accepted",
        "good faces rejected, % of all good": "good_rejected",
        "faces accepted, % of all": "accepted",
    }
    shares = {head: [_share(rule, field) for rule in rules] for head, field in columns.items()}
    return pd.DataFrame(
        {
            f"accept up to, {unit.label}": [number(unit.from_um(rule.accept_um)) for rule in rules],
            **shares,
            "rule": ["chosen" if rule is trade.chosen else "" for rule in rules],
        }
    )


def conformance_figure(
    readings_um: list[float], chances: list[float], limit_um: float, look: Look, unit: DisplayUnit
) -> go.Figure:
    """Draw the chance that a face truly meets its limit, for each reading it may carry.

    Parameters
    ----------
    readings_um : list of float
        Readings at the steps, micrometres.
    chances : list of float
        0 to 1, one per reading; NaN where the law gives the reading no chance.
    limit_um : float
    look, unit : Look, DisplayUnit
    """
    figure = base_figure(
        look,
        x_title=f"reading of the face, {unit.label}",
        y_title="chance that it meets its limit, %",
    )
    x, y = np.array([unit.from_um(value) for value in readings_um]), 100 * np.array(chances)
    at, line = unit.from_um(limit_um), {"color": look.limit, "width": 3 * look.scale, "dash": "dash"}
    figure.add_shape(type="line", x0=at, x1=at, y0=0, y1=106, line=line, layer="below")
    figure.add_annotation(x=at, y=106, yanchor="bottom", showarrow=False, text="<b>limit</b>")
    figure.add_trace(
        go.Bar(
            x=x,
            y=y,
            width=0.7 * float(np.min(np.diff(x))) if x.size > 1 else 1.0,
            marker={"color": look.now},
            text=[number(float(value), 3) if np.isfinite(value) else "" for value in y],
            textposition="auto",
            insidetextanchor="start",
            textangle=0,
            textfont={"size": 15 * look.scale},
            insidetextfont={"color": look.paper},
            name="chance",
            showlegend=False,
            customdata=[unit.named(number(float(value))) for value in x],
            hovertemplate=f"read as %{{customdata}}: meets the limit with %{{y:.3g}}{spoken().percent}<extra></extra>",
        )
    )
    figure.update_yaxes(range=[0, 112], tickvals=[0, 20, 40, 60, 80, 100])
    return figure


def _share(rule: AcceptanceRule, field: str) -> str:
    return number(100 * float(getattr(rule, field)), 2)


def _limit(figure: go.Figure, at: float, look: Look, *, bottom: float = 0.0) -> None:
    figure.add_trace(
        go.Scatter(
            x=[at, at],
            y=[bottom, 110],
            mode="lines",
            line={"color": look.limit, "width": 3 * look.scale, "dash": "dash"},
            name="limit",
            hoverinfo="skip",
        )
    )
