"""How long cycles last, and what each planned age costs: the survival curve and the cost-of-age curve."""

import math

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure, clear
from dashboard.theme import Look
from dashboard.words import percent, spoken
from spc.wear.recondition_age import ReconditionAge
from spc.wear.survival import SurvivalCurve

__all__ = ["cost_figure", "cost_table", "survival_figure"]


def survival_figure(curve: SurvivalCurve, look: Look, *, clock: str) -> go.Figure:
    """Draw the share of cycles that still cut good at each age, with its pointwise band.

    Parameters
    ----------
    curve : SurvivalCurve
        Not 'counts only'.
    look : Look
    clock : str
        'faces' or 'minutes', for the axis.

    Returns
    -------
    plotly Figure
    """
    figure = base_figure(
        look,
        x_title=f"{clock} since reconditioning",
        y_title="cycles that still cut good, %",
    )
    age = np.concatenate([[0.0], curve.age])
    survival, low, high = (
        100 * np.concatenate([[first], np.where(np.isfinite(edge), edge, fallback)])
        for first, edge, fallback in (
            (1.0, curve.survival, 0.0),
            (curve.low_before, curve.low, 0.0),
            (1.0, curve.high, 1.0),
        )
    )
    line = {"shape": "hv", "width": 1, "color": look.band}
    figure.add_trace(
        go.Scatter(x=age, y=high, mode="lines", line=line, showlegend=False, hoverinfo="skip", name="band, top")
    )
    figure.add_trace(
        go.Scatter(
            x=age,
            y=low,
            mode="lines",
            line=line,
            fill="tonexty",
            fillcolor=clear(look.band, 0.25),
            name=f"{percent(curve.level)} band",
            hoverinfo="skip",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=age,
            y=survival,
            mode="lines",
            line={"shape": "hv", "width": 3 * look.scale, "color": look.ink},
            name="share still good",
            hovertemplate="%{y:.0f}" + spoken().percent + " still good at %{x:.0f} " + clock + "<extra></extra>",
        )
    )
    figure.update_yaxes(range=[0, 104])
    figure.update_xaxes(range=[0, float(age[-1]) * 1.05 if age[-1] > 0 else 1.0])
    return figure


def cost_figure(plan: ReconditionAge, look: Look) -> go.Figure:
    """Draw the cost per face of each planned age, the ages as good as the best, and the cost of running to the limit.

    Parameters
    ----------
    plan : ReconditionAge
        Not 'counts only'.
    look : Look

    Returns
    -------
    plotly Figure
    """
    one = plan.clock.removesuffix("s")
    figure = base_figure(
        look,
        x_title=f"planned age, {plan.clock}",
        y_title=f"cost per {one}, unit of the costs",
    )
    top = 3.0 * plan.limit_cost_per_face
    shown = plan.costs <= top
    if plan.status != "run to the limit":
        stop = plan.flat_high if math.isfinite(plan.flat_high) else float(plan.ages[-1])
        inside = (plan.ages >= plan.flat_low) & (plan.ages <= stop)
        figure.add_trace(
            go.Scatter(
                x=plan.ages[inside],
                y=plan.costs[inside],
                mode="lines",
                line={"width": 12 * look.scale, "color": look.fan},
                name="as good as the best",
                hoverinfo="skip",
            )
        )
    figure.add_trace(
        go.Scatter(
            x=plan.ages[shown],
            y=plan.costs[shown],
            mode="lines",
            line={"width": 3 * look.scale, "color": look.ink},
            name="planned at this age",
            hovertemplate=f"%{{x:.0f}} {plan.clock}: %{{y:.3g}} per {one}<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[0, float(plan.ages[-1])],
            y=[plan.limit_cost_per_face] * 2,
            mode="lines",
            line={"width": 2.5 * look.scale, "color": look.ring, "dash": "dash"},
            name="run to the limit",
            hoverinfo="skip",
        )
    )
    figure.update_yaxes(range=[0, top * 1.04])
    figure.update_xaxes(range=[0, float(plan.ages[-1])])
    return figure


def cost_table(plan: ReconditionAge) -> pd.DataFrame:
    """Return the cost of each planned age as a table: whole faces or minutes, for nobody plans a part of one."""
    whole = np.unique(np.round(plan.ages))
    whole = whole[(whole >= plan.ages[0]) & (whole <= plan.ages[-1])]
    return pd.DataFrame({plan.clock: whole, "cost": np.interp(whole, plan.ages, plan.costs).round(4)})
