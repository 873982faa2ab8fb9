"""Which shift a moment belongs to, and where the next natural break lies, by the site's own shift hours."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from spc.log.moments import has_clock
from spc.settings import Settings, Shift

__all__ = [
    "Break",
    "ShiftSpan",
    "breaks_ahead",
    "by_day",
    "next_break",
    "shift_at",
    "shift_before",
    "shifts_until",
]


@dataclass(frozen=True, slots=True)
class ShiftSpan:
    """One shift of one day by the wall clock; without shift hours the calendar day stands for it."""

    name: str  # '' when the site gives no shift hours
    start: datetime  # wall clock
    end: datetime
    start_us: int  # on the scale of `sort_us`
    end_us: int

    @property
    def text(self) -> str:
        """'late shift of 2026-03-04', or '2026-03-04'."""
        day = f"{self.start:%Y-%m-%d}"
        return f"{self.name} shift of {day}" if self.name else day


@dataclass(frozen=True, slots=True)
class Break:
    """One natural break: the end of a shift."""

    text: str  # 'end of the late shift, 22:00'
    at: datetime  # wall clock
    shifts_ahead: float  # working time until then, in shifts


def by_day(settings: Settings, newest: Iterable[str]) -> Settings:
    """Give the settings by which faces are put to shifts.

    Parameters
    ----------
    settings : Settings
    newest : iterable of str
        Time as typed of the newest face of each lap; '' = it carries none.

    Returns
    -------
    Settings
        Without shift hours where most of them carry a day and no time of day: the day is then all that is known of the
        shift in which a face was lapped, and stands for it.
    """
    clock = has_clock(pd.Series([text for text in newest if text], dtype=object))
    return replace(settings, shifts=()) if settings.shifts and 2 * clock.sum() < clock.size else settings


def breaks_ahead(moment: datetime, settings: Settings, *, most: int = 4) -> tuple[Break, ...]:
    """List the ends of the running shift and the ones after it.

    Parameters
    ----------
    moment : datetime
        Wall clock of the site, without zone.
    settings : Settings
        Shift hours and zone.
    most : int, default 4

    Returns
    -------
    tuple of Break
        In order of time; none when the site gives no shift hours.
    """
    if not settings.shifts:
        return ()
    days = range(most // len(settings.shifts) + 3)
    later = {s.end: s for day in days for s in _around(moment + timedelta(days=day), settings) if s.end > moment}
    found: list[Break] = []
    worked = 0.0
    for end in sorted(later)[:most]:
        span = later[end]
        worked += (end - max(moment, span.start)) / (end - span.start)
        day = "" if span.start.date() <= moment.date() else f" on {span.start:%A}"
        found.append(Break(f"end of the {span.name} shift{day}, {end:%H:%M}", end, worked))
    return tuple(found)


def shift_at(moment: datetime, settings: Settings) -> ShiftSpan:
    """Find the shift in which a moment falls; between shifts, the one that ended last.

    Parameters
    ----------
    moment : datetime
        Wall clock of the site, without zone.
    settings : Settings
        Shift hours and zone.

    Returns
    -------
    ShiftSpan
    """
    if not settings.shifts:
        start = moment.replace(hour=0, minute=0, second=0, microsecond=0)
        return _span("", start, start + timedelta(days=1), settings)
    return max((s for s in _around(moment, settings) if s.start <= moment), key=lambda s: s.start)


def shift_before(span: ShiftSpan, settings: Settings) -> ShiftSpan:
    """Find the shift before this one."""
    if not settings.shifts:
        return _span("", span.start - timedelta(days=1), span.start, settings)
    return max((s for s in _around(span.start, settings) if s.start < span.start), key=lambda s: s.start)


def shifts_until(moment: datetime, settings: Settings, *, back: timedelta) -> tuple[ShiftSpan, ...]:
    """List the shifts that begin within a time up to a moment, and the one before that time.

    Parameters
    ----------
    moment : datetime
        Wall clock of the site, without zone.
    settings : Settings
        Shift hours and zone.
    back : timedelta
        How far back.

    Returns
    -------
    tuple of ShiftSpan
        In order of time; the last is `shift_at(moment, settings)`.
    """
    span = shift_at(moment, settings)
    found = [span]
    while span.start > moment - back:
        span = shift_before(span, settings)
        found.append(span)
    return tuple(found[::-1])


def next_break(moment: datetime, settings: Settings) -> str:
    """Say when the next natural break comes: the end of the running shift.

    Returns
    -------
    str
        'end of the late shift, 22:00'; '' when the site gives no shift hours.
    """
    if not settings.shifts:
        return ""
    span = shift_at(moment, settings)
    if moment >= span.end:
        span = min((s for s in _around(moment, settings) if s.start > moment), key=lambda s: s.start)
        return f"before the {span.name} shift, {span.start:%H:%M}"
    return f"end of the {span.name} shift, {span.end:%H:%M}"


def _around(moment: datetime, settings: Settings) -> list[ShiftSpan]:
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    return [_of_day(shift, midnight + timedelta(days=d), settings) for d in (-2, -1, 0, 1) for shift in settings.shifts]


def _of_day(shift: Shift, midnight: datetime, settings: Settings) -> ShiftSpan:
    start = datetime.combine(midnight.date(), shift.start)
    end = datetime.combine(midnight.date(), shift.end)
    return _span(shift.name, start, end if end > start else end + timedelta(days=1), settings)


def _span(name: str, start: datetime, end: datetime, settings: Settings) -> ShiftSpan:
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else ZoneInfo("UTC")
    start_us, end_us = (round(t.replace(tzinfo=zone).timestamp() * 1_000_000) for t in (start, end))
    return ShiftSpan(name, start, end, start_us, end_us)
