"""How moments are told to people: one form for all, to the minute, by the clock of the site."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.times import Times, parse_times, to_utc
from spc.settings import Settings

__all__ = ["dates_alone", "has_clock", "shown_text", "shown_time", "shown_wall", "with_shown_times"]

_FORM = "%Y-%m-%d %H:%M"
_DAY_US = 86_400_000_000
_CLOCK = tuple(f" {at // 60:02d}:{at % 60:02d}" for at in range(1440))  # the minutes of a day


def shown_wall(moment: datetime) -> str:
    """Give a moment of the site's wall clock as people read it."""
    return moment.strftime(_FORM)


def shown_time(at_us: int | None, zone: str) -> str:
    """Give a moment as people at the site read it, or in UTC when no zone is set; '' for none."""
    if at_us is None:
        return ""
    moment = datetime.fromtimestamp(at_us / 1e6, ZoneInfo(zone) if zone else UTC)
    return shown_wall(moment) + ("" if zone else " UTC")


def shown_text(text: str, settings: Settings) -> str:
    """
    Give a moment that stands as it was typed in the form of `shown_time`.

    Parameters
    ----------
    text : str
        A day, or a day and a time of day, in any form a log may have.
    settings : Settings
        Its zone is the one shown, its date order decides a day that could be read two ways.

    Returns
    -------
    str
        ISO to the minute. What carries a zone is told by the site's clock, in UTC where none is set; what carries none
        keeps its own; a day stays a day; what cannot be read one way only stays as typed.
    """
    if not text.strip():
        return ""
    column = Coded(np.zeros(1, dtype=np.int32), pa.array([text.strip()], pa.string()))
    read = parse_times(column, date_order=settings.date_order)
    if read.faults[0]:
        return text
    wall, offset = read.wall_us[:1], read.offset_min[:1]
    if np.isfinite(offset[0]):
        return shown_time(int(to_utc(wall, offset, "")[0][0]), settings.time_zone)
    told = shown_time(int(wall[0]), "UTC")
    return told[:10] if read.dated_only[0] else told


def with_shown_times(rows: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Give rows of a log with their times in the form of `shown_time`.

    Parameters
    ----------
    rows : DataFrame, shape (n, ...)
        Faces or events as the store holds them: time_text, as typed; time_utc; sort_us.
    settings : Settings

    Returns
    -------
    DataFrame, shape (n, ...)
        With time_text as people read it: what has a moment is told by the site's clock, in UTC where no zone is set; a
        wall-clock time without a zone is itself, and so is a day; what has none stays ''.
    """
    typed = rows["time_text"].to_numpy(object)
    said = typed != ""
    if not said.any():
        return rows
    known, alone = said & rows["time_utc"].notna().to_numpy(bool), dates_alone(rows)
    us = rows["sort_us"].to_numpy(np.int64)
    local = us.copy()
    if settings.time_zone:
        at = pd.DatetimeIndex(us.view("M8[us]"), tz="UTC").tz_convert(settings.time_zone)
        local = at.tz_localize(None).as_unit("us").asi8
    local = np.where(known | (alone & (local % _DAY_US == 0)), local, us)  # the others stand on the wall clock already
    day, minute = np.divmod(local // 60_000_000, 1440)
    codes, days = pd.factorize(day)  # many rows share a day, and all share the minutes of one: each is written once
    dates = np.datetime_as_string(days.astype("M8[D]")).tolist()
    ends = (alone.astype(int) + 2 * (known & (not settings.time_zone))).tolist()
    told = [
        (dates[d] if end == 1 else f"{dates[d]}{_CLOCK[m]}{' UTC' if end else ''}") if is_said else ""
        for d, m, end, is_said in zip(codes.tolist(), minute.tolist(), ends, said.tolist(), strict=True)
    ]
    return rows.assign(time_text=pd.Series(told, index=rows.index, dtype=rows["time_text"].dtype))


def has_clock(typed: "pd.Series[Any]") -> NDArray[np.bool_]:
    """Per row, whether the time as typed carries a time of day."""
    clock = _with_colon(typed)
    others = ~clock & (typed != "").to_numpy(bool)
    if others.any():  # a day alone, or 6h10
        codes, read = _read(typed.to_numpy(object)[others])
        clock[others] = read.timed[codes]
    return clock


def dates_alone(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the rows whose time as typed is a day without a time of day.

    Parameters
    ----------
    rows : DataFrame, shape (n, ...)
        Faces or events: time_text, time_utc (none where the moment is not known).

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    alone: NDArray[np.bool_] = rows["time_utc"].isna().to_numpy(bool)
    if alone.any():  # most of a site without a zone have a time of day, told without reading them
        alone = alone & ~_with_colon(rows["time_text"]) & (rows["time_text"] != "").to_numpy(bool)
    if alone.any():
        codes, read = _read(rows["time_text"].to_numpy(object)[alone])
        alone[alone] = read.dated_only[codes]
    return alone


def _with_colon(typed: "pd.Series[Any]") -> NDArray[np.bool_]:
    return np.array(typed.astype("str").str.contains(":", regex=False), dtype=bool)


def _read(typed: NDArray[np.object_]) -> tuple[NDArray[np.intp], Times]:
    """Read each distinct text once; give the place of each among them."""
    codes, texts = pd.factorize(typed)
    return codes, parse_times(Coded(codes.astype(np.int32), pa.array(texts.tolist(), pa.string())))
