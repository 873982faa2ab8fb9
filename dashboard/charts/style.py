"""What all pictures share: paper, type, axes, and the bar that stands for a reading."""

from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.theme import Look

__all__ = ["FONT", "area", "base_figure", "clear", "line_over", "reading_bars", "ring_words", "segments"]

_EDGE = 2.0  # pixels of paper on either side of a line over readings
_THIN = 0.02  # of the axis: the height under which the outline of a bar is no longer seen to be hollow
FONT = '"Source Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif'
Array = NDArray[np.float64]


def clear(colour: str, opacity: float) -> str:
    """Return a '#rrggbb' colour as rgba with the opacity given, 0 to 1."""
    red, green, blue = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"


def base_figure(look: Look, *, x_title: str, y_title: str) -> go.Figure:
    """Return an empty figure in our look: axis titles with units, no legend box over the data, no zoom traps."""
    size = 15 * look.scale
    axis = {
        "showline": True,
        "linecolor": look.ink,
        "linewidth": 1.5,
        "ticks": "outside",
        "tickcolor": look.ink,
        "gridcolor": clear(look.quiet, 0.22),
        "zeroline": False,
        "title_font": {"size": size * 1.05, "color": look.ink},
        "tickfont": {"size": size, "color": look.ink},
        "title_standoff": 10,
        "automargin": True,
        "fixedrange": True,
    }
    figure = go.Figure(layout={"template": "none"})
    figure.update_layout(
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": size, "color": look.ink},
        margin={"l": 10, "r": 12, "t": 34, "b": 10},
        bargap=0,
        barmode="overlay",
        dragmode=False,
        hovermode="closest",
        hoverlabel={"bgcolor": look.panel, "font": {"size": size, "color": look.ink}, "bordercolor": look.ink},
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "font": {"size": size * 0.92}},
    )
    figure.update_xaxes(title_text=x_title, **axis)
    figure.update_yaxes(title_text=y_title, **axis)
    return figure


def area(
    x: Array, low: Array, high: Array, *, name: str, colour: str, opacity: float, group: str | None = None
) -> go.Scatter:
    """Return the trace of a filled area between two lines, which are drawn thin: the filling alone is too pale to see.

    Parameters
    ----------
    x, low, high : ndarray (n,)
        Places from left to right, and the two lines in the unit of the axis.
    name : str
        Its words in the legend.
    colour : str
        Of the lines, '#rrggbb'.
    opacity : float
        Of the filling, 0 to 1.
    group : str, optional
        Legend group it belongs to.
    """
    return go.Scatter(
        x=np.concatenate([x, x[::-1]]),
        y=np.concatenate([high, low[::-1]]),
        fill="toself",
        fillcolor=clear(colour, opacity),
        line={"width": 1, "color": colour},
        mode="lines",
        name=name,
        legendgroup=group,
        hoverinfo="skip",
    )


def line_over(
    x: Array, y: Array, look: Look, *, colour: str, width: float, name: str, dashed: bool = False, **more: Any
) -> list[go.Scatter]:
    """Return the traces of a line over readings: an edge of paper first, so that it is seen where it crosses them.

    Parameters
    ----------
    x, y : ndarray (n,)
    look : Look
    colour : str
    width : float
        Pixels.
    name : str
        Its words in the legend, and its group there unless `more` names one.
    dashed : bool
        The edge has the same dashes: between them the readings go on.
    **more
        What else the trace of the line says.
    """
    step = 3 * max(width, 3.0)
    dash = f"{step}px,{step}px" if dashed else "solid"
    shape = more.pop("shape", "linear")
    both = {"x": x, "y": y, "mode": "lines", "hoverinfo": "skip", "legendgroup": name} | more
    edge = both | {"showlegend": False, "name": f"edge of: {name}", "hoverinfo": "skip", "hovertemplate": None}
    return [
        go.Scatter(**edge, line={"color": look.paper, "width": width + 2 * _EDGE, "dash": dash, "shape": shape}),
        go.Scatter(**both, name=name, line={"color": colour, "width": width, "dash": dash, "shape": shape}),
    ]


