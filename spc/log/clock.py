"""Times of a log's rows: UTC where it is known, order always, shift and the date on which the shift began."""

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.coded import Coded, joined
from spc.log.columns import ColumnMap
from spc.log.draft import Draft, Picked
from spc.log.times import NO_TIME, TOO_FAR_MIN, Times, as_iso, parse_times, shifts_of, to_utc

__all__ = ["read_times"]

_BATCH = 5  # rows with one and the same time from which on they were typed in one go
_NIGHT = frozenset({"night", "nacht", "nachtschicht", "nuit", "nights"})
_DAY_US = 86_400_000_000


def read_times(draft: Draft, plan: ColumnMap, minutes: NDArray[np.float64]) -> dict[str, NDArray[np.int64]]:
    """Read every row's time.

    Parameters
    ----------
    draft : Draft
        Gets the columns time_text, shift and shift_date, reasons and remarks.
    plan : ColumnMap
        Date order and zone as stated.
    minutes : ndarray, (n_rows,)
        Filled in place from start and end where the file has no minutes of its own.

    Returns
    -------
    dict
        `time_utc` (microseconds, NO_TIME unknown) and `sort_us`, both (n_rows,).
    """
    wall = np.full(draft.n, NO_TIME, dtype=np.int64)
    utc, at, dated_only = wall.copy(), wall, np.zeros(draft.n, dtype=bool)
    if "time" not in draft.cells and "time_end" in draft.cells:  # only the end was written
        draft.cells["time"], draft.uses["time"] = draft.cells.pop("time_end"), draft.uses.pop("time_end")
    zone = plan.time_zone or draft.settings.time_zone
    order = plan.date_order or draft.settings.date_order
    if "time" in draft.cells:
        wall, utc, dated_only, at = _column(draft, "time", order, zone)
        draft.days, draft.times = dated_only, (wall != NO_TIME) & ~dated_only
        _batches(draft, np.where(dated_only, NO_TIME, wall))
    if "time_end" in draft.cells:
        _minutes_between(draft, order, zone, wall, utc, minutes)
    _shift(draft, wall, utc, zone, dated_only)
    filled = pd.Series(at).where(at != NO_TIME).ffill().bfill()
    has = filled.notna().to_numpy()
    sort = np.zeros(draft.n, dtype=np.int64)
    # Carried by position, not as floats: microseconds since 1970 still fit a float exactly (below 2**53).
    sort[has] = filled[has].to_numpy(dtype=np.int64)
    return {"time_utc": utc, "sort_us": sort}


def _column(
    draft: Draft, name: str, order: str, zone: str
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_], NDArray[np.int64]]:
    """Wall-clock and UTC microseconds per row, which rows have a date only, and where each lies in order of time.

    A row with a date only has no UTC, and lies where its day begins in its zone.
    """
    source = draft.source(name)
    parts = [draft.cells[name]]
    if "date" in draft.cells and not source.format:
        parts.insert(0, draft.cells["date"])
    text = joined(parts, " ")
    zones = draft.cells.get("zone")
    offsets = zones is not None and all(
        re.fullmatch(r"(?i)(utc|gmt|z|cet|cest|mez|mesz)?([+-]\d{1,2}(:?\d{2})?)?", t) for t in zones.texts.to_pylist()
    )
    typed = text
    if zones is not None and offsets:
        text = joined([text, zones], " ")
    times = parse_times(text, date_order=order, time_format=source.format)
    faults = times.faults
    draft.refuse(name, text.codes, faults)
    if times.remark:
        draft.remarks.append(times.remark)
    wall, offset = times.wall_us[text.codes], times.offset_min[text.codes]
    stated = source.unit
    if stated:
        fixed = 0.0 if stated == "UTC" else _offset(stated)
        offset = np.where(np.isnan(offset), fixed, offset)
    dated_only = times.dated_only[text.codes] & (wall != NO_TIME)
    if zones is not None and not offsets:
        utc, state = _by_zone(draft, zones, wall, offset, zone)
    else:
        utc, state = to_utc(wall, offset, zone)
    at = np.where(utc != NO_TIME, utc, wall)
    utc, state = np.where(dated_only, NO_TIME, utc), np.where(dated_only, 0, state)
    label = draft.label(name)
    draft.reasons.add_where(state == 1, f"{label} never was: clocks went forward over it in {zone or 'its zone'}")
    draft.row_remarks.add_where(state == 2, "this local time happened twice that night; taken as the first")
    draft.row_remarks.add_where(
        state == 3, "this local time happened twice that night; taken as the second, as the row before is later"
    )
    if name == "time":
        naive = (wall != NO_TIME) & ~dated_only & (utc == NO_TIME) & (state == 0)
        draft.row_remarks.add_where(naive, "time without a zone, kept as wall-clock time")
        draft.row_remarks.add_where(dated_only, "date without a time of day")
        plain = typed.texts if len(typed.texts) > 20_000 else typed.objects()
        draft.columns["time_text"] = Picked(typed.codes, as_iso(times, typed.texts) if source.format else plain)
    return wall, utc, dated_only, at


