"""The cycle picture: how this lap has worn since reconditioning, beside its own past, with the limit and the fan."""

import math

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.charts.far import capped, far_marks, far_size, far_words
from dashboard.charts.style import Array, area, base_figure, clear, line_over, reading_bars, ring_words, segments
from dashboard.charts.thin import MOST_MARKS, thin
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import as_typed, join_words, micro, spoken
from spc.board.results import CyclePath, CyclePicture, FacesLeft, Signal

__all__ = ["cycle_figure", "cycle_table"]

_MOST_RING_TEXTS = 4
_ASIDE = "set aside: the room had moved"
_LEAST_ACROSS = 20.0  # faces along the axis, so that the bars of a first few faces stay slim
_CHARTED = ("flatness", "bow")  # the signs of the axis; a ring of any other names its own
_LEAST_TALL = 0.012  # of the axis: the shortest stroke of a past reading that is still seen
_LANE = 0.105  # height of one ring text above the readings, as a share of their height


def cycle_figure(picture: CyclePicture, left: FacesLeft, look: Look, unit: DisplayUnit) -> go.Figure:
    """Draw the cycle picture.

    Parameters
    ----------
    picture : CyclePicture
    left : FacesLeft
        Where the fan meets the limit, in faces from the last face.
    look : Look
    unit : DisplayUnit
        Unit of the upright axis.

    Returns
    -------
    plotly Figure
        At most 5,000 marks; every signalling reading is drawn.
    """
    figure = base_figure(look, x_title="faces since reconditioning", y_title=f"flatness, {unit.label}")
    scale = 1.0 / unit.um_per_unit
    ceiling = _ceiling(picture) * scale
    last_age = float(picture.now.age_faces[-1]) if picture.now.age_faces.size else 0.0
    right = _right_end(picture, left, last_age)

    _add_past(figure, picture, look, scale, ceiling)
    _add_band(figure, picture, look, scale)
    _add_fan(figure, picture, look, scale, ceiling)
    _add_now(figure, picture, look, unit, scale, ceiling, right)
    _add_limit(figure, picture, look, scale, right)
    lanes = _add_rings(figure, picture.signals, picture.now, look, unit, ceiling, right)
    _add_faces_left(figure, picture, left, look, last_age, right)
    figure.update_xaxes(range=[-0.02 * right - 0.6, right])
    figure.update_yaxes(range=[0, ceiling * (1.04 + _LANE * lanes)], rangemode="nonnegative")
    return figure


def cycle_table(picture: CyclePicture, unit: DisplayUnit) -> pd.DataFrame:
    """Return the cycle picture's readings of this cycle as a table, last face first."""
    path = picture.now
    said = {signal.face_id: signal.rule for signal in picture.signals}
    table = pd.DataFrame(
        {
            "faces since reconditioning": path.age_faces,
            "as typed": list(path.text),
            f"from, {unit.label}": np.round(path.low_um / unit.um_per_unit, 3),
            f"to, {unit.label}": np.where(
                np.isfinite(path.high_um), np.round(path.high_um / unit.um_per_unit, 3), np.nan
            ),
            "when, who, what": list(path.hover),
            "signal": [
                said.get(int(face), _ASIDE if aside else "")
                for face, aside in zip(path.face_id, path.aside, strict=True)
            ],
        }
    )
    return table.iloc[::-1].reset_index(drop=True)


def _ceiling(picture: CyclePicture) -> float:
    """Where the upright axis ends, micrometres; a wide band does not dwarf the readings."""
    paths = (picture.now, *picture.past)
    low, high = (np.concatenate([getattr(path, name) for path in paths]) for name in ("low_um", "high_um"))
    closed, limit = high[np.isfinite(high)], picture.limit_um if math.isfinite(picture.limit_um) else 0.0
    usual = float(np.median(closed)) if closed.size else 0.0
    tops = np.concatenate([closed, 1.25 * low[np.isfinite(low)], [1.25 * limit, 1e-6]])
    read = capped(tops, max(limit, usual))
    band = picture.band_high_um[np.isfinite(picture.band_high_um)]
    return max(read, min(float(band.max(initial=0.0)), 1.3 * read)) * 1.06


def _right_end(picture: CyclePicture, left: FacesLeft, last_age: float) -> float:
    ends = [last_age * 1.08, last_age + 4.0, _LEAST_ACROSS]
    ends += [float(path.age_faces[-1]) for path in picture.past if path.age_faces.size]
    if left.status == "range" and left.unit == "faces" and picture.axis_note:
        reach = left.high if left.high is not None else left.low
        ends.append(last_age + 1.15 * (reach or 0.0) + 2.0)
    elif picture.fan is not None and picture.fan.age_faces.size:
        ends.append(float(picture.fan.age_faces[-1]))
    return max(ends)