def ring_words(look: Look, *, size: int = 14, padding: int = 3, standoff: int = 11) -> dict[str, Any]:
    """Return how the words beside a ring look: framed in its colour, on paper, with a plain line to it."""
    return {
        "font": {"size": size * look.scale, "color": look.ink},
        "bgcolor": look.paper,
        "bordercolor": look.ring,
        "borderwidth": 2,
        "borderpad": padding,
        "arrowcolor": look.ring,
        "arrowwidth": 2,
        "arrowhead": 0,
        "standoff": standoff,
    }


def segments(x: Array, low: Array, high: Array) -> tuple[list[float | None], list[float | None]]:
    """Return line vertices that draw one upright stroke per reading, breaks between them."""
    xs: list[float | None] = []
    ys: list[float | None] = []
    for at, bottom, top in zip(x, low, high, strict=True):
        xs += [float(at), float(at), None]
        ys += [float(bottom), float(top), None]
    return xs, ys


def reading_bars(
    x: Array,
    low: Array,
    high: Array,
    hover: list[str],
    *,
    name: str,
    colour: str,
    ceiling: float,
    width: float,
    edge: float = 0.0,
    hollow: bool = False,
) -> list[go.Bar | go.Scatter]:
    """Return the traces of readings as bars over what each reading may mean.

    A reading known to one value is a short level stroke; a reading open above is pale up to the `ceiling` and ends in
    an arrow head.

    Parameters
    ----------
    x, low, high : ndarray (n,)
        Place of each reading and its interval, in the unit of the axis; `high` may be inf.
    hover : list of str
        What the pointer shows, one text per reading.
    ceiling : float
        Top of the axis, where open readings end.
    width : float
        Bar width in units of x.
    edge : float
        Pixels of line round a bar, for readings so fine that a bar alone would not be seen.
    hollow : bool
        Outlines only, for readings that do not count; one too thin for an outline is a hollow mark.
    """
    # a bar too thin to show that it is hollow shows that it is pale
    fill, drawn, edge = (clear(colour, 0.0), clear(colour, 0.75), 1.5) if hollow else (colour, colour, edge)
    is_open = ~np.isfinite(high)
    is_point = ~is_open & (high - low <= (_THIN * ceiling if hollow else 0.0))
    is_bar = ~is_open & ~is_point
    traces: list[go.Bar | go.Scatter] = []

    def texts(mask: NDArray[np.bool_]) -> list[str]:
        return [hover[index] for index in np.flatnonzero(mask)]

    shown = {"hovertemplate": "%{customdata}<extra></extra>", "legendgroup": name, "name": name}
    if is_bar.any() or not (is_open.any() or is_point.any()):
        traces.append(
            go.Bar(
                x=x[is_bar],
                base=low[is_bar],
                y=(high - low)[is_bar],
                width=width,
                marker={"color": fill, "line": {"width": edge, "color": drawn}},
                customdata=texts(is_bar),
                **shown,
            )
        )
    if is_point.any():
        traces.append(
            go.Scatter(
                x=x[is_point],
                y=low[is_point],
                mode="markers",
                marker={
                    "symbol": "diamond-open" if hollow else "line-ew",
                    "size": 11,
                    "line": {"width": 2 if hollow else 4, "color": drawn},
                    "color": drawn,
                },
                customdata=texts(is_point),
                showlegend=not is_bar.any(),
                **shown,
            )
        )
    if is_open.any():
        top = np.full(int(is_open.sum()), ceiling)
        traces.append(
            go.Bar(
                x=x[is_open],
                base=low[is_open],
                y=np.maximum(top - low[is_open], 0.0),
                width=width,
                marker={
                    "color": clear(colour, 0.0 if hollow else 0.35),
                    "line": {"width": edge if hollow else 1.0, "color": drawn},
                },
                customdata=texts(is_open),
                showlegend=not (is_bar.any() or is_point.any()),
                **shown,
            )
        )
        traces.append(
            go.Scatter(
                x=x[is_open],
                y=top,
                mode="markers",
                marker={"symbol": "triangle-up", "size": 13, "color": drawn},
                customdata=texts(is_open),
                showlegend=False,
                cliponaxis=False,
                **shown,
            )
        )
    return traces
