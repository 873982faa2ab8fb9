"""Readings so far from the others that an axis which held them would press those together: told at the edge instead."""

import numpy as np
import plotly.graph_objects as go

from dashboard.charts.style import Array
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import number
from spc.report.locale import TOLD

__all__ = ["capped", "far_marks", "far_size", "far_words", "reach_of"]

_FAR = 6.0  # times what is usual: what lies farther out is told at the edge
_ABOVE = 1.25  # of the readings' height: the room they have with that of the mark
_FEW, _FEW_OF = 3, 0.02  # strays there may be at most, and as a share of all: more are what the readings do
_SPREAD = 3 * 1.4826  # median distance from the middle to three standard deviations of a normal law


def capped(values: Array, usual: float) -> float:
    """Return where an axis from zero ends.

    Parameters
    ----------
    values : ndarray (n,)
        What is drawn, finite, one or more.
    usual : float
        Their usual size, 0 = not known.

    Returns
    -------
    float
        The largest value; where that is farther out than some times the usual, a little more than the largest that is
        not, so that there is room for the mark of what lies above.
    """
    top, far = float(values.max()), _FAR * usual
    if usual <= 0 or top <= far:
        return top
    return _ABOVE * float(values[values <= far].max(initial=usual))


def reach_of(values: Array, lines: Array) -> tuple[float, float]:
    """Return the ends of an axis that need not hold zero.

    Parameters
    ----------
    values : ndarray (n,)
        What is drawn, finite, one or more.
    lines : ndarray (k,)
        Heights of the lines drawn with it, finite; they are always held.

    Returns
    -------
    tuple of float
        The least and the largest of both, but no farther from the middle value than some times the farthest line or
        three spreads of the values, whichever is more. Where more than a few lie so far out they are held too.
    """
    middle = float(np.median(values))
    usual = max(_SPREAD * float(np.median(np.abs(values - middle))), *np.abs(lines - middle), 0.0)
    ends = np.concatenate([values, lines])
    low, high = float(ends.min()), float(ends.max())
    far = int(np.count_nonzero(np.abs(values - middle) > _FAR * usual))
    if usual <= 0 or far > max(_FEW, _FEW_OF * values.size):
        return low, high
    return max(low, middle - _FAR * usual), min(high, middle + _FAR * usual)


def far_size(low: float, high: float) -> tuple[float, str]:
    """Return what a reading far out is told as, and ' or more' where it is open above."""
    return ((low + high) / 2, "") if np.isfinite(high) else (low, " or more")


def far_words(value: float, unit: DisplayUnit) -> str:
    """Return a length far out, in the unit shown, for a mark at the edge: '60 bands'."""
    return unit.named(number(value)).replace(TOLD, "")


def far_marks(
    x: Array, edge: float, texts: list[str], hover: list[str], look: Look, *, right: float, below: bool = False
) -> go.Scatter:
    """Return the trace of what lies beyond an edge of the picture: an arrow head there, with its value in words.

    Parameters
    ----------
    x : ndarray (n,)
    edge : float
        Height of the edge.
    texts, hover : list of str
        Beside each head, '' = nothing, and under the pointer.
    look : Look
    right : float
        Where the level axis ends: words of a head in its right half stand on the left.
    below : bool, default False
        Whether it lies below the edge.
    """
    return go.Scatter(
        x=x,
        y=np.full(x.size, edge),
        mode="markers+text",
        marker={"symbol": "triangle-down" if below else "triangle-up", "size": 15 * look.scale, "color": look.now},
        text=[f"<b>{words}</b>" if words else "" for words in texts],
        textposition=["middle left" if at > right / 2 else "middle right" for at in x],
        textfont={"size": 15 * look.scale, "color": look.ink},
        customdata=hover,
        hovertemplate="%{customdata}<extra></extra>",
        name="below the picture" if below else "above the picture",
        showlegend=False,
        cliponaxis=False,
    )
