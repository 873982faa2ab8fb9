"""Quarantine and the log of deliveries: rows that could not be read wait for a person, with their text and reasons."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.database import StoreError
from spc.store.frames import QUARANTINE, SETTLINGS, frame
from spc.store.registers import Registers, now_us

__all__ = ["Delivered", "QuarantineRecords"]


@dataclass(frozen=True, slots=True)
class Delivered:
    """One earlier delivery of a log."""

    intake_id: int
    source: str
    text_digest: str
    text_bytes: int
    reading_digest: str
    rows: int
    name: str
    at_us: int  # microseconds since 1970, UTC


# How each row ended that was settled, but for what was taken back.
_STANDING = "(SELECT * FROM resolution WHERE resolution_id NOT IN (SELECT resolution_id FROM resolution_withdrawn))"
_DELIVERED = (
    "SELECT intake_id, source, text_digest, text_bytes, reading_digest, rows, name, at_us FROM intake "
    "WHERE kind = 'log'"
)


class QuarantineRecords(Registers):
    """Deliveries and quarantine of a store; base of `Store`."""

    def quarantine(self, *, open_only: bool = True) -> pd.DataFrame:
        """Rows that wait for a person, or all that ever did.

        Parameters
        ----------
        open_only : bool
            Only rows without a resolution.

        Returns
        -------
        pandas.DataFrame
            Columns and types as `spc.store.frames.QUARANTINE`, oldest first; `how` is '' while open, else 'fixed',
            'alias' or 'discarded'.
        """
        where = "WHERE r.quarantine_id IS NULL" if open_only else ""
        rows = self._connection.execute(
            "SELECT q.quarantine_id, q.intake_id, i.name, q.row_number, q.raw, q.reasons, q.lap, coalesce(r.how, ''), "
            "coalesce(r.new_text, ''), coalesce(r.reason, ''), coalesce(r.who, ''), r.at_us FROM quarantine q "
            f"JOIN intake i USING (intake_id) LEFT JOIN {_STANDING} r USING (quarantine_id) {where} "
            "ORDER BY q.quarantine_id"
        ).fetchall()
        return frame(QUARANTINE, rows)

    def discard_quarantined(self, quarantine_id: int, *, who: str, reason: str) -> None:
        """Resolve a quarantined row as not to be taken in; who and why must be said."""
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: discarding a row is signed and explained")
        self.resolve(quarantine_id, how="discarded", who=who, reason=reason)

    def take_back_discard(self, quarantine_id: int, *, who: str, reason: str) -> str:
        """Let a discarded row wait again; the discarding stays on record, with who took it back and why.

        Returns
        -------
        str
            The row in words: where it stands in which file.

        Raises
        ------
        StoreError
            If the row was not discarded, or nobody says who takes it back and why.
        """
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: taking a discarded row back is signed and explained")
        with self.writing(who=who, what=f"quarantined row {quarantine_id} waits again"):
            held = self._quarantined(quarantine_id)
            done = self._settled(quarantine_id)
            if done is None:
                raise StoreError(f"{_place(held)} waits already; nothing is to be taken back")
            if done[1] != "discarded":
                raise StoreError(f"{_place(held)} was taken in; correct or take back what it became")
            self._insert("resolution_withdrawn", resolution_id=done[0], at_us=now_us(), who=who, reason=reason)
        return _place(held)

    def settlings(self, *, last: int) -> pd.DataFrame:
        """How rows that waited ended, one that was taken back since too: the newest `last`, newest first.

        Returns
        -------
        pandas.DataFrame
            Columns and types as `spc.store.frames.SETTLINGS`; `back_by` is '' where nothing was taken back.
        """
        rows = self._connection.execute(
            "SELECT q.quarantine_id, i.name, q.row_number, q.raw, r.how, r.new_text, r.reason, r.who, r.at_us, "
            "coalesce(w.who, ''), coalesce(w.reason, ''), w.at_us FROM resolution r JOIN quarantine q "
            "USING (quarantine_id) JOIN intake i USING (intake_id) LEFT JOIN resolution_withdrawn w "
            "USING (resolution_id) ORDER BY r.at_us DESC, r.resolution_id DESC LIMIT ?",
            (last,),
        ).fetchall()
        return frame(SETTLINGS, rows)

    def resolve(
        self, quarantine_id: int, *, how: str, who: str, reason: str, new_text: str = "", row_kind: str = "",
        row_id: int | None = None,
    ) -> None:  # fmt: skip
        """Record how a quarantined row ended: 'fixed', 'alias' or 'discarded', and the row it became."""
        with self.writing(who=who, what=f"quarantined row {quarantine_id} {how}"):
            self.open_quarantined(quarantine_id)
            self._insert(
                "resolution", quarantine_id=quarantine_id, how=how, new_text=new_text, row_kind=row_kind, row_id=row_id,
                reason=reason, who=who, at_us=now_us(),
            )  # fmt: skip

    def open_quarantined(self, quarantine_id: int) -> Mapping[str, Any]:
        """Look up one quarantined row that is still open.

        Returns
        -------
        mapping
            quarantine_id, intake_id, row_number, raw, reasons, lap, content; name and source of its delivery.
        """
        held = self._quarantined(quarantine_id)
        done = self._settled(quarantine_id)
        if done:
            raise StoreError(f"{_place(held)} is settled already: {done[1]} by {done[2]}")
        return held

    def _quarantined(self, quarantine_id: int) -> Mapping[str, Any]:
        names = ("quarantine_id", "intake_id", "row_number", "raw", "reasons", "lap", "content", "name", "source")
        row = self._connection.execute(
            f"SELECT {', '.join(names)} FROM quarantine JOIN intake USING (intake_id) WHERE quarantine_id = ?",
            (quarantine_id,),
        ).fetchone()
        if row is None:
            raise StoreError(f"`quarantine_id` must be a quarantined row, got {quarantine_id}; `quarantine` lists them")
        return dict(zip(names, row, strict=True))

    def _settled(self, quarantine_id: int) -> tuple[int, str, str] | None:
        """Resolution, how and who of a row; None while it waits."""
        sql = f"SELECT resolution_id, how, who FROM {_STANDING} WHERE quarantine_id = ?"
        row: tuple[int, str, str] | None = self._connection.execute(sql, (quarantine_id,)).fetchone()
        return row

    def add_quarantined(self, rows: Sequence[tuple[int, int, str, str, str, int]]) -> None:
        """Write rows (intake_id, row_number, raw, reasons, lap, content) inside the caller's transaction."""
        self._connection.executemany(
            "INSERT INTO quarantine (intake_id, row_number, raw, reasons, lap, content) VALUES (?, ?, ?, ?, ?, ?)", rows
        )

    def add_intake(self, *, kind: str, name: str, source: str, who: str, **facts: Any) -> int:
        """Write one delivery inside the caller's transaction and return its number; `facts` as the table's columns."""
        said: dict[str, Any] = {
            "sha256": "", "text_digest": "", "text_bytes": 0, "reading_digest": "", "bytes": 0, "dialect": "{}",
            "column_map": "{}", "remarks": "[]", "rows": 0, "faces": 0, "repeats": 0, "events": 0, "quarantined": 0,
            "doubles": 0, "new_versions": 0, "first_face": 0, "last_face": -1, "first_event": 0, "last_event": -1,
        }  # fmt: skip
        return self._insert("intake", kind=kind, name=name, source=source, who=who, at_us=now_us(), **(said | facts))

    def deliveries(self, *, text_digest: str = "") -> list[Delivered]:
        """Every log delivered, or those of one text, oldest first, as far as a new delivery must know them."""
        where, values = ("AND text_digest = ?", (text_digest,)) if text_digest else ("", ())
        rows = self._connection.execute(f"{_DELIVERED} {where} ORDER BY intake_id", values)
        return [Delivered(*row) for row in rows]

    def newest_delivery(self, log: str) -> Delivered | None:
        """Look up the last delivery of a log that changed anything."""
        sql = f"{_DELIVERED} AND source = ? ORDER BY intake_id DESC LIMIT 1"
        row = self._connection.execute(sql, (log,)).fetchone()
        return None if row is None else Delivered(*row)

    def has_changed(self, log: str) -> bool:
        """Whether any delivery of a log changed rows of an earlier one."""
        sql = "SELECT EXISTS (SELECT 1 FROM intake WHERE source = ? AND kind = 'log' AND new_versions > 0)"
        return bool(self._connection.execute(sql, (log,)).fetchone()[0])

    def delivered_bytes(self, sha256: str, *, reading_digest: str) -> Delivered | None:
        """Look up the last delivery of a file of these very bytes that was read in the same way."""
        sql = f"{_DELIVERED} AND sha256 = ? AND reading_digest = ? ORDER BY intake_id DESC LIMIT 1"
        row = self._connection.execute(sql, (sha256, reading_digest)).fetchone()
        return None if row is None else Delivered(*row)

    def logs_named(self, name: str) -> list[str]:
        """List the logs of that name: itself, and the others that were told from it by a number, 'name (2)'."""
        found = {one.source for one in self.deliveries()}
        return [name, *sorted(log for log in found if re.fullmatch(rf"{re.escape(name)} \(\d+\)", log))]

    def reading_of(self, intake_id: int) -> dict[str, Any]:
        """How the columns of one delivery were understood, as it was kept."""
        row = self._connection.execute("SELECT column_map FROM intake WHERE intake_id = ?", (intake_id,)).fetchone()
        notes: dict[str, Any] = json.loads(row[0])
        return notes

    def row_at(self, intake_id: int, row_number: int, *, after: Mapping[str, int]) -> tuple[str, int] | None:
        """Kind and row of what one row of a delivery became; `after`: the newest rows of both tables before it."""
        for kind in ("face", "event"):
            sql = f"SELECT row_id FROM {kind} WHERE row_id > ? AND intake_id = ? AND row_number = ?"
            row = self._connection.execute(sql, (after[kind], intake_id, row_number)).fetchone()
            if row:
                return kind, int(row[0])
        return None

    def open_contents(self, *, source: str) -> list[tuple[int, int]]:
        """(quarantine_id, content) of the open rows of one log, oldest first."""
        return self._connection.execute(
            "SELECT q.quarantine_id, q.content FROM quarantine q JOIN intake i USING (intake_id) "
            f"LEFT JOIN {_STANDING} r USING (quarantine_id) WHERE r.quarantine_id IS NULL AND i.source = ? "
            "ORDER BY q.quarantine_id",
            (source,),
        ).fetchall()

    def count_quarantined(self, contents: "NDArray[np.int64]", *, before_intake: int) -> dict[int, int]:
        """How often each content was quarantined by earlier deliveries, settled or not."""
        rows = self._connection.execute(
            "SELECT q.content, count(*) FROM (SELECT DISTINCT value FROM json_each(?)) w JOIN quarantine q "
            "ON q.content = w.value WHERE q.intake_id < ? GROUP BY q.content",
            (json.dumps(contents.tolist()), before_intake),
        )
        return dict(rows.fetchall())

    def next_intake_id(self) -> int:
        """Look up the number that the next delivery will carry, inside the caller's transaction."""
        return int(self._connection.execute("SELECT coalesce(max(intake_id), 0) + 1 FROM intake").fetchone()[0])


def _place(held: Mapping[str, Any]) -> str:
    """Name a row as people know it."""
    return f"row {held['row_number']:,} of {held['name']}"
