"""Times as typed: date order, zone, daylight saving, shift across midnight; an unclear time is never guessed."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.date_order import DASHED_SHORT, DOTTED, LONG_YEAR, SLASHED_SHORT, decide_order

__all__ = ["NO_TIME", "TOO_FAR_MIN", "Times", "as_iso", "parse_times", "shifts_of", "to_utc"]

NO_TIME = np.iinfo(np.int64).min  # numpy's not-a-time
_DAY_US = 86_400_000_000
_BLOCK = 1 << 17

_CLOCK = (
    r"(?P<h>\d{1,2})(?:[:.h]|(?<=\d{2})(?=\d{2}\b))(?P<m>\d{2})(?:[:.]?(?P<s>\d{2})(?:[.,](?P<f>\d{1,6})\d{0,3})?)?"
    r" ?(?P<ap>[ap]\.?m\.?)?(?: ?uhr)?"
)
_ZONE = r"(?: ?(?:utc|gmt)? ?(?P<zs>[+-])(?P<zh>\d{1,2})(?::?(?P<zm>\d{2}))?| ?(?P<zw>z|utc|gmt|cest|cet|mesz|mez))?"
_REST = rf"(?:[t ,;]+{_CLOCK}{_ZONE})?"
_MONTHS = {
    name: number
    for number, names in enumerate(
        "jan january januar jänner janvier janv|feb february februar février fevrier févr fév|mar march märz maerz mär "
        "mars|apr april avril avr|may mai|jun june juni juin|jul july juli juillet juil|aug august août aout|"
        "sep sept september septembre|oct october oktober okt octobre|nov november novembre|"
        "dec december dezember dez décembre déc".split("|"),
        start=1,
    )
    for name in names.split()
}
_PATTERNS = tuple(
    re.compile(p + _REST)
    for p in (
        r"(?P<Y>\d{4})[-/.](?P<M>\d{1,2})[-/.](?P<D>\d{1,2})",
        r"(?P<Y>\d{4})(?P<M>\d{2})(?P<D>\d{2})",
        r"(?P<a>\d{1,2})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<y>\d{4}|\d{2})",
        r"(?P<D>\d{1,2})(?:\.|st|nd|rd|th)?[ -]?(?P<mon>[a-zà-ÿ]+)\.?[ -,]*(?P<y>\d{4}|\d{2})",
        r"(?P<mon>[a-zà-ÿ]+)\.? (?P<D>\d{1,2})(?:st|nd|rd|th)?,? (?P<y>\d{4})",
    )
)
_FIRST_YEAR, _LAST_YEAR = 1950, 2150  # of any log; our own rule
TOO_FAR_MIN = 15 * 60  # the farthest zone is UTC+14, in the Line Islands
_OFFSETS = {"z": 0, "utc": 0, "gmt": 0, "cet": 60, "mez": 60, "cest": 120, "mesz": 120}

# Times as counts: microseconds of one count, its day 0 in days before 1970, and to what it is rounded. Day 60 of a
# spreadsheet, 29 February 1900, never was; from 1900-03-01 on its origin is 1899-12-30.
_COUNTS = {
    "excel serial": (_DAY_US, 25569, 1_000_000),
    "unix seconds": (1_000_000, 0, 1),
    "unix milliseconds": (1_000, 0, 1),
}


@dataclass(frozen=True, slots=True)
class Times:
    """Times of one column, per distinct text (one last entry for rows that could not be split)."""

    wall_us: NDArray[np.int64]  # wall-clock microseconds since 1970, NO_TIME if none
    offset_min: NDArray[np.float64]  # minutes east of UTC as typed, NaN if none
    dated_only: NDArray[np.bool_]  # a date without a time of day
    timed: NDArray[np.bool_]  # a date with a time of day, also where the order of the date stays open
    faults: list[str]  # half sentences
    remark: str  # how the column's date order was decided, '' where nothing had to be


def parse_times(column: Coded, *, date_order: str = "", time_format: str = "") -> Times:
    """Read the distinct texts of a time column.

    Parameters
    ----------
    column : Coded
        Date and time of day in one text.
    date_order : {"", "dmy", "mdy", "ymd"}
        As the map or the site states it; '' = only what the file itself proves.
    time_format : str
        "excel serial", "unix seconds", "unix milliseconds", or a strptime format; '' = recognise. Those of the first
        three kinds are never recognised: the same digits could be another kind, or a date run together.

    Returns
    -------
    Times
    """
    texts = column.texts
    n = len(texts) + 1
    if time_format:
        return _stated(column, time_format)
    sizes = {"Y": np.int16, "us": np.int32}  # small, as there may be one time per row
    part: dict[str, NDArray[Any]] = {
        k: np.zeros(n, dtype=sizes.get(k, np.int8)) for k in ("Y", "M", "D", "h", "m", "s", "us", "a", "b")
    }
    offset, open_order, dated_only = np.full(n, np.nan), np.zeros(n, dtype=np.int8), np.zeros(n, dtype=bool)
    known, short_year = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    faults = [""] * n
    for start in range(0, len(texts), _BLOCK):
        block = texts.slice(start, _BLOCK)
        data, offsets = _buffers(block)
        for shape, members in _shapes(block):
            rows = members + start
            if not shape.strip():
                continue
            match = next((m for p in _PATTERNS if (m := p.fullmatch(shape))), None)
            if match is None or (match.groupdict().get("mon") or "jan") not in _MONTHS:
                for row in rows.tolist():
                    faults[row] = f"is no date and time: {texts[row].as_py()[:60]!r}{_counted(shape)}"
                continue
            _fill(match, rows, part, offset, open_order, dated_only, _reader(data, offsets[members], shape))
            known[rows], short_year[rows] = True, len(match.groupdict().get("y") or "") == 2
    timed = known & ~dated_only
    remark = decide_order(part, open_order, known, faults, texts, date_order)
    _ask_century(part["Y"], short_year, known, faults, texts)
    wall = _assemble(part, known, faults, texts)
    return Times(wall, offset, dated_only, timed, faults, remark)


def to_utc(
    wall_us: NDArray[np.int64], offset_min: NDArray[np.float64], zone: str
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """UTC of each row.

    Parameters
    ----------
    wall_us : ndarray of int64, (n_rows,)
        Wall-clock microseconds, NO_TIME where none.
    offset_min : ndarray of float, (n_rows,)
        Minutes east of UTC, NaN where the row carries none.
    zone : str
        Zone of rows without offset; '' = none known.

    Returns
    -------
    tuple of (utc_us, state)
        UTC microseconds or NO_TIME; state 0 fine, 1 impossible local time (clocks went forward), 2 happened twice,
        taken as the first, 3 happened twice, taken as the second because the row before is later than the first.
    """
    utc = np.full(len(wall_us), NO_TIME, dtype=np.int64)
    state = np.zeros(len(wall_us), dtype=np.int8)
    has = wall_us != NO_TIME
    stated = has & np.isfinite(offset_min)
    utc[stated] = wall_us[stated] - (offset_min[stated] * 60e6).astype(np.int64)
    naive = np.flatnonzero(has & ~stated) if zone else np.empty(0, dtype=np.int64)
    if not len(naive):
        return utc, state
    local = pd.DatetimeIndex(wall_us[naive].view("M8[us]"))
    there = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    utc[naive] = there.tz_convert("UTC").tz_localize(None).as_unit("us").asi8
    info = ZoneInfo(zone)
    known = np.maximum.accumulate(np.where(utc != NO_TIME, np.arange(len(utc)), -1))  # nearest row before with a UTC
    last = -1  # nearest row before that was settled here
    for row in naive[utc[naive] == NO_TIME].tolist():
        when = datetime(1970, 1, 1) + timedelta(microseconds=int(wall_us[row]))
        first, second = (
            int((w - datetime(1970, 1, 1, tzinfo=ZoneInfo("UTC"))) / timedelta(microseconds=1))
            for w in (when.replace(tzinfo=info, fold=0), when.replace(tzinfo=info, fold=1))
        )
        if first > second:  # the gap: fold 0 lies after fold 1
            state[row] = 1
            continue
        before = max(int(known[row]), last)
        late = before >= 0 and first < utc[before] <= second
        utc[row], state[row] = (second, 3) if late else (first, 2)
        last = row
    return utc, state


def shifts_of(
    wall_us: NDArray[np.int64], shifts: Sequence[tuple[str, int, int]]
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Shift name and the day number on which the shift began.

    Parameters
    ----------
    wall_us : ndarray of int64, (n_rows,)
        Local wall-clock microseconds, NO_TIME where none.
    shifts : sequence of (name, start_minute, end_minute)
        Minutes after midnight; an end at or before the start runs across midnight.

    Returns
    -------
    tuple of (names, day)
        '' and NO_TIME where no shift covers the time.
    """
    names = np.full(len(wall_us), "", dtype=object)
    day = np.full(len(wall_us), NO_TIME, dtype=np.int64)
    has = wall_us != NO_TIME
    date, minute = np.divmod(wall_us, _DAY_US)
    minute //= 60_000_000
    for name, start, end in shifts:
        across = end <= start
        inside = has & (((minute >= start) | (minute < end)) if across else ((minute >= start) & (minute < end)))
        inside &= day == NO_TIME
        names[inside] = name
        day[inside] = date[inside] - (across & (minute[inside] < end))
    return names, day


