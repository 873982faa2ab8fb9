"""Moments in the tables for people: one form for every row, as `spc.log.moments` has it."""

from collections.abc import Mapping, Sequence
from typing import Any

from spc.settings import Settings

__all__ = ["time_head", "with_times"]


def with_times(rows: Sequence[Mapping[str, Any]], keys: Sequence[str], settings: Settings) -> list[dict[str, Any]]:
    """Give rows of a table with the typed moments under `keys` in one form."""
    from spc.log.moments import shown_text

    return [{**row, **{key: shown_text(str(row[key] or ""), settings) for key in keys}} for row in rows]


def time_head(word: str, settings: Settings) -> str:
    """Give the heading of a column of moments: the word, and the site's zone where one is set."""
    return f"{word}, {settings.time_zone}" if settings.time_zone else word
