"""How the tables for people tell moments: one form for every row, by the clock of the site, to the minute."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from spc.settings import Settings

__all__ = ["shown_text", "shown_time", "time_head", "with_times"]


def shown_time(at_us: int | None, zone: str) -> str:
    """Give a moment as people at the site read it, or in UTC when no zone is set; '' for none."""
    if at_us is None:
        return ""
    moment = datetime.fromtimestamp(at_us / 1e6, ZoneInfo(zone) if zone else UTC)
    return moment.strftime("%Y-%m-%d %H:%M") + ("" if zone else " UTC")


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
    import numpy as np
    import pyarrow as pa

    from spc.log.coded import Coded
    from spc.log.times import parse_times, to_utc

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


def with_times(rows: Sequence[Mapping[str, Any]], keys: Sequence[str], settings: Settings) -> list[dict[str, Any]]:
    """Give rows of a table with the typed moments under `keys` in one form."""
    return [{**row, **{key: shown_text(str(row[key] or ""), settings) for key in keys}} for row in rows]


def time_head(word: str, settings: Settings) -> str:
    """Give the heading of a column of moments: the word, and the site's zone where one is set."""
    return f"{word}, {settings.time_zone}" if settings.time_zone else word