def _shapes(texts: pa.Array) -> list[tuple[str, NDArray[np.int64]]]:
    """Texts grouped by shape, every digit as 1: a million timestamps have a handful of shapes."""
    data, offsets = _buffers(texts)
    digits = data.copy()
    digits[(digits >= 48) & (digits <= 57)] = 49
    shaped = pa.Array.from_buffers(
        pa.string(), len(texts), [None, pa.py_buffer(offsets.astype(np.int32)), pa.py_buffer(digits)]
    ).dictionary_encode()
    codes = np.asarray(shaped.indices.to_numpy(zero_copy_only=False))
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(shaped.dictionary) + 1))
    return [(s.lower(), order[bounds[i] : bounds[i + 1]]) for i, s in enumerate(shaped.dictionary.to_pylist())]


def _buffers(texts: pa.Array) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Bytes of a string array, and offsets into them from 0."""
    _, at, data = texts.buffers()
    offsets = np.frombuffer(at, dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1].astype(np.int64)
    characters = np.frombuffer(data, dtype=np.uint8) if data and data.size else np.zeros(0, np.uint8)
    return characters[offsets[0] : offsets[-1]], offsets - offsets[0]


def _counted(shape: str) -> str:
    """Say how a time that may be a count since some day is stated; `shape` has every digit as 1."""
    kind = {5: "excel serial", 10: "unix seconds", 13: "unix milliseconds"}.get(len(shape.partition(".")[0]), "")
    if not kind or not re.fullmatch(r"1+(?:\.1+)?", shape):
        return ""
    return f'; if it is one, state format = "{kind}" for the time in the column map'


def _reader(
    data: NDArray[np.uint8], base: NDArray[np.int64], shape: str
) -> Callable[[tuple[int, int]], NDArray[np.int32]]:
    """Reader of one span of digits as integers, for all rows of one shape at once; `base` is each text's first byte."""
    ascii_shape = shape.isascii()

    def read(span: tuple[int, int]) -> NDArray[np.int32]:
        start, end = span
        shift = 0 if ascii_shape else len(shape[:start].encode()) - start
        out: NDArray[np.int32] = np.zeros(len(base), dtype=np.int32)
        for at in range(start, end):
            out *= 10
            out += data[base + (at + shift)]
            out -= 48
        return out

    return read


