"""Faces in and out of the store: the contract frame on one side, rows of numbers and shared words on the other."""

import json
import sqlite3
from collections.abc import Iterable
from itertools import chain, islice
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import texts_of
from spc.store.frames import CHARACTERISTICS, FACES, frame
from spc.store.known_then import Known, current, replaced_rows, standing
from spc.store.ready import PLAIN, ReadyFaces, ready_faces
from spc.store.words import HAND, JOB, LAP_NAME, READING, RUBBING, Words

__all__ = ["FaceTable"]

Ids = NDArray[np.int64]

_READ = (
    "row_id, coalesce(face_id, row_id), version, intake_id, row_number, lap_id, hand_id, job_id, sort_us, time_text, "
    "shift_date, serial, minutes, temperature_c, note, "
) + ", ".join(f"coalesce({name}_id, -1)" for name in (*CHARACTERISTICS, "rubbing"))
_CURRENT = current("face")
_ORDER = itemgetter(8, 3, 4)  # sort_us, intake_id, row_number
_MOVED = "SELECT (SELECT count(*) FROM replaced WHERE kind = 'face') + (SELECT count(*) FROM resolution)"
_MOST_VALUES = 32_766  # that SQLite takes in one statement unless built otherwise
_INDICES = {"face_by_lap": "lap_id, sort_us", "face_by_identity": "identity"}  # as in schema.sql
_CACHE_TO_SORT = -8192  # KiB; with more, one thread sorts a million rows in one run
_NO_TIME = np.iinfo(np.int64).min


