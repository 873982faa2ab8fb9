"""Words and readings that many faces share, kept once each: from values to their number and back."""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import coded, texts_of

__all__ = ["HAND", "JOB", "LAP_NAME", "READING", "RUBBING", "Combined", "Words", "combined"]

Ids = NDArray[np.int64]

LAP_NAME: dict[str, str] = {"lap": "str"}
HAND: dict[str, str] = {
    "kind": "str",
    "operator": "str",
    "shift": "str",
    "stage": "str",
    "attempt": "int64",
    "outcome": "str",
    "scratch": "bool",
    "shape": "str",
    "has_utc": "bool",
}
JOB: dict[str, str] = {
    "part": "str",
    "face": "str",
    "grit": "str",
    "grit_um": "float64",
    "flatness_unit": "str",
    "lamp": "str",
    "method": "str",
    "cutoff_mm": "float64",
    "coverage": "float64",
    "remarks": "str",
}
READING: dict[str, str] = {"low_um": "float64", "high_um": "float64", "text": "str"}
RUBBING: dict[str, str] = {
    "load_n": "float64",
    "load_text": "str",
    "area_mm2": "float64",
    "area_text": "str",
    "speed_m_per_s": "float64",
    "speed_text": "str",
}

_UNKNOWN = -1.0  # stands for NaN where rows must be unique; no grit, cut-off, coverage, load, area or speed is negative
_ALWAYS_KNOWN = frozenset(READING)
_FEW = 50  # rows below which looking at each is faster than arrays
_SMALL = 5_000  # rows of a table read whole
_FEW_NUMBERS = 2_000  # rows asked for one by one
_MOST_KEPT = 200_000  # combinations remembered between chunks


@dataclass(frozen=True, slots=True)
class _Held:
    """Rows of a table as read."""

    newest: int  # id of the newest row there was
    ids: Ids  # shape (n,), ascending
    columns: dict[str, Any]  # arrays of shape (n + 1,), the value of nothing last


@dataclass(frozen=True, slots=True)
class Combined:
    """Values that rows share: the different ones, and which of them each row has."""

    distinct: list[tuple[Any, ...]]
    which: Ids  # shape (n_rows,), -1 = none of them


def combined(values: "Mapping[str, pd.Series[Any]]", columns: Mapping[str, str]) -> Combined:
    """
    Find the different rows of some columns.

    Parameters
    ----------
    values : mapping of str to pandas.Series, each of shape (n_rows,)
    columns : mapping of str to str
        The columns of the table, such as `HAND`, with their types.

    Returns
    -------
    Combined
    """
    n_rows = len(next(iter(values.values())))
    if n_rows <= _FEW:
        rows = list(zip(*(_plain(values[name], kind) for name, kind in columns.items()), strict=True))
        place: dict[tuple[Any, ...], int] = {}
        which = np.array([place.setdefault(row, len(place)) for row in rows], dtype=np.int64)
        return Combined(list(place), which)
    codes: Ids | None = None
    for name, kind in columns.items():
        column = values[name]
        code, uniques = coded(column.fillna(_UNKNOWN) if kind == "float64" and name not in _ALWAYS_KNOWN else column)
        if codes is None:
            codes = code
        elif len(uniques) > 1:
            codes = pd.factorize(codes * len(uniques) + code)[0].astype(np.int64, copy=False)
    assert codes is not None  # every table of shared values has columns
    which, found = pd.factorize(codes)
    first = np.empty(len(found), dtype=np.int64)
    first[which[::-1]] = np.arange(n_rows - 1, -1, -1)  # of rows with one number the first is written last
    distinct = [_plain(values[name].iloc[first], kind) for name, kind in columns.items()]
    return Combined(list(zip(*distinct, strict=True)), which.astype(np.int64, copy=False))