def _add_past(figure: go.Figure, picture: CyclePicture, look: Look, scale: float, ceiling: float) -> None:
    paths = [path for path in picture.past if path.age_faces.size]
    if not paths:
        return
    most = max(2, MOST_MARKS // 5 // len(paths))
    stroke = float(np.clip(300 / max(path.age_faces[-1] for path in paths), 1.0, 2.0))
    for index, path in enumerate(paths):
        low, high = np.minimum(path.low_um * scale, ceiling), np.minimum(path.high_um * scale, ceiling)
        low = np.minimum(low, high - _LEAST_TALL * ceiling).clip(min=0.0)
        high = np.maximum(high, low + _LEAST_TALL * ceiling)
        rows = thin(low, high, np.zeros(low.size, dtype=bool), most=most)
        xs, ys = segments(path.age_faces[rows], low[rows], high[rows])
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                mode="lines",
                line={"color": clear(look.past, 0.34), "width": stroke * look.scale},
                name="past cycles",
                legendgroup="past",
                showlegend=index == 0,
                hovertemplate=f"{as_typed(path.label)}<extra></extra>",
            )
        )


def _add_band(figure: go.Figure, picture: CyclePicture, look: Look, scale: float) -> None:
    ages = picture.band_age_faces
    if not ages.size:
        return
    figure.add_trace(
        area(
            ages, picture.band_low_um * scale, picture.band_high_um * scale, name="usual wear",
            colour=look.band, opacity=0.16, group="band",
        )
    )  # fmt: skip
    figure.add_traces(
        line_over(
            ages, picture.band_centre_um * scale, look, colour=look.band, width=2 * look.scale,
            name="usual wear, centre", legendgroup="band", showlegend=False,
        )
    )  # fmt: skip


def _add_fan(figure: go.Figure, picture: CyclePicture, look: Look, scale: float, ceiling: float) -> None:
    fan = picture.fan
    if fan is None or not fan.age_faces.size:
        return
    low, high = (np.minimum(edge * scale, 4 * ceiling) for edge in (fan.low_um, fan.high_um))
    figure.add_trace(area(fan.age_faces, low, high, name="forecast", colour=look.fan, opacity=0.28, group="fan"))
    figure.add_trace(
        go.Scatter(
            x=fan.age_faces,
            y=fan.median_um * scale,
            mode="lines",
            line={"color": look.fan, "width": 3 * look.scale, "dash": "dot"},
            name="forecast, middle",
            legendgroup="fan",
            showlegend=False,
            hoverinfo="skip",
        )
    )