def _fill(
    match: re.Match[str], rows: NDArray[np.int64], part: dict[str, NDArray[Any]], offset: NDArray[np.float64],
    open_order: NDArray[np.int8], dated_only: NDArray[np.bool_], read: Callable[[tuple[int, int]], NDArray[np.int32]],
) -> None:  # fmt: skip
    groups = match.groupdict()
    for key in ("Y", "M", "D", "a", "b"):
        if groups.get(key):
            part[key][rows] = read(match.span(key))
    if groups.get("y"):
        year = read(match.span("y"))
        part["Y"][rows] = year + 2000 if len(groups["y"]) == 2 else year
    if groups.get("mon"):
        part["M"][rows] = _MONTHS[groups["mon"]]
    if groups.get("a"):
        kinds = (DASHED_SHORT if groups["sep"] == "-" else SLASHED_SHORT) if len(groups["y"]) == 2 else LONG_YEAR
        open_order[rows] = DOTTED if groups["sep"] == "." else kinds
    dated_only[rows] = groups["h"] is None
    for key in ("h", "m", "s"):
        if groups[key]:
            part[key][rows] = read(match.span(key))
    if groups["f"]:
        part["us"][rows] = read(match.span("f")) * 10 ** (6 - len(groups["f"]))
    if groups["ap"]:
        hour = part["h"][rows]
        wrong = (hour < 1) | (hour > 12)
        part["h"][rows] = np.where(wrong, 99, hour % 12 + (12 if groups["ap"][0] == "p" else 0))
    if groups["zw"]:
        offset[rows] = _OFFSETS[groups["zw"]]
    elif groups["zs"]:
        past_hour = read(match.span("zm")) if groups["zm"] else np.zeros(len(rows), dtype=np.int32)
        minutes = read(match.span("zh")) * 60 + past_hour
        offset[rows] = minutes if groups["zs"] == "+" else -minutes
        part["h"][rows] = np.where((minutes >= TOO_FAR_MIN) | (past_hour > 59), 99, part["h"][rows])  # no such zone