def _by_zone(
    draft: Draft, zones: Coded, wall: NDArray[np.int64], offset: NDArray[np.float64], default: str
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """UTC where a column names each row's zone."""
    utc, state = np.full(draft.n, NO_TIME, dtype=np.int64), np.zeros(draft.n, dtype=np.int8)
    names = zones.objects()
    faults = [""] * len(names)
    for at, name in enumerate(names.tolist()):
        rows = np.flatnonzero(zones.codes == (at if at < len(names) - 1 else -1))
        short = re.fullmatch(r"(?i)(?:utc|gmt)?([+-]\d{1,2}(?::?\d{2})?)|utc|gmt|z", name)
        here = offset[rows]
        try:
            if short:
                here = np.where(np.isnan(here), _offset(short.group(1)) if short.group(1) else 0.0, here)
            utc[rows], state[rows] = to_utc(wall[rows], here, "" if short else name or default)
        except (KeyError, ValueError, OSError):
            faults[at] = f"is no zone of the time-zone database: {name[:60]!r}; write Europe/Vienna or +01:00"
    draft.refuse("zone", zones.codes, faults)
    return utc, state


def _minutes_between(
    draft: Draft, order: str, zone: str, wall: NDArray[np.int64], utc: NDArray[np.int64], minutes: NDArray[np.float64]
) -> None:
    end_wall, end_utc, *_ = _column(draft, "time_end", order, zone)
    both = (wall != NO_TIME) & (end_wall != NO_TIME)
    exact = both & (utc != NO_TIME) & (end_utc != NO_TIME)
    span = np.where(exact, end_utc - utc, end_wall - wall)
    # With one date column the end of a face lapped across midnight carries the date of its start.
    across = both & (span < 0) & ("date" in draft.cells) & (span >= -_DAY_US) & (span + _DAY_US <= 8 * 3600 * 1_000_000)
    span = np.where(across, span + _DAY_US, span)
    draft.row_remarks.add_where(across, "end taken as after midnight")
    backward = both & (span < 0)
    draft.row_remarks.add_where(backward, "end before start: minutes missing")
    minutes[backward] = np.nan
    if "minutes" not in draft.cells:
        good = both & (span > 0) & (span < _DAY_US)
        minutes[good] = span[good] / 60e6
        draft.row_remarks.add_where(both & (span >= _DAY_US), "start and end a day or more apart: minutes missing")
        draft.remarks.append("minutes are end minus start, as the file has no minutes column")


def _batches(draft: Draft, timed: NDArray[np.int64]) -> None:
    """Remark on runs of rows that carry one and the same time."""
    if not draft.n:
        return
    run = np.cumsum(np.append(True, timed[1:] != timed[:-1])) - 1
    many = (np.bincount(run)[run] >= _BATCH) & (timed != NO_TIME)
    if many.any():
        draft.row_remarks.add_where(many, f"typed in one go: {_BATCH} or more rows in a row carry this one time")
        draft.remarks.append(
            f"{many.sum():,} rows ({many.mean():.0%}) were typed in one go, {_BATCH} or more to one time"
        )


def _shift(
    draft: Draft, wall: NDArray[np.int64], utc: NDArray[np.int64], zone: str, dated_only: NDArray[np.bool_]
) -> None:
    local = wall
    if zone and (utc != NO_TIME).any():
        at = pd.DatetimeIndex(utc.view("M8[us]"), tz="UTC").tz_convert(zone).tz_localize(None).as_unit("us").asi8
        local = np.where(utc != NO_TIME, at, wall)
    hours = [
        (s.name, s.start.hour * 60 + s.start.minute, s.end.hour * 60 + s.end.minute) for s in draft.settings.shifts
    ]
    names, day = shifts_of(np.where(dated_only, NO_TIME, local), hours)
    if "shift" in draft.cells:
        typed = draft.cells["shift"]
        draft.text("shift", longest=80)
        written = typed.objects()
        own = {name.casefold(): (name, start, end) for name, start, end in hours}
        late = np.array([w.casefold() in own or w.casefold() in _NIGHT for w in written.tolist()], dtype=bool)
        has = (local != NO_TIME) & ~typed.blank()
        date, minute = local // _DAY_US, local % _DAY_US // 60_000_000
        day = np.where(has, date, day)
        for number in np.flatnonzero(late).tolist():
            rows = has & ~dated_only & (typed.codes == number)
            _, start, end = own.get(str(written[number]).casefold(), ("", 18 * 60, 12 * 60))
            if end <= start:
                day = np.where(rows & (minute < end), date - 1, day)
        blank = typed.blank()
        if blank.any() and hours:
            merged, found = pd.factorize(np.where(blank, names, written[typed.codes]))
            draft.columns["shift"] = Picked(merged, np.asarray(found, dtype=object))
    elif hours:
        codes, found = pd.factorize(names)
        draft.columns["shift"] = Picked(codes, np.asarray(found, dtype=object))
    if "shift_date" in draft.cells:
        column = draft.cells["shift_date"]
        stated: Times = parse_times(column, date_order=draft.settings.date_order)
        draft.refuse("shift_date", column.codes, stated.faults)
        typed_day = np.where(stated.wall_us == NO_TIME, NO_TIME, stated.wall_us // _DAY_US)[column.codes]
        day = np.where(typed_day != NO_TIME, typed_day, day)
    codes, found = pd.factorize(day)
    iso = ["" if d == NO_TIME else str(np.datetime64(int(d), "D")) for d in found.tolist()]
    draft.columns["shift_date"] = Picked(codes, np.array([*iso], dtype=object))


def _offset(text: str) -> float:
    sign, hours, rest = text[0], *(text[1:].replace(":", "")[:2], text[1:].replace(":", "")[2:])
    value = int(hours) * 60 + int(rest or 0)
    if value >= TOO_FAR_MIN:
        raise ValueError(f"`text` must lie less than 15 hours from UTC, got {text}")
    return float(value if sign == "+" else -value)
