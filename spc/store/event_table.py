"""Lap events in and out of the store."""

import json
import sqlite3
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import listed
from spc.store.frames import EVENTS, frame
from spc.store.known_then import Known, current, replaced_rows, standing

__all__ = ["EventTable"]

Ids = NDArray[np.int64]

_STORED = [name for name in EVENTS if name not in ("event_id", "time_utc")]
_READ = f"coalesce(event_id, row_id), has_utc, {', '.join(_STORED)}"
_CURRENT = current("event")


class EventTable:
    """The table of lap events of one connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def add(
        self,
        rows: pd.DataFrame,
        *,
        identity: Ids,
        content: Ids,
        event_id: Ids | None = None,
        version: Ids | None = None,
    ) -> Ids:
        """Write rows inside the caller's transaction; arguments and result as in `FaceTable.add`."""
        columns: dict[str, list[Any]] = {name: _plain(rows[name]) for name in _STORED}
        columns["has_utc"] = rows["time_utc"].notna().astype(int).tolist()
        columns |= {"identity": identity.tolist(), "content": content.tolist()}
        if event_id is not None and version is not None:
            columns |= {"event_id": event_id.tolist(), "version": version.tolist()}
        sql = f"INSERT INTO event ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
        first = int(self._connection.execute("SELECT coalesce(max(row_id), 0) + 1 FROM event").fetchone()[0])
        self._connection.executemany(sql, zip(*columns.values(), strict=True))
        return np.arange(first, first + len(rows), dtype=np.int64)

    def newest_us(self, lap: str) -> int | None:
        """Moment of one lap's newest current row, None = no row."""
        found = self._connection.execute(
            f"SELECT sort_us FROM event WHERE lap = ? AND {_CURRENT} ORDER BY sort_us DESC LIMIT 1", (lap,)
        ).fetchone()
        return int(found[0]) if found else None

    def current(self, *, lap: str | None) -> pd.DataFrame:
        """Contract frame of the current events."""
        where = _CURRENT if lap is None else f"{_CURRENT} AND lap = ?"
        order = "ORDER BY sort_us, intake_id, row_number"
        sql = f"SELECT {_READ} FROM event WHERE {where} {order}"
        return self._frame(self._connection.execute(sql, () if lap is None else (lap,)).fetchall())

    def as_known(self, *, lap: str, known: Known) -> pd.DataFrame:
        """Contract frame of one lap's events in the versions that the record held at that point."""
        order = "ORDER BY sort_us, intake_id, row_number"
        sql = f"SELECT {_READ} FROM event WHERE lap = ?1 AND row_id <= ?2 AND {standing('event')} {order}"
        values = (lap, known.last_event, known.at_us)
        return self._frame(self._connection.execute(sql, values).fetchall())

    def mark(self) -> tuple[int, int]:
        """Newest row, and how many rows were replaced or withdrawn: equal marks hold equal events."""
        sql = (
            "SELECT (SELECT coalesce(max(row_id), 0) FROM event), (SELECT count(*) FROM replaced WHERE kind = 'event')"
        )
        row, moved = self._connection.execute(sql).fetchone()
        return int(row), int(moved)

    def laps_after(self, row_id: int) -> dict[str, int]:
        """Laps of the rows written after `row_id`, with the earliest `sort_us` of these."""
        sql = "SELECT lap, min(sort_us) FROM event WHERE row_id > ? GROUP BY lap"
        return {str(lap): int(first_us) for lap, first_us in self._connection.execute(sql, (row_id,))}

    def laps_of(self, row_ids: Iterable[int]) -> set[str]:
        """Laps of these rows of the table, current or not."""
        sql = "SELECT DISTINCT lap FROM json_each(?) w JOIN event ON event.row_id = w.value"
        return {str(lap) for (lap,) in self._connection.execute(sql, (json.dumps([*row_ids]),))}

    def replaced(self) -> frozenset[int]:
        """Rows of the table that are current no more."""
        return replaced_rows(self._connection, "event")

    def rows(self, row_ids: Ids) -> pd.DataFrame:
        """Contract frame of these rows of the table, current or not, in the order given, indexed by row id."""
        sql = f"SELECT row_id, {_READ} FROM json_each(?) w JOIN event ON event.row_id = w.value"
        order = {row[0]: row[1:] for row in self._connection.execute(sql, (json.dumps(row_ids.tolist()),))}
        return self._frame([order[row_id] for row_id in row_ids.tolist()]).set_index(row_ids)

    def _frame(self, rows: list[tuple[Any, ...]]) -> pd.DataFrame:
        if not rows:
            return frame(EVENTS, [])
        data = dict(zip(("event_id", "has_utc", *_STORED), zip(*rows, strict=True), strict=True))
        has_utc = data.pop("has_utc")
        data["time_utc"] = tuple(at if known else None for at, known in zip(data["sort_us"], has_utc, strict=True))
        data["planned"] = tuple(None if value is None else bool(value) for value in data["planned"])
        return frame(EVENTS, data)


def _plain(column: "pd.Series[Any]") -> list[Any]:
    return [None if value is None or value != value else value for value in listed(column)]
