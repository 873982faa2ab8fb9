"""The board strip: how many faces each lap has left, as a range, the neediest lap on top."""

import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.style import base_figure
from dashboard.theme import Look
from dashboard.words import as_typed, percent
from spc.board.results import LapReport

__all__ = ["strip_figure", "strip_height", "strip_table"]

_LEAST_ACROSS = 10.0  # faces along the axis
_MOST_TIMES = 60.0  # the bar that ends first, past which the axis does not reach
_SYMBOLS = {
    "held": "square",
    "due": "triangle-down",
    "watch": "circle-dot",
    "cutting": "circle-open",
    "resting": "line-ew",
}


def strip_height(laps: tuple[LapReport, ...]) -> int:
    """Pixels that the picture of so many laps takes."""
    return 96 + 46 * max(1, len(laps))


def strip_figure(laps: tuple[LapReport, ...], look: Look) -> go.Figure:
    """Draw one level bar per lap from the fewest to the most faces left; laps without a forecast say why.

    Parameters
    ----------
    laps : tuple of LapReport
        In order of need; the first is drawn on top.
    look : Look

    Returns
    -------
    plotly Figure
    """
    figure = base_figure(look, x_title="faces left", y_title="")
    names = [f"{lap.lap}" for lap in laps]
    rows = {lap.lap: len(laps) - 1 - place for place, lap in enumerate(laps)}
    right = _right_end(laps)
    margin = 0.03 * right  # where the states stand, clear of the bars
    for state in dict.fromkeys(lap.state for lap in laps):
        group = [lap for lap in laps if lap.state == state]
        figure.add_trace(
            go.Scatter(
                x=[-margin] * len(group),
                y=[rows[lap.lap] for lap in group],
                mode="markers",
                cliponaxis=False,
                marker={
                    "symbol": _SYMBOLS[state],
                    "size": 17 * look.scale,
                    "color": look.state(state),
                    "line": {"width": 3 if state in ("cutting", "resting") else 1.5, "color": _edge(state, look)},
                },
                name=state,
                customdata=[as_typed(lap.sentence) for lap in group],
                hovertemplate="%{customdata}<extra></extra>",
            )
        )
    ranged = [lap for lap in laps if _has_range(lap)]
    starts = [min(_low(lap), right) for lap in ranged]
    figure.add_trace(
        go.Bar(
            orientation="h",
            base=starts,
            x=[min(_known_to(lap), right) - start for lap, start in zip(ranged, starts, strict=True)],
            y=[rows[lap.lap] for lap in ranged],
            width=0.42,
            marker={  # empty where no reading tells it
                "color": [look.paper if lap.faces_left.from_lives else look.quiet for lap in ranged],
                "line": {"width": 1.5, "color": look.ink},
            },
            name=f"faces left, {percent(0.9)} range",
            showlegend=False,
            customdata=[as_typed(lap.faces_left.sentence) for lap in ranged],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )
    for lap in ranged:
        if lap.faces_left.high is None:
            _add_arrow(figure, min(_known_to(lap), right), right, rows[lap.lap], look)
    for lap in laps:
        figure.add_annotation(
            x=_text_place(lap, right) if _has_range(lap) else 0.0,
            y=rows[lap.lap],
            xanchor="left",
            xshift=14 * look.scale,
            showarrow=False,
            text=as_typed(_short(lap).replace(" faces left", "", 1)),  # the axis says what is counted
            font={"size": 15 * look.scale, "color": look.ink},
        )
    figure.update_xaxes(range=[-2 * margin, right * 1.4], zeroline=True, zerolinecolor=look.ink)
    figure.update_yaxes(
        tickmode="array",
        tickvals=[rows[name] for name in names],
        ticktext=[as_typed(name) for name in names],
        showgrid=False,
    )
    figure.update_yaxes(range=[-0.7, max(1, len(laps)) - 0.3])
    return figure


def strip_table(laps: tuple[LapReport, ...]) -> pd.DataFrame:
    """Return the board strip as a table."""
    return pd.DataFrame(
        {
            "lap": [lap.lap for lap in laps],
            "state": [lap.state for lap in laps],
            "faces left": [_short(lap) for lap in laps],
            "next break": [lap.next_break for lap in laps],
            "faces since reconditioning": [lap.age_faces for lap in laps],
        }
    )


def _edge(state: str, look: Look) -> str:
    return look.state(state) if state in ("cutting", "resting") else look.ink


def _has_range(lap: LapReport) -> bool:
    """Whether faces left are drawn: never for a held lap, beside which nothing may invite to go on."""
    return lap.state != "held" and lap.faces_left.status == "range" and lap.faces_left.unit == "faces"


def _low(lap: LapReport) -> float:
    """Fewest faces left; where even these lie past the forecast, that is how far it looked."""
    left = lap.faces_left
    return left.low if left.low is not None and left.low < left.horizon else _known_to(lap)


def _known_to(lap: LapReport) -> float:
    """Most faces left, or those that it lasts longer than."""
    left = lap.faces_left
    return left.high if left.high is not None else left.horizon


def _right_end(laps: tuple[LapReport, ...]) -> float:
    """Where the axis ends: past every bar, but for laps that last so long that the neediest were pressed together."""
    ends = sorted(_known_to(lap) for lap in laps if _has_range(lap))
    if not ends:
        return 1.12 * _LEAST_ACROSS
    return 1.12 * max(_LEAST_ACROSS, min(ends[-1], _MOST_TIMES * max(ends[0], _LEAST_ACROSS)))


def _add_arrow(figure: go.Figure, start: float, right: float, row: int, look: Look) -> None:
    """Draw that a range goes on past what is known of it."""
    end = _arrow_end(start, right)
    figure.add_trace(
        go.Scatter(
            x=[start, end],
            y=[row, row],
            mode="lines+markers",
            line={"color": look.ink, "width": 3 * look.scale},
            marker={"symbol": ["line-ns", "triangle-right"], "size": 19 * look.scale, "color": look.ink,
                    "line": {"width": [3, 0], "color": look.ink}},
            cliponaxis=False,
            name="goes on",
            showlegend=False,
            hoverinfo="skip",
        )
    )  # fmt: skip


def _arrow_end(start: float, right: float) -> float:
    return start + 0.07 * right


def _text_place(lap: LapReport, right: float) -> float:
    end = min(_known_to(lap), right)
    return end if lap.faces_left.high is not None else _arrow_end(end, right)


def _short(lap: LapReport) -> str:
    left = lap.faces_left
    if lap.state == "held":
        return "none until answered"
    if left.status == "over":
        return f"likely at the limit {left.named}".rstrip()
    if left.status in ("range", "ended"):
        return left.sentence
    return "no forecast: " + left.sentence if len(left.sentence) <= 70 else "no forecast yet"
