"""The store of record: one SQLite file that keeps every face, event, limit and decision, and forgets nothing."""

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd

from spc.store.admission import Admission, Admitted
from spc.store.database import SCHEMA_VERSION, StoreError, connect
from spc.store.deliveries import deliveries
from spc.store.event_table import EventTable
from spc.store.face_table import FaceTable
from spc.store.frames import EVENT_KINDS, EVENTS, FACES, frame
from spc.store.identity import event_keys, face_keys
from spc.store.known_then import current
from spc.store.quarantine import QuarantineRecords
from spc.store.registers import now_us
from spc.store.signal_records import SignalRecords
from spc.store.versions import differences_of, edited_after, edits, record_replaced, without_counted
from spc.store.watch_reports import WatchReports

__all__ = ["Store"]


class Store(QuarantineRecords, SignalRecords, WatchReports):
    """
    One open store.

    Notes
    -----
    Several processes may read and write the same file at once: a reader sees the last finished transaction, a writer
    waits for the other. Within one process use one `Store` per thread. Every table is append-only; what changes
    becomes a new version and the old one stays.
    """

    path: Path

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        super().__init__(connection)
        self.path = path
        self.face_table = FaceTable(connection)
        self.event_table = EventTable(connection)

    @classmethod
    def open(cls, path: str | Path, *, create: bool = True) -> Self:
        """
        Open a store; a file of an older version is brought up to today's.

        Parameters
        ----------
        path : path
            The SQLite file.
        create : bool
            Whether to create it when it is not there.

        Returns
        -------
        Store

        Raises
        ------
        StoreError
            If it is missing, is no store, or is newer than this program.
        """
        return cls(connect(path, create=create), Path(path))

    def __enter__(self) -> Self:
        """Use the store in a `with` block."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file at the end of the block."""
        self.close()

    @property
    def connection(self) -> sqlite3.Connection:
        """The open connection, for the parts of the intake that work row by row."""
        return self._connection

    def highest_row(self, table: str) -> int:
        """Return the newest row id of `face` or `event`, 0 when there is none."""
        return int(self._connection.execute(f"SELECT coalesce(max(row_id), 0) FROM {table}").fetchone()[0])

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def faces(
        self,
        *,
        lap: str | None = None,
        part: str | None = None,
        last: int | None = None,
        since_us: int | None = None,
        until_us: int | None = None,
    ) -> pd.DataFrame:
        """
        Read the current faces and repeat readings.

        Parameters
        ----------
        lap, part : str, optional
            Only this lap, this part number.
        last : int, optional
            Only the newest so many rows, counted within the other conditions.
        since_us, until_us : int, optional
            Only rows with `sort_us` from `since_us` up to, not including, `until_us`.

        Returns
        -------
        pandas.DataFrame
            Columns and types as `spc.store.frames.FACES`, sorted by (sort_us, intake_id, row_number).

        Raises
        ------
        ValueError
            If `last` is below 0.
        """
        if last is not None and last < 0:
            raise ValueError(f"`last` must be 0 or more, got {last}")
        return self.face_table.current(lap=lap, part=part, last=last, since_us=since_us, until_us=until_us)

    def events(self, *, lap: str | None = None) -> pd.DataFrame:
        """Read the current events, of one lap or of all, in order of time; columns as `spc.store.frames.EVENTS`."""
        return self.event_table.current(lap=lap)

    def newest_us(self, lap: str) -> int | None:
        """Return the moment of one lap's newest current row, face or event, as `sort_us`; None = no row. Cheap."""
        newest = (self.face_table.newest_us(lap), self.event_table.newest_us(lap))
        return max((moment for moment in newest if moment is not None), default=None)

    def face_versions(self, face_id: int) -> pd.DataFrame:
        """
        Every version of one face, oldest first.

        Returns
        -------
        pandas.DataFrame
            The faces columns, and for each version that was replaced: replaced_at, replaced_by, reason, differences
            (JSON: column -> [old, new]), edited_after ('' or a sentence).

        Raises
        ------
        StoreError
            If no such face was ever stored.
        """
        versions = self.face_table.versions(face_id)
        if versions.empty:
            raise StoreError(f"`face_id` must be a stored face, got {face_id}")
        numbers = ",".join(map(str, versions.index))
        rows = self._connection.execute(
            "SELECT old_row_id, at_us, who, reason, differences, edited_after FROM replaced "
            f"WHERE kind = 'face' AND old_row_id IN ({numbers})"
        ).fetchall()
        by_row = {row[0]: row[1:] for row in rows}
        nothing = (None, "", "", "", "")
        columns = list(zip(*(by_row.get(row_id, nothing) for row_id in versions.index), strict=True))
        names = ("replaced_at", "replaced_by", "reason", "differences", "edited_after")
        kinds = dict(zip(names, ("datetime64[us, UTC]", "str", "str", "str", "str"), strict=True))
        extra = frame(kinds, dict(zip(names, columns, strict=True)))
        return pd.concat([versions.reset_index(drop=True), extra], axis=1)

    def edits(self, *, after_signal: bool = False, last: int | None = None) -> pd.DataFrame:
        """
        List changed rows, newest first; columns as `spc.store.versions.edits`.

        Parameters
        ----------
        after_signal : bool
            Only those that came after a stored signal or a reading beyond its limit.
        last : int, optional
            Only so many of the newest.
        """
        return edits(self._connection, after_signal=after_signal, last=last)

    def intakes(self) -> pd.DataFrame:
        """Every delivery taken in, oldest first; columns and types as `spc.store.frames.INTAKES`."""
        return deliveries(self._connection)

    def append_face(self, face: Mapping[str, Any], *, who: str, source: str = "form") -> int:
        """
        Take in one face typed into a form.

        Parameters
        ----------
        face : mapping
            Columns of the faces frame, at least `lap`; what is left out is not known. `time_utc` as a timestamp with
            zone sets `sort_us`.
        who : str
            Who typed it.
        source : str
            The form.

        Returns
        -------
        int
            Its `face_id`; an exact double within minutes gives the id of the face that is there already.

        Raises
        ------
        StoreError
            If no lap is said, or a column is none of the faces frame.
        """
        if not str(face.get("lap", "")).strip():
            raise StoreError("`lap` must be given: a face without its lap cannot be charted")
        with self.writing(who=who, what=f"face on {face['lap']}"):
            intake_id, row_number = self._form_place(who=who, source=source)
            rows = one_row(FACES, {**face, "intake_id": intake_id, "row_number": row_number})
            keys = face_keys(rows, [typed_text(rows)], source=source)
            admitted = self.admission(who=who).faces(rows, keys=keys)
            self._keep_form_intake(admitted, who=who, source=source)
            return self.face_table.face_ids(admitted.row_id)[0]

    def append_event(self, event: Mapping[str, Any], *, who: str, source: str = "form") -> int:
        """Take in one event typed into a form; at least `lap` and `event`, as in `append_face`; returns `event_id`."""
        rows = one_row(EVENTS, event)
        if not str(rows["lap"].iloc[0]).strip():
            raise StoreError("`lap` must be given: an event happens to a lap")
        if rows["event"].iloc[0] not in EVENT_KINDS:
            raise StoreError(f"`event` must be one of {', '.join(EVENT_KINDS)}, got {rows['event'].iloc[0]!r}")
        with self.writing(who=who, what=f"{rows['event'].iloc[0]} {rows['lap'].iloc[0]}"):
            intake_id, row_number = self._form_place(who=who, source=source)
            rows = rows.assign(intake_id=intake_id, row_number=row_number)
            keys = event_keys(rows, [typed_text(rows)], source=source)
            admission = self.admission(who=who)
            taken_back = self._connection.execute(_EVENTS_TAKEN_BACK, (str(rows["lap"].iloc[0]),))
            admission.let_go(
                "event", [row_id for (row_id,) in taken_back]
            )  # typed once more, it has happened after all
            admitted = admission.events(rows, keys=keys)
            self._keep_form_intake(admitted, who=who, source=source)
            return int(self.event_table.rows(admitted.row_id)["event_id"].iloc[0])

    def correct_face(self, face_id: int, changes: Mapping[str, Any], *, who: str, reason: str) -> int:
        """
        Replace a face by a corrected version; the old one is kept.

        Parameters
        ----------
        face_id : int
        changes : mapping
            Columns of the faces frame and their new values.
        who, reason : str
            Both must be given: a correction without them is refused.

        Returns
        -------
        int
            The new version's number.

        Raises
        ------
        StoreError
            If it is not signed and explained, changes nothing, names a column that cannot change, or the face is not
            in force.
        """
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: a correction is signed and explained")
        wrong = [name for name in changes if name not in FACES or name in _KEPT]
        if wrong:
            raise StoreError(f"`changes` must name columns of a face that can change, got {', '.join(wrong)}")
        with self.writing(who=who, what=f"face {face_id} corrected"):
            old = self.face_table.rows(np.array([self._current_face(face_id)]))
            values = {name: old[name].iloc[0] for name in FACES} | dict(changes)
            new = one_row(FACES, values)
            if "attempt" in changes:
                new["remarks"] = without_counted(str(new["remarks"].iloc[0]))
            if "time_utc" not in changes:
                new["sort_us"] = int(old["sort_us"].iloc[0])
            differences = differences_of(old, new)
            if not differences[0]:
                raise StoreError(f"`changes` must differ from what face {face_id} says already")
            keys = face_keys(new, [typed_text(new)], source="correction")
            record_replaced(
                self._connection, self.face_table, kind="face", old_row_id=old.index.to_numpy(), new=new,
                identity=keys.identity, content=keys.content, differences=differences, who=who, reason=[reason],
            )  # fmt: skip
            return int(old["version"].iloc[0]) + 1

    def admission(self, *, who: str, reread: bool = False) -> Admission:
        """Give the gate through which the rows of one delivery go; use it inside `writing`."""
        return Admission(self._connection, self.face_table, self.event_table, who=who, reread=reread)

    def withdraw_face(self, face_id: int, *, who: str, reason: str) -> None:
        """Take back a face that was not lapped or not read; every version of it is kept."""
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: taking back a face is signed and explained")
        with self.writing(who=who, what=f"face {face_id} withdrawn"):
            row_id = self._current_face(face_id)
            (said,) = edited_after(self._connection, self.face_table.rows(np.array([row_id])))
            self._insert(
                "replaced", kind="face", old_row_id=row_id, new_row_id=None, at_us=now_us(), who=who, reason=reason,
                differences="{}", edited_after=said,
            )  # fmt: skip

    def withdraw_event(self, event_id: int, *, who: str, reason: str) -> None:
        """Take back an event that did not happen; the old row is kept."""
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: taking back an event is signed and explained")
        with self.writing(who=who, what=f"event {event_id} withdrawn"):
            events = self.events()
            if event_id not in set(events["event_id"]):
                raise StoreError(f"`event_id` must be a current event, got {event_id}")
            sql = "SELECT coalesce(max(row_id), ?1) FROM event WHERE event_id = ?1"
            row_id = self._connection.execute(sql, (event_id,)).fetchone()[0]
            self._insert(
                "replaced", kind="event", old_row_id=row_id, new_row_id=None, at_us=now_us(), who=who, reason=reason,
                differences="{}", edited_after="",
            )  # fmt: skip

    def _current_face(self, face_id: int) -> int:
        """Find the row of a face's version in force; refuses one that is not there or was taken back."""
        versions = self.face_table.versions(face_id).index
        if not len(versions):
            raise StoreError(f"`face_id` must be a stored face, got {face_id}")
        newest = int(versions[-1])
        taken_back = "SELECT 1 FROM replaced WHERE kind = 'face' AND old_row_id = ?"
        if self._connection.execute(taken_back, (newest,)).fetchone():
            raise StoreError(f"`face_id` must be a current face; {face_id} was taken back")
        return newest

    def health(self) -> dict[str, Any]:
        """Count what is held and let SQLite check the file: what `lapcell status` prints."""
        count = "SELECT (SELECT count(*) FROM {0}) - (SELECT count(*) FROM replaced WHERE kind = '{0}')"
        one = {name: self._connection.execute(count.format(name)).fetchone()[0] for name in ("face", "event")}
        newest = self._connection.execute(
            "SELECT f.sort_us, f.time_text, h.has_utc FROM lap_name n JOIN face f ON f.row_id = (SELECT row_id "
            f"FROM face WHERE lap_id = n.id AND {current('face')} ORDER BY sort_us DESC LIMIT 1) "
            "JOIN hand h ON h.id = f.hand_id ORDER BY f.sort_us DESC LIMIT 1"
        ).fetchone()
        return {
            "schema": SCHEMA_VERSION,
            "revision": self.revision(),
            "faces": int(one["face"]),
            "events": int(one["event"]),
            "laps": len(self.laps()),
            "open_quarantine": len(self.quarantine()),
            "newest_face_us": int(newest[0]) if newest and newest[2] else None,
            "newest_face_text": str(newest[1]) if newest else "",
            "check": str(self._connection.execute("PRAGMA quick_check(1)").fetchone()[0]),
        }

    def _form_place(self, *, who: str, source: str) -> tuple[int, int]:
        """Find the intake of this form and person, the next one if there is none, and its next free row number."""
        found = self._connection.execute(_FORM, (source, who)).fetchone()
        intake_id = int(found[0]) if found else self.next_intake_id()
        return intake_id, max(self.highest_row("face"), self.highest_row("event")) + 1

    def _keep_form_intake(self, admitted: Admitted, *, who: str, source: str) -> None:
        """Write the intake of this form and person with its first row."""
        if admitted.outcome[0] != "double" and not self._connection.execute(_FORM, (source, who)).fetchone():
            self.add_intake(kind="form", name=source, source=source, who=who)

    def _forget(self) -> None:
        self.face_table.forget()