class FaceTable:
    """The table of faces and repeat readings of one connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._laps = Words(connection, "lap_name", LAP_NAME)
        self._hands = Words(connection, "hand", HAND)
        self._jobs = Words(connection, "job", JOB)
        self._readings = Words(connection, "reading", READING)
        self._rubbing = Words(connection, "rubbing", RUBBING)

    def forget(self) -> None:
        """Drop remembered numbers, as after a transaction that was rolled back."""
        for words in (self._laps, self._hands, self._jobs, self._readings, self._rubbing):
            words.forget()

    def add(
        self, rows: pd.DataFrame, *, identity: Ids, content: Ids, face_id: Ids | None = None, version: Ids | None = None
    ) -> Ids:
        """
        Write rows, in their order, inside the caller's transaction.

        Parameters
        ----------
        rows : pandas.DataFrame, shape (n_rows, ...)
            The contract columns; `face_id` and `version` are not looked at.
        identity, content : ndarray of int64, shape (n_rows,)
            Hashes of what makes the row this face, and of all that it said.
        face_id, version : ndarray of int64, shape (n_rows,), optional
            For new versions of faces; without them each row is a new face, version 1.

        Returns
        -------
        ndarray of int64, shape (n_rows,)
            The row numbers in the table; for new faces also their `face_id`.
        """
        return self.write(ready_faces(rows, identity=identity, content=content, face_id=face_id, version=version))

    def write(self, ready: ReadyFaces) -> Ids:
        """Write rows made ready by `ready_faces`; result as of `add`."""
        columns = dict(ready.columns)
        for name, words in (("lap", self._laps), ("hand", self._hands), ("job", self._jobs)):
            columns[f"{name}_id"] = words.numbers(ready.shared[name]).tolist()
        for name, words in (*((name, self._readings) for name in CHARACTERISTICS), ("rubbing", self._rubbing)):
            if name in ready.shared:
                numbers = words.numbers(ready.shared[name])
                plain: list[Any] = numbers.tolist()
                columns[f"{name}_id"] = [None if n < 0 else n for n in plain] if numbers.min() < 0 else plain
        names = [*columns, *ready.constants]
        values = ["?"] * len(columns) + [str(value) for value in ready.constants.values()]
        first = int(self._connection.execute("SELECT coalesce(max(row_id), 0) + 1 FROM face").fetchone()[0])
        insert = f"INSERT INTO face ({', '.join(names)}) VALUES "
        self._write(insert, f"({', '.join(values)})", [*columns.values()], ready.n_rows)
        return np.arange(first, first + ready.n_rows, dtype=np.int64)

    def _write(self, insert: str, row: str, columns: list[list[Any]], n_rows: int) -> None:
        """Write many rows by each statement: cheaper than one by one, and other threads run meanwhile."""
        flat = chain.from_iterable(zip(*columns, strict=True))
        done = 0
        while done < n_rows:
            rows = min(n_rows - done, _MOST_VALUES // len(columns))
            values = tuple(islice(flat, rows * len(columns)))
            self._connection.execute(insert + ", ".join([row] * rows), values)
            done += rows

    def drop_indices(self) -> None:
        """Take the large indices off an empty table: to sort once at the end is faster than to keep order all along."""
        for name in _INDICES:
            self._connection.execute(f"DROP INDEX {name}")

    def build_indices(self) -> None:
        """Put back what `drop_indices` took off; runs that outgrow a small cache are sorted by threads beside it."""
        (cache,) = self._connection.execute("PRAGMA cache_size").fetchone()
        for pragma in (f"cache_size = {_CACHE_TO_SORT}", "threads = 2"):
            self._connection.execute(f"PRAGMA {pragma}")
        for name, columns in _INDICES.items():
            self._connection.execute(f"CREATE INDEX {name} ON face ({columns})")
        for pragma in (f"cache_size = {cache}", "threads = 0"):
            self._connection.execute(f"PRAGMA {pragma}")

    def newest_us(self, lap: str) -> int | None:
        """Moment of one lap's newest current row, None = no row."""
        found = self._connection.execute(
            f"SELECT sort_us FROM face WHERE lap_id = (SELECT id FROM lap_name WHERE lap = ?) AND {_CURRENT} "
            "ORDER BY sort_us DESC LIMIT 1",
            (lap,),
        ).fetchone()
        return int(found[0]) if found else None

    def newest_since(self, lap: str, since_us: int) -> tuple[int, str, int, str]:
        """Count one lap's current rows from a moment on; of the newest its time as typed, row number and delivery."""
        newest = (
            "SELECT count(*) OVER () AS many, time_text, row_number, intake_id FROM face "
            f"WHERE lap_id = (SELECT id FROM lap_name WHERE lap = ?) AND sort_us >= ? AND {_CURRENT} "
            "ORDER BY sort_us DESC LIMIT 1"
        )
        sql = f"SELECT many, time_text, row_number, name FROM ({newest}) JOIN intake USING (intake_id)"
        found = self._connection.execute(sql, (lap, since_us)).fetchone()
        return (int(found[0]), str(found[1]), int(found[2]), str(found[3])) if found else (0, "", 0, "")

    def current(
        self, *, lap: str | None, part: str | None, last: int | None, since_us: int | None, until_us: int | None
    ) -> pd.DataFrame:
        """Contract frame of the current faces; arguments as in `Store.faces`."""
        query = "SELECT id FROM lap_name" + ("" if lap is None else " WHERE lap = ?")
        laps = [row[0] for row in self._connection.execute(query, () if lap is None else (lap,))]
        where, values = [_CURRENT], []
        for condition, value in (("sort_us >= ?", since_us), ("sort_us < ?", until_us)):
            if value is not None:
                where.append(condition)
                values.append(value)
        if part is not None:
            where.append("job_id IN (SELECT id FROM job WHERE part = ?)")
            values.append(part)  # type: ignore[arg-type]  # one list holds the values of every condition
        rows: list[tuple[Any, ...]] = []
        if last is None and lap is None and since_us is None and until_us is None:
            rows = self._connection.execute(f"SELECT {_READ} FROM face WHERE {' AND '.join(where)}", values).fetchall()
        else:
            # The index orders ties by row; only corrected and fixed rows stand elsewhere than their row says.
            moved = self._connection.execute(_MOVED).fetchone()[0] if last else 0
            tail = "" if last is None else f" ORDER BY sort_us DESC, row_id DESC LIMIT {last + moved:d}"
            for lap_id in laps:
                sql = f"SELECT {_READ} FROM face WHERE lap_id = ? AND {' AND '.join(where)}{tail}"
                rows += self._connection.execute(sql, [lap_id, *values]).fetchall()
        in_order = sorted(rows, key=_ORDER)
        return self._frame(in_order if last is None else in_order[len(in_order) - min(last, len(in_order)) :])

    def as_known(self, *, lap: str, until_us: int, known: Known) -> pd.DataFrame:
        """Contract frame of one lap's faces before `until_us` in the versions that the record held at that point."""
        sql = (
            f"SELECT {_READ} FROM face WHERE lap_id IN (SELECT id FROM lap_name WHERE lap = ?1) "
            f"AND row_id <= ?2 AND {standing('face')} AND sort_us < ?4"
        )
        values = (lap, known.last_face, known.at_us, until_us)
        return self._frame(sorted(self._connection.execute(sql, values).fetchall(), key=_ORDER))

    def mark(self) -> tuple[int, int]:
        """Newest row, and how many rows corrections and fixes have moved: equal marks hold equal faces."""
        sql = f"SELECT (SELECT coalesce(max(row_id), 0) FROM face), ({_MOVED})"
        row, moved = self._connection.execute(sql).fetchone()
        return int(row), int(moved)

    def laps_after(self, row_id: int) -> dict[str, int]:
        """Laps of the rows written after `row_id`, with the earliest `sort_us` of these."""
        new = "SELECT +lap_id AS id, min(sort_us) AS first_us FROM face WHERE row_id > ? GROUP BY 1"  # +: by no index
        sql = f"SELECT lap, first_us FROM ({new}) JOIN lap_name USING (id)"
        return {str(lap): int(first_us) for lap, first_us in self._connection.execute(sql, (row_id,))}

    def laps_of(self, row_ids: Iterable[int]) -> set[str]:
        """Laps of these rows of the table, current or not."""
        found = "SELECT lap_id FROM json_each(?) w JOIN face ON face.row_id = w.value"
        sql = f"SELECT lap FROM lap_name WHERE id IN ({found})"
        return {str(lap) for (lap,) in self._connection.execute(sql, (json.dumps([*row_ids]),))}

    def replaced(self) -> frozenset[int]:
        """Rows of the table that are current no more."""
        return replaced_rows(self._connection, "face")

    def rows(self, row_ids: Ids) -> pd.DataFrame:
        """Contract frame of these rows of the table, current or not, in the order given, indexed by row id."""
        sql = f"SELECT {_READ} FROM json_each(?) w JOIN face ON face.row_id = w.value"
        order = {row[0]: row for row in self._connection.execute(sql, (json.dumps(row_ids.tolist()),))}
        faces = self._frame([order[row_id] for row_id in row_ids.tolist()])
        return faces.set_index(row_ids)

    def face_ids(self, row_ids: Ids) -> list[int]:
        """Find the faces that rows of the table are versions of."""
        sql = "SELECT coalesce(face_id, row_id) FROM json_each(?) w JOIN face ON face.row_id = w.value"
        return [row[0] for row in self._connection.execute(sql, (json.dumps(row_ids.tolist()),))]

    def versions(self, face_id: int) -> pd.DataFrame:
        """Contract frame of all versions of one face, oldest first, indexed by row id."""
        later = "SELECT row_id FROM face WHERE face_id = ?"
        sql = f"SELECT row_id FROM face WHERE row_id = ? AND face_id IS NULL UNION {later}"
        ids = [row[0] for row in self._connection.execute(sql, (face_id, face_id))]
        return self.rows(np.array(ids, dtype=np.int64))

    def _frame(self, rows: list[tuple[Any, ...]]) -> pd.DataFrame:
        if not rows:
            return frame(FACES, [])
        column = list(zip(*rows, strict=True))
        integer = [np.array(column[at], dtype=np.int64) for at in (*range(1, 9), *range(15, 22))]
        face_id, version, intake_id, row_number, lap_id, hand_id, job_id, sort_us = integer[:8]
        text = {name: texts_of(column[at]) for name, at in zip(PLAIN[1:4], (9, 10, 11), strict=True)}
        data: dict[str, Any] = {"face_id": face_id, "version": version, "intake_id": intake_id, "sort_us": sort_us}
        data |= {"row_number": row_number, **text, "note": texts_of(column[14])}
        data |= {"minutes": np.array(column[12], dtype=np.float64), "temperature_c": np.array(column[13], np.float64)}
        data |= self._laps.values(lap_id)
        data |= self._hands.values(hand_id)
        data |= self._jobs.values(job_id)
        data |= self._rubbing.values(integer[-1])
        data["time_utc"] = np.where(data.pop("has_utc"), sort_us, _NO_TIME)
        for name, ids in zip(CHARACTERISTICS, integer[8:-1], strict=True):
            reading = self._readings.values(ids)
            data |= {f"{name}_{what}": values for what, values in reading.items()}
        return frame(FACES, data)
