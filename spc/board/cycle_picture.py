"""The cycle picture as data: past cycles, this cycle, the usual band, the limit and the fan of what is to come."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.lap_forecast import LapForecast
from spc.board.results import CycleFan, CyclePath, CyclePicture, Signal
from spc.board.room_history import RoomOfLap

__all__ = ["draw_cycle"]

PAST_SHOWN = 6
_USED = (
    *("face_id", "age_faces", "flatness_low_um", "flatness_high_um", "flatness_text"),
    *("time_text", "operator", "part", "serial"),
)
_NOTHING: NDArray[np.float64] = np.empty(0)


def draw_cycle(
    view: CellView, lap: str, forecast: LapForecast, signals: Sequence[Signal], *, room: RoomOfLap
) -> CyclePicture | None:
    """Gather the cycle picture of one lap.

    Parameters
    ----------
    view : CellView
    lap : str
    forecast : LapForecast
    signals : sequence of Signal
        Those of this cycle; each is ringed at its age.
    room : RoomOfLap
        Which readings of this cycle tell nothing of the lap.

    Returns
    -------
    CyclePicture or None
        None when the lap has no face with a flatness reading yet.
    """
    rows = view.faces_of(lap)
    found = view.memo.once(lap, "paths", (rows, view.events_of(lap), room), lambda: _paths(rows, view, lap, room))
    if found is None:
        return None
    past, now = found
    band = forecast.band
    return CyclePicture(
        limit_um=forecast.limit_um,
        limit_text=forecast.limit_text,
        now=now,
        past=past,
        band_age_faces=_NOTHING if band is None else band.age_faces,
        band_low_um=_NOTHING if band is None else np.maximum(band.low_um, 0.0),
        band_centre_um=_NOTHING if band is None else np.maximum(band.median_um, 0.0),
        band_high_um=_NOTHING if band is None else np.maximum(band.high_um, 0.0),
        fan=_to_limit(forecast),
        signals=tuple(signals),
        sentence=_in_words(lap, now, past, forecast),
        axis_note=forecast.faces_left.sentence if forecast.faces_left.status in ("range", "over") else "",
    )


def _paths(
    rows: pd.DataFrame, view: CellView, lap: str, room: RoomOfLap
) -> tuple[tuple[CyclePath, ...], CyclePath] | None:
    """Past cycles that have readings, and the running one; None without any reading."""
    read = (rows["kind"] == "face").to_numpy() & rows["flatness_low_um"].notna().to_numpy()
    if not read.any():
        return None
    cycles = view.cycles_of(lap)
    running = int(cycles["cycle"].iloc[-1])
    ended = cycles[(cycles["cycle"] != running) & cycles["start_known"]].iloc[-PAST_SHOWN:]
    cycle_of, first = rows["cycle"].to_numpy(), rows["attempt"].to_numpy() <= 1
    columns = {name: rows[name].to_numpy() for name in _USED}
    columns["aside"] = ~room.keeps(rows["sort_us"].to_numpy(np.int64), room.aside) & (cycle_of == running)
    past = (
        _path(f"cycle {number}, to {_day(text)}", columns, read & first & (cycle_of == number))
        for number, text in zip(ended["cycle"], ended["end_text"], strict=True)
    )
    return tuple(p for p in past if p.age_faces.size), _path("this cycle", columns, read & (cycle_of == running))


def _path(label: str, columns: Mapping[str, NDArray[Any]], of: NDArray[np.bool_]) -> CyclePath:
    """Take the rows of `of` as one path."""
    own = {name: values[of] for name, values in columns.items()}
    words = zip(*(own[name].tolist() for name in ("time_text", "operator", "part", "serial")), strict=True)
    return CyclePath(
        label=label,
        age_faces=own["age_faces"].astype(np.float64),
        low_um=own["flatness_low_um"].astype(np.float64),
        high_um=own["flatness_high_um"].astype(np.float64),
        face_id=own["face_id"].astype(np.int64),
        text=tuple(own["flatness_text"].tolist()),
        hover=tuple(" - ".join(filter(None, said)) for said in words),
        aside=own["aside"].astype(np.bool_),
    )


def _to_limit(forecast: LapForecast) -> CycleFan | None:
    """Cut the fan a little after its low edge has crossed the limit: what lies beyond is no longer asked."""
    fan = forecast.fan
    if fan is None or not np.isfinite(forecast.limit_um):
        return fan
    over = np.flatnonzero(fan.low_um >= forecast.limit_um)
    stop = int(over[0]) + 1 if over.size else fan.age_faces.size
    return CycleFan(
        fan.age_faces[:stop],
        np.maximum(fan.low_um[:stop], 0.0),
        np.maximum(fan.median_um[:stop], 0.0),
        np.maximum(fan.high_um[:stop], 0.0),
    )


def _day(text: str) -> str:
    return text[:10] if text else "an unknown day"


def _in_words(lap: str, now: CyclePath, past: Sequence[CyclePath], forecast: LapForecast) -> str:
    if now.age_faces.size == 0:
        read = f"{lap} has no flatness reading in this cycle yet"
    else:
        finite = now.high_um[np.isfinite(now.high_um)]
        top = f"the highest up to {finite.max():.2f} um" if finite.size else "all of them open above"
        count = now.age_faces.size
        faces = "reading" if count == 1 else "readings"
        read = f"{lap} has {count} flatness {faces} in this cycle, the last as typed {now.text[-1]}, {top}"
        out = int(np.count_nonzero(now.aside))
        read += f"; {out} of them drawn hollow, read while the whole room had moved" if out else ""
    shown = len(past)
    behind = f"; {shown} past cycle{'' if shown == 1 else 's'} drawn faint behind" if shown else "; no past cycle yet"
    limit = f"; limit {forecast.limit_text}" if forecast.limit_text else "; no limit set"
    left = f"; {forecast.faces_left.sentence}" if forecast.faces_left.sentence else ""
    return f"{read}{behind}{limit}{left}."