_FORM = "SELECT intake_id FROM intake WHERE kind = 'form' AND source = ? AND who = ?"

_EVENTS_TAKEN_BACK = (
    "SELECT row_id FROM event JOIN replaced ON kind = 'event' AND old_row_id = row_id "
    "WHERE lap = ? AND new_row_id IS NULL"
)

# Columns that follow from others, or from where the row stands.
_KEPT = ("face_id", "intake_id", "row_number", "version", "sort_us")


def one_row(columns: Mapping[str, str], values: Mapping[str, Any]) -> pd.DataFrame:
    """Contract frame of one row from what was said; refuses a column that is not there."""
    unknown = [name for name in values if name not in columns]
    if unknown:
        raise StoreError(f"columns must be among {', '.join(columns)}, got {', '.join(unknown)}")
    blank = {"str": "", "int64": 0, "float64": float("nan"), "bool": False, "object": None}
    row: dict[str, Any] = {name: values.get(name, blank.get(kind)) for name, kind in columns.items()}
    if "kind" in columns:
        row["kind"] = values.get("kind", "face")
    moment = values.get("time_utc")
    row["time_utc"] = None
    if moment is not None and not pd.isna(moment):
        stamp = pd.Timestamp(moment)
        if stamp.tzinfo is None:
            raise StoreError(f"`time_utc` must carry its zone, got {moment}")
        row["sort_us"] = row["time_utc"] = int(stamp.tz_convert("UTC").as_unit("us").asm8.view("i8"))
        row["time_text"] = row["time_text"] or stamp.isoformat()
    return frame(columns, {name: [value] for name, value in row.items()})


def typed_text(rows: pd.DataFrame) -> str:
    """Put what a form said into one text; two forms that say the same give the same text."""
    skipped = (*_KEPT, "event_id", "kind", "remarks")
    said = {name: str(value) for name, value in rows.iloc[0].items() if name not in skipped}
    return json.dumps({name: text for name, text in said.items() if text not in ("", "nan", "NaT", "None")})