class Words:
    """The numbers of the rows of one table of shared values, new rows added as they come."""

    def __init__(self, connection: sqlite3.Connection, table: str, columns: Mapping[str, str]) -> None:
        self._connection = connection
        self._table = table
        self._columns = columns
        self._held: _Held | None = None
        self._seen: dict[tuple[Any, ...], int] = {}
        names = ", ".join(columns)
        marks = ", ".join("?" * len(columns))
        where = " AND ".join(f"{name} = ?" for name in columns)
        self._find = f"SELECT id FROM {table} WHERE {where}"
        self._add = f"INSERT INTO {table} ({names}) VALUES ({marks})"

    def forget(self) -> None:
        """Drop what is remembered, as after a transaction that was rolled back."""
        self._seen.clear()
        self._held = None

    def numbers(self, words: Combined) -> Ids:
        """Find the number of each row's words, -1 where it has none; write the words that are new."""
        numbers = np.array([*(self._number(row) for row in words.distinct), -1], dtype=np.int64)
        return numbers[words.which]

    def values(self, ids: Ids) -> dict[str, Any]:
        """
        Values behind numbers.

        Parameters
        ----------
        ids : ndarray of int64, shape (n,)
            -1 = none: gives NaN, '' or 0.

        Returns
        -------
        dict of str to array, shape (n,)
        """
        if not len(ids) or ids.max() < 0:
            nothing = np.zeros(len(ids), dtype=np.int64)
            return {name: _column(name, kind, []).take(nothing) for name, kind in self._columns.items()}
        held = self._held_for(ids)
        place = np.searchsorted(held.ids, ids)
        place[ids < 0] = len(held.ids)  # the value of nothing, the last one
        if not np.array_equal(np.append(held.ids, -1)[place], np.maximum(ids, -1)):
            raise sqlite3.DatabaseError(
                f"table {self._table} lacks rows that faces name; restore the store from a copy"
            )
        return {name: column.take(place) for name, column in held.columns.items()}

    def _held_for(self, ids: Ids) -> "_Held":
        """Rows of the table for these numbers: all of a small table, kept as long as nothing was added to it."""
        newest = int(self._connection.execute(f"SELECT coalesce(max(id), 0) FROM {self._table}").fetchone()[0])
        if self._held is not None and self._held.newest == newest:
            return self._held
        query = f"SELECT id, {', '.join(self._columns)} FROM {self._table}"
        if newest <= _SMALL:
            self._held = self._read(f"{query} ORDER BY id", newest)
            return self._held
        wanted = np.unique(ids)
        numbers = f" WHERE id IN ({','.join(map(str, wanted.tolist()))})" if len(wanted) <= _FEW_NUMBERS else ""
        return self._read(f"{query}{numbers} ORDER BY id", newest)

    def _read(self, query: str, newest: int) -> "_Held":
        rows = self._connection.execute(query).fetchall()
        columns = {
            name: _column(name, kind, [row[at] for row in rows])
            for at, (name, kind) in enumerate(self._columns.items(), start=1)
        }
        return _Held(newest, np.fromiter((row[0] for row in rows), dtype=np.int64, count=len(rows)), columns)

    def _number(self, row: tuple[Any, ...]) -> int:
        known = self._seen.get(row)
        if known is None:
            found = self._connection.execute(self._find, row).fetchone()
            known = int(found[0] if found else self._connection.execute(self._add, row).lastrowid or 0)
            if len(self._seen) >= _MOST_KEPT:
                self._seen.clear()
            self._seen[row] = known
        return known


def _plain(column: "pd.Series[Any]", kind: str) -> list[Any]:
    if kind == "float64":
        return [_UNKNOWN if value != value else float(value) for value in column]
    return [str(value) if kind == "str" else int(value) for value in column]


def _column(name: str, kind: str, values: Sequence[Any]) -> Any:
    if kind == "str":
        return texts_of([*values, ""])
    if kind == "float64":
        column = np.array([*values, np.nan], dtype=np.float64)
        return column if name in _ALWAYS_KNOWN else np.where(column == _UNKNOWN, np.nan, column)
    return np.array([*values, 0], dtype=kind)
