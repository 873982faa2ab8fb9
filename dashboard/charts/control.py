"""The chart behind a sentence: each reading as its interval, the limit as frozen by revision, the drifting average."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.charts.far import capped, far_marks, far_size
from dashboard.charts.style import Array, base_figure, clear, line_over, reading_bars, ring_words
from dashboard.charts.thin import MOST_MARKS, thin
from dashboard.theme import Look
from dashboard.units import MICROMETRE, DisplayUnit
from dashboard.words import as_typed, number
from spc.chart.replay import BEYOND, DRIFTING, Replayed
from spc.chart.stream import SIGNS
from spc.measure.preston import PLAIN, basis_named
from spc.report.locale import TOLD

__all__ = ["axis_words", "control_figure", "control_table", "sign_words"]

_LEAST_ACROSS = 20.0  # readings along the axis, so that the bars of a first few stay slim
_LANE = 0.30  # share of the height that the drifting average takes
_TEXT_WIDTH = 0.35  # share of the width that the words of a rule take on a narrow screen


def axis_words(sign: str, unit: DisplayUnit, basis: str = PLAIN) -> tuple[str, float]:
    """Return the axis title of a sign and how many of its own units one shown unit holds; `basis` of a removal rate."""
    known = SIGNS[sign]
    if sign == "finish" and unit.key.startswith("band"):  # a roughness is never said in light bands
        unit = MICROMETRE
    if known.unit == "um":
        return f"{known.words}, {unit.label}", unit.um_per_unit
    if known.unit == "um/min":
        return f"{known.words}, {_per_minute(unit.label, basis)}", unit.um_per_unit
    return f"{known.words}, {'minutes' if known.unit == 'min' else known.unit}", 1.0


def sign_words(sign: str, value: float, unit: DisplayUnit, basis: str = PLAIN) -> str:
    """Return a value of a sign, in that sign's own unit, with the unit it is shown in: '1 band', '24.7 minutes'."""
    title, per_unit = axis_words(sign, unit)
    written = number(value / per_unit)
    if SIGNS[sign].unit not in ("um", "um/min"):
        return f"{written} {title.removeprefix(f'{SIGNS[sign].words}, ')}"
    named = (MICROMETRE if per_unit == 1.0 else unit).named(written)
    return _per_minute(named, basis) if SIGNS[sign].unit == "um/min" else named


def _per_minute(length: str, basis: str) -> str:
    return f"{length} per minute {basis_named(basis).per}".strip()