def _add_now(
    figure: go.Figure, picture: CyclePicture, look: Look, unit: DisplayUnit, scale: float, ceiling: float, right: float
) -> None:
    path = picture.now
    signalling = np.isin(path.face_id, [signal.face_id for signal in picture.signals])
    rows = thin(path.low_um, path.high_um, signalling, most=2 * MOST_MARKS // 5)
    width = max(float(np.clip(right / 300, 0.6, 0.95)), right / 600)
    far = path.low_um * scale > ceiling
    _add_far(figure, path, look, unit, np.flatnonzero(far), signalling, ceiling, right)
    for aside, name in ((False, "this cycle"), (True, _ASIDE)):
        of = rows[(path.aside[rows] == aside) & ~far[rows]]
        if aside and not of.size:
            continue
        hover = [
            f"<b>{as_typed(path.text[row])}</b> as typed<br>face {path.age_faces[row]:.0f} since reconditioning"
            f"<br>{as_typed(path.hover[row])}{f'<br>{name}' if aside else ''}"
            for row in of
        ]
        traces = reading_bars(
            path.age_faces[of],
            path.low_um[of] * scale,
            path.high_um[of] * scale,
            hover,
            name=name,
            colour=look.now,
            ceiling=ceiling,
            width=width,
            hollow=aside,
        )
        figure.add_traces(traces)


def _add_far(
    figure: go.Figure,
    path: CyclePath,
    look: Look,
    unit: DisplayUnit,
    far: NDArray[np.intp],
    signalling: NDArray[np.bool_],
    ceiling: float,
    right: float,
) -> None:
    """Mark the readings above the axis at its upper edge, each with its value, which a ring says in its own words."""
    if not far.size:
        return
    rung = path.age_faces[far[signalling[far]]]
    sizes = [far_size(float(path.low_um[row]), float(path.high_um[row])) for row in far]
    told = [f"{far_words(unit.from_um(size), unit)}{more}" for size, more in sizes]
    figure.add_trace(
        far_marks(
            path.age_faces[far],
            ceiling,
            ["" if _near(rung, path.age_faces[row], right) else words for row, words in zip(far, told, strict=True)],
            [
                f"<b>{as_typed(path.text[row])}</b> as typed: above this picture<br>{as_typed(path.hover[row])}"
                for row in far
            ],
            look,
            right=right,
        )
    )


def _near(rung: Array, age: float, right: float) -> bool:
    """Whether a ring stands so near that its words and those of a mark at this age would overlap."""
    return bool(np.any(np.abs(rung - age) < 0.15 * right))


def _add_limit(figure: go.Figure, picture: CyclePicture, look: Look, scale: float, right: float) -> None:
    if not math.isfinite(picture.limit_um):
        return
    level = picture.limit_um * scale
    ends = np.array([-0.02 * right - 0.6, right])
    figure.add_traces(
        line_over(
            ends, np.full(2, level), look, colour=look.limit, width=3 * look.scale, name="limit", dashed=True,
            showlegend=False,
        )
    )  # fmt: skip
    figure.add_annotation(
        x=0,
        xref="paper",
        xanchor="left",
        y=level,
        yanchor="bottom",
        showarrow=False,
        text=f"<b>{as_typed(_limit_words(picture.limit_text))}</b>",
        font={"size": 16 * look.scale, "color": look.limit},
        bgcolor=clear(look.paper, 0.82),
        xshift=6,
    )


def _limit_words(limit_text: str) -> str:
    """Return the limit in the reader's marks; the part number after it stays as it is written."""
    length, _, part = limit_text.partition(" (")
    return spoken().sentence(micro(length)) + (f" ({part}" if part else "")


def _add_rings(
    figure: go.Figure,
    signals: tuple[Signal, ...],
    path: CyclePath,
    look: Look,
    unit: DisplayUnit,
    ceiling: float,
    right: float,
) -> int:
    reasons: dict[tuple[float, float], list[str]] = {}
    above: dict[tuple[float, float], str] = {}  # value of a reading above the axis
    for signal in signals:
        value, age = signal.value_um, signal.age_faces
        if not math.isfinite(value):
            at = np.flatnonzero(path.face_id == signal.face_id)
            if not at.size:
                continue
            value, age = float(path.low_um[at[0]]), float(path.age_faces[at[0]])
        texts = reasons.setdefault((age, min(unit.from_um(value), ceiling)), [])
        named = signal.sign in _CHARTED or signal.sign in signal.rule
        words = signal.rule if named else f"{signal.sign}: {signal.rule}"
        if signal.sign in _CHARTED and unit.from_um(value) > ceiling:
            above[age, ceiling] = f", at {far_words(unit.from_um(value), unit)}"
        if words not in texts:
            texts.append(words)
    if not reasons:
        return 0
    places = sorted(reasons)
    figure.add_trace(
        go.Scatter(
            x=[age for age, _ in places],
            y=[value for _, value in places],
            mode="markers",
            marker={"symbol": "circle-open", "size": 24 * look.scale, "color": look.ring, "line": {"width": 4}},
            cliponaxis=False,
            name="signals",
            customdata=[as_typed(join_words(reasons[place])) for place in places],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )
    shown = places[-_MOST_RING_TEXTS:]
    leftward = shown[0][0] > 0.36 * right  # room for every text on the left of its ring
    lanes = list(enumerate(shown if leftward else reversed(shown)))
    for lane, (age, value) in reversed(lanes):  # upper lanes first, so that their lines pass behind the lower texts
        to_left = leftward or age > 0.6 * right
        figure.add_annotation(
            x=age,
            y=value,
            text="<br>".join(map(as_typed, reasons[age, value])) + as_typed(above.get((age, value), "")),
            **ring_words(look, size=15, padding=4, standoff=13),
            axref="x",
            ayref="y",
            ax=age + (-0.012 if to_left else 0.012) * right,
            ay=ceiling * (1.0 + _LANE * (lane + 0.6)),
            xanchor="right" if to_left else "left",
        )
    return min(len(places), _MOST_RING_TEXTS)


def _add_faces_left(
    figure: go.Figure, picture: CyclePicture, left: FacesLeft, look: Look, last_age: float, right: float
) -> None:
    if left.status != "range" or left.unit != "faces" or left.low is None or not picture.axis_note:
        return
    start = last_age + left.low
    stop = last_age + left.high if left.high is not None else right
    figure.add_trace(
        go.Scatter(
            x=[start, stop],
            y=[0, 0],
            mode="lines",
            line={"color": look.fan, "width": 12 * look.scale},
            name="faces left",
            showlegend=False,
            cliponaxis=False,
            hovertemplate=f"{as_typed(picture.axis_note)}<extra></extra>",
        )
    )
    middle = (start + stop) / 2
    x, anchor = (start, "left") if middle < right / 3 else (min(stop, right), "right")  # inside on a narrow screen too
    if right / 3 <= middle <= 2 * right / 3:
        x, anchor = middle, "center"
    figure.add_annotation(
        x=x,
        xanchor=anchor,
        y=0,
        yanchor="bottom",
        yshift=10 * look.scale,
        showarrow=False,
        text=f"<b>{as_typed(picture.axis_note)}</b>",
        font={"size": 19 * look.scale, "color": look.ink},
        bgcolor=clear(look.paper, 0.85),
    )
