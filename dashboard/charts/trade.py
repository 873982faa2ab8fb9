"""What each rule of acceptance costs: bad faces accepted against good faces rejected, reading by reading."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import number
from spc.capability.guard_band import AcceptanceRule, AcceptanceTrade

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
        y_title="share of faces, %",
        height=int(430 * look.scale),
    )
    rules = [rule for rule in trade.rules if rule.accepted > 0]
    x = np.array([unit.from_um(rule.accept_um) for rule in rules])
    for name, field, colour, symbol, dash in (
        ("bad among the accepted", "bad_among_accepted", look.ring, "square", "solid"),
        ("bad faces accepted, of all bad", "bad_accepted", look.watch, "diamond", "dot"),
        ("good faces rejected, of all good", "good_rejected", look.now, "circle", "solid"),
    ):
        share = 100 * np.array([getattr(rule, field) for rule in rules], dtype=float)
        figure.add_trace(
            go.Scatter(
                x=x,
                y=share,
                mode="lines+markers",
                line={"color": colour, "width": 2.5 * look.scale, "dash": dash},
                marker={
                    "symbol": symbol,
                    "size": 12 * look.scale,
                    "color": colour,
                    "line": {"color": look.ink, "width": 1},
                },
                name=name,
                hovertemplate=f"accept up to %{{x:.3g}} {unit.label}: %{{y:.3g}} % {name}<extra></extra>",
            )
        )
    _limit(figure, unit.from_um(trade.upper_um), look)
    if trade.chosen is not None:
        at = unit.from_um(trade.chosen.accept_um)
        figure.add_trace(
            go.Scatter(
                x=[at] * 2,
                y=[100 * trade.chosen.bad_among_accepted, 100 * trade.chosen.good_rejected],
                mode="markers",
                marker={"symbol": "circle-open", "size": 24 * look.scale, "color": look.ink, "line": {"width": 3}},
                name=f"the rule for a risk of {100 * trade.risk:g} %",
                hoverinfo="skip",
            )
        )
    figure.update_yaxes(range=[0, 104])
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
        height=int(430 * look.scale),
    )
    x, y = np.array([unit.from_um(value) for value in readings_um]), 100 * np.array(chances)
    figure.add_trace(
        go.Bar(
            x=x,
            y=y,
            width=0.7 * float(np.min(np.diff(x))) if x.size > 1 else 1.0,
            marker={"color": look.now},
            text=[number(float(value), 3) if np.isfinite(value) else "" for value in y],
            textposition="outside",
            name="chance",
            showlegend=False,
            hovertemplate=f"read as %{{x:.3g}} {unit.label}: meets the limit with %{{y:.3g}} %<extra></extra>",
        )
    )
    _limit(figure, unit.from_um(limit_um), look)
    figure.update_yaxes(range=[0, 112], tickvals=[0, 20, 40, 60, 80, 100])
    return figure


def _share(rule: AcceptanceRule, field: str) -> str:
    return number(100 * float(getattr(rule, field)), 2)


def _limit(figure: go.Figure, at: float, look: Look) -> None:
    figure.add_trace(
        go.Scatter(
            x=[at, at],
            y=[0, 104],
            mode="lines",
            line={"color": look.limit, "width": 3 * look.scale, "dash": "dash"},
            name="limit",
            hoverinfo="skip",
        )
    )