def control_figure(
    replayed: Replayed, look: Look, unit: DisplayUnit, *, typed: Mapping[int, str] | None = None
) -> go.Figure:
    """Draw a stream as its frozen limits judged it.

    Parameters
    ----------
    replayed : Replayed
    look : Look
    unit : DisplayUnit
    typed : mapping of int to str, optional
        Readings as typed, by face number, for the hover text.

    Returns
    -------
    plotly Figure
        Readings above, the drifting average in a lane below; at most 5,000 marks, every signalling reading drawn.
    """
    stream = replayed.stream
    title, per_unit = axis_words(stream.sign, unit, stream.basis)
    figure = base_figure(look, x_title="faces charted, oldest to newest", y_title=title)
    place = np.arange(1.0, len(stream) + 1)
    signalling = replayed.beyond | replayed.drifting
    rows = thin(stream.low, stream.high, signalling, most=MOST_MARKS // 8)
    low, high = stream.low / per_unit, stream.high / per_unit
    limit, centre = replayed.limit / per_unit, replayed.centre / per_unit
    ceiling = _top(high, low, limit)
    for level, name, colour, width in ((limit, "chart limit", look.limit, 3), (centre, "usual", look.band, 2)):
        known = rows[np.isfinite(level[rows])]
        if known.size:
            figure.add_traces(
                line_over(
                    place[known], level[known], look, colour=colour, width=width * look.scale, name=name,
                    dashed=name == "chart limit", shape="hvh",
                )
            )  # fmt: skip
    far = low > ceiling
    near = rows[~far[rows]]
    figure.add_traces(
        reading_bars(
            place[near],
            low[near],
            high[near],
            [_hover(replayed, int(row), low, high, typed or {}) for row in near],
            name="reading",
            colour=look.now,
            ceiling=ceiling,
            width=max(0.6, len(stream) / 600),
        )
    )
    _add_far(figure, replayed, rows[far[rows]], place, low, high, ceiling, look, unit, typed or {})
    _add_revisions(figure, replayed, place, ceiling, look)
    if np.isfinite(replayed.average).any():
        _add_average(figure, replayed, place, rows, look)
        figure.update_xaxes(anchor="y2")
        figure.layout.yaxis.domain = [_LANE + 0.06, 1.0]
    _add_rings(figure, replayed, place, np.minimum(low, ceiling), look)
    figure.update_xaxes(range=[0, max(_LEAST_ACROSS, len(stream) + 1.0)])
    figure.layout.yaxis.range = [0, ceiling * 1.22]
    return figure


def control_table(replayed: Replayed, unit: DisplayUnit, *, most: int = 500) -> pd.DataFrame:
    """Return the newest readings with limit, revision and signal as a table, newest first."""
    stream = replayed.stream
    title, per_unit = axis_words(stream.sign, unit, stream.basis)
    in_unit = title.removeprefix(f"{SIGNS[stream.sign].words}, ")
    rows = np.arange(len(stream))[::-1][:most]
    return pd.DataFrame(
        {
            "when": stream.time_text[rows],
            "part": stream.part[rows],
            f"from, {in_unit}": np.round(stream.low[rows] / per_unit, 4),
            f"to, {in_unit}": np.where(
                np.isfinite(stream.high[rows]), np.round(stream.high[rows] / per_unit, 4), np.nan
            ),
            f"chart limit, {in_unit}": np.round(replayed.limit[rows] / per_unit, 4),
            "limits revision": replayed.revision[rows],
            "signal": [_rule_words(replayed, int(row)) for row in rows],
        }
    )


def _top(high: Array, low: Array, limit: Array) -> float:
    closed, limits = high[np.isfinite(high)], limit[np.isfinite(limit)]
    values = np.concatenate([closed, low[np.isfinite(low)] * 1.2, limits])
    if not values.size:
        return 1.0
    usual = max(float(np.median(closed)) if closed.size else 0.0, float(limits.max()) if limits.size else 0.0)
    return capped(values, usual) * 1.05


def _add_far(
    figure: go.Figure, replayed: Replayed, far: NDArray[np.intp], place: Array, low: Array, high: Array, ceiling: float,
    look: Look, unit: DisplayUnit, typed: Mapping[int, str],
) -> None:  # fmt: skip
    """Mark the readings above the picture at its upper edge, each with its value while there is room for it."""
    if not far.size:
        return
    stream, across = replayed.stream, max(_LEAST_ACROSS, place.size)
    told = set(_apart(far, across))
    sizes = [far_size(float(stream.low[row]), float(stream.high[row])) for row in far]
    words = [sign_words(stream.sign, size, unit, stream.basis).replace(TOLD, "") + more for size, more in sizes]
    texts = [f"\u2002{said}\u2002" if row in told else "" for row, said in zip(far.tolist(), words, strict=True)]
    hover = [f"{_hover(replayed, int(row), low, high, typed)}<br>above this picture" for row in far]
    figure.add_trace(far_marks(place[far], ceiling, texts, hover, look, right=across))


def _hover(replayed: Replayed, row: int, low: Array, high: Array, typed: Mapping[int, str]) -> str:
    stream = replayed.stream
    top = "and more" if not np.isfinite(high[row]) else f"to {number(float(high[row]))}"
    said = number(float(low[row])) if high[row] == low[row] else f"{number(float(low[row]))} {top}"
    words = _rule_words(replayed, row)
    text = typed.get(int(stream.face_id[row]), "")
    first = f"<b>{as_typed(text)}</b> as typed, {said}" if text else f"<b>{said}</b>"
    lines = [first, as_typed(stream.time_text[row]), as_typed(stream.part[row]), as_typed(words)]
    return "<br>".join(line for line in lines if line)


def _rule_words(replayed: Replayed, row: int) -> str:
    rules = [rule for rule, where in ((BEYOND, replayed.beyond), (DRIFTING, replayed.drifting)) if where[row]]
    return "; ".join(rules)


def _add_revisions(figure: go.Figure, replayed: Replayed, place: Array, ceiling: float, look: Look) -> None:
    changes = np.flatnonzero(np.diff(replayed.revision, prepend=0) != 0)
    for at in changes[-8:]:
        figure.add_annotation(
            x=place[at],
            y=ceiling * 1.2,
            xanchor="left",
            yanchor="top",
            showarrow=False,
            text=f"limits revision {int(replayed.revision[at])}",
            font={"size": 14 * look.scale, "color": look.quiet},
        )
        figure.add_shape(
            type="line",
            x0=place[at] - 0.5,
            x1=place[at] - 0.5,
            y0=0,
            y1=ceiling * 1.2,
            line={"color": look.quiet, "width": 1, "dash": "dot"},
        )


def _add_average(figure: go.Figure, replayed: Replayed, place: Array, rows: NDArray[np.intp], look: Look) -> None:
    figure.update_layout(
        yaxis2={
            "domain": [0.0, _LANE - 0.04],
            "anchor": "x",
            "title": {"text": "drifting average,<br>usual spreads", "font": {"size": 15 * look.scale}},
            "showline": True,
            "linecolor": look.ink,
            "gridcolor": clear(look.quiet, 0.22),
            "zeroline": True,
            "zerolinecolor": clear(look.quiet, 0.5),
            "fixedrange": True,
            "automargin": True,
            "tickfont": {"size": 14 * look.scale},
        }
    )
    lane = {"yaxis": "y2"}
    for name, level, colour, dash in (
        ("drifting average", replayed.average, look.now, "solid"),
        ("limit of the average", replayed.average_limit, look.limit, "dash"),
    ):
        shown = rows[np.isfinite(level[rows])]
        figure.add_trace(
            go.Scatter(
                x=place[shown],
                y=level[shown],
                mode="lines",
                line={"color": colour, "width": 2.5 * look.scale, "dash": dash},
                name=name,
                hovertemplate=f"{name} %{{y:.2f}} usual spreads<extra></extra>",
                **lane,
            )
        )


def _apart(starts: NDArray[np.intp], across: float) -> list[int]:
    """Return where the words of a rule are written, newest first: once for rings so close that they would overlap."""
    kept: list[int] = []
    for row in map(int, starts[::-1]):
        if not kept or kept[-1] - row > _TEXT_WIDTH * across:
            kept.append(row)
    return kept


def _add_rings(figure: go.Figure, replayed: Replayed, place: Array, low: Array, look: Look) -> None:
    for rule, where, level, axis in (
        (BEYOND, replayed.beyond, low, "y"),
        (DRIFTING, replayed.drifting, replayed.average, "y2"),
    ):
        rows = np.flatnonzero(where & np.isfinite(level))
        if not rows.size:
            continue
        crowded = rows.size > 1 and np.diff(rows).min() < 0.03 * place.size  # rings that would run into one another
        figure.add_trace(
            go.Scatter(
                x=place[rows],
                y=level[rows],
                mode="markers",
                marker={
                    "symbol": "circle-open",
                    "size": (12 if crowded else 20) * look.scale,
                    "color": look.ring,
                    "line": {"width": 2 if crowded else 4},
                },
                cliponaxis=False,
                name=rule,
                yaxis=axis,
                hovertemplate=f"{rule}<extra></extra>",
            )
        )
        starts = rows[np.diff(rows, prepend=-10) > 1]  # one text per run of signalling faces
        for row in _apart(starts, max(_LEAST_ACROSS, place.size)):
            figure.add_annotation(
                x=place[row],
                y=level[row],
                yref=axis,
                text=rule,
                **ring_words(look),
                ax=-24,
                ay=-34,
                xanchor="right",
            )
