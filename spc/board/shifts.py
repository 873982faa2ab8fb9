"""Which shift a moment belongs to, and where the next natural break lies, by the site's own shift hours."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from spc.settings import Settings, Shift

__all__ = ["ShiftSpan", "next_break", "shift_at", "shift_before"]


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
        """'late shift of 4 March', or '4 March'."""
        day = f"{self.start.day} {self.start:%B}"
        return f"{self.name} shift of {day}" if self.name else day


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