def _ask_century(
    year: NDArray[Any], short: NDArray[np.bool_], known: NDArray[np.bool_], faults: list[str], texts: pa.Array
) -> None:
    """Fault the short years that are possible in either century: the others can only be of this one."""
    for row in np.flatnonzero(short & known & (year >= _FIRST_YEAR + 100)).tolist():
        faults[row] = (
            f"could be of {year[row] - 100} or of {year[row]}: {texts[row].as_py()!r}; write the year with four "
            "digits, or state the format of the time in the column map"
        )
        known[row] = False


def _assemble(
    part: dict[str, NDArray[Any]], known: NDArray[np.bool_], faults: list[str], texts: pa.Array
) -> NDArray[np.int64]:
    """Wall-clock microseconds of the parts, a block at a time; an impossible date or time becomes a fault."""
    wall = np.full(len(known), NO_TIME, dtype=np.int64)
    for start in range(0, len(known), _BLOCK):
        rows = slice(start, start + _BLOCK)
        year, month, day, hour, minute, second, us = (
            part[k][rows].astype(np.int64) for k in ("Y", "M", "D", "h", "m", "s", "us")
        )
        possible = known[rows] & (year >= _FIRST_YEAR) & (year <= _LAST_YEAR)
        possible &= (month >= 1) & (month <= 12) & (day >= 1)
        months = ((np.where(possible, year, 2000) - 1970) * 12 + np.where(possible, month, 1) - 1).astype("M8[M]")
        first = months.astype("M8[D]").astype(np.int64)
        possible &= day <= (months + 1).astype("M8[D]").astype(np.int64) - first
        midnight = (hour == 24) & (minute == 0) & (second == 0)
        possible &= ((hour <= 23) | midnight) & (minute <= 59) & (second <= 59)
        for row in (np.flatnonzero(known[rows] & ~possible) + start).tolist():
            faults[row] = f"is no possible date and time: {texts[row].as_py()!r}"
        value = (first + day - 1) * _DAY_US + ((hour * 60 + minute) * 60 + second) * 1_000_000 + us
        wall[rows] = np.where(possible, value, NO_TIME)
    return wall


def _stated(column: Coded, time_format: str) -> Times:
    texts = column.objects()
    wall = np.full(len(texts), NO_TIME, dtype=np.int64)
    offset = np.full(len(texts), np.nan)
    faults = [""] * len(texts)
    for at, text in enumerate(texts.tolist()):
        if not text:
            continue
        try:
            if time_format in _COUNTS:
                one_us, origin, whole_us = _COUNTS[time_format]
                us = float(text.replace(",", ".")) * one_us - origin * _DAY_US
                if not -7305 * _DAY_US <= us < 65744 * _DAY_US:  # 1950 to 2150
                    raise ValueError
                wall[at] = round(us / whole_us) * whole_us
                offset[at] = np.nan if time_format == "excel serial" else 0.0
            else:
                when = datetime.strptime(text, time_format)
                shift = when.utcoffset()
                offset[at] = np.nan if shift is None else shift.total_seconds() / 60
                wall[at] = (when.replace(tzinfo=None) - datetime(1970, 1, 1)) // timedelta(microseconds=1)
        except (ValueError, OverflowError):
            faults[at] = f"does not fit the stated format {time_format!r}: {text[:60]!r}"
    if time_format == "excel serial":  # a whole number is a day
        clock = np.array([not text.isdigit() for text in texts.tolist()], dtype=bool)
    else:
        whole = not (time_format in _COUNTS or any(c in time_format for c in ("%H", "%I", "%X", "%c")))
        clock = np.full(len(texts), not whole)
    said = wall != NO_TIME
    return Times(wall, offset, said & ~clock, said & clock, faults, f"times read as {time_format}, as stated")


def as_iso(times: Times, texts: pa.Array) -> NDArray[np.object_]:
    """Write distinct times that were read by a stated form as everybody reads them; the others stay as typed.

    Parameters
    ----------
    times : Times
        From `parse_times`.
    texts : pyarrow.Array, length n_texts
        The texts they were read from.

    Returns
    -------
    ndarray of str, shape (n_texts + 1,)
    """
    out = np.append(texts.to_numpy(zero_copy_only=False), "").astype(object)
    read = np.flatnonzero(times.wall_us != NO_TIME)
    for at, us, minutes in zip(
        read.tolist(), times.wall_us[read].tolist(), times.offset_min[read].tolist(), strict=True
    ):
        zone = None if minutes != minutes else timezone(timedelta(minutes=minutes))
        when = (datetime(1970, 1, 1) + timedelta(microseconds=us)).replace(tzinfo=zone)
        out[at] = when.isoformat(" ") if times.timed[at] else when.date().isoformat()
    return out
