"""One delivery on its way into the store: its rows compared with what is held, admitted, replaced or quarantined."""

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.known import Standing
from spc.log.moments import has_clock
from spc.log.piece import Piece, event_frame, face_frame, one_ahead, prepared
from spc.log.rows import ScannedLog
from spc.log.serial_words import used_again
from spc.store.admission import Admission
from spc.store.coding import listed, said
from spc.store.frames import frame
from spc.store.identity import event_keys, face_keys, raw_keys
from spc.store.redelivery import HeldRow, compare_delivery, held_elsewhere, held_rows, held_share
from spc.store.registers import now_us
from spc.store.store import Store
from spc.store.versions import READ_ANEW

__all__ = ["Delivery", "Tally"]

Ids = NDArray[np.int64]
Mask = NDArray[np.bool_]

_QUARANTINE_ROWS = {"row_number": "int64", "raw": "str", "reasons": "str"}


@dataclass(slots=True)
class Tally:
    """Rows of one delivery by what became of them."""

    faces: int = 0
    repeats: int = 0
    events: int = 0
    quarantined: int = 0
    doubles: int = 0
    new_versions: int = 0  # among the faces, repeats and events
    settled: int = 0  # quarantined rows of earlier deliveries
    lapped_again: int = 0  # among the faces: counted as lapped again, though no log says so
    other_parts: int = 0  # among the faces: taken as other parts though their serial numbers were used before

    @property
    def rows(self) -> int:
        """Rows accounted for."""
        return self.faces + self.repeats + self.events + self.quarantined + self.doubles

    @property
    def wrote(self) -> bool:
        """Whether the delivery left anything in the store."""
        return self.rows > self.doubles


class Delivery:
    """
    Takes the rows of one scanned log into the store, inside the caller's transaction.

    Parameters
    ----------
    store : Store
    scanned : ScannedLog
    standing : Standing
        The log it is a delivery of, and how its text stands to what that log delivered last.
    reading : str
        Digest of column map, settings and aliases; known rows are read anew only if it is not as before.
    who : str
    keep_rows : bool
        Whether accepted and quarantined rows can be had afterwards.
    progress : callable or None
        Called with (rows done, rows in all).
    """

    def __init__(
        self, store: Store, scanned: ScannedLog, *, standing: Standing, reading: str, who: str, keep_rows: bool,
        progress: Callable[[int, int], None] | None,
    ) -> None:  # fmt: skip
        self.log = standing.log
        self._standing = standing
        self._last = store.newest_delivery(standing.log)
        self._reading = reading
        self.remarks: list[str] = []
        self.intake_id = store.next_intake_id()
        self._before = {kind: store.highest_row(kind) for kind in ("face", "event")}
        self._store = store
        self._scanned = scanned
        self._grown_lines = standing.grown_lines
        self._who = who
        self._keep = keep_rows
        self._progress = progress
        self._tally = Tally()
        self._accepted: list[Ids] = []
        self._events: list[Ids] = []
        self._quarantined: list[tuple[int, str, str]] = []
        self._known_used: Counter[int] = Counter()
        self._waiting: dict[int, list[int]] | None = None
        self._materials: dict[str, str] = {}

    def take_in(self, *, rows_at_once: int) -> Tally:
        """Take in every row, piece by piece, and count what became of it."""
        if self._last is None:
            self._take_in_first(rows_at_once)
        elif self._grown_lines and not (
            self._store.has_changed(self.log) or self._store.open_contents(source=self.log)
        ):
            self._take_in_grown(rows_at_once)
        else:
            self._take_in_again(rows_at_once, self._last.reading_digest != self._reading)
        of = self._tally
        again = {"lapped_again": of.lapped_again, "other_parts": of.other_parts}
        self.remarks += used_again(faces=of.faces, repeats=of.repeats, **again)
        for lap, material in self._materials.items():
            self._store.set_lap(lap, material=material, who=self._who, why=f"as {self._scanned.name} says")
        return self._tally

    def row_ranges(self) -> dict[str, int]:
        """First and last row of each table that this delivery wrote, as its intake keeps them."""
        ranges: dict[str, int] = {}
        for kind, before in self._before.items():
            ranges |= {f"first_{kind}": before + 1, f"last_{kind}": self._store.highest_row(kind)}
        return ranges

    def accepted_rows(self) -> pd.DataFrame | None:
        """Faces and repeat readings taken in, faces columns, in file order; None unless asked for."""
        if not self._keep:
            return None
        ids = np.concatenate([np.empty(0, dtype=np.int64), *self._accepted])
        return self._store.face_table.rows(ids).sort_values("row_number", kind="stable").reset_index(drop=True)

    def event_rows(self) -> pd.DataFrame | None:
        """Events taken in, events columns, in file order; None unless asked for."""
        if not self._keep:
            return None
        ids = np.concatenate([np.empty(0, dtype=np.int64), *self._events])
        return self._store.event_table.rows(ids).sort_values("row_number", kind="stable").reset_index(drop=True)

    def quarantined_rows(self) -> pd.DataFrame | None:
        """Rows sent to quarantine: row_number, raw, reasons; None unless asked for."""
        return frame(_QUARANTINE_ROWS, self._quarantined) if self._keep else None

    def _take_in_first(self, rows_at_once: int) -> None:
        empty = self._before["face"] == 0
        if empty:
            self._store.face_table.drop_indices()
        admission = self._store.admission(who=self._who)
        done = 0
        pieces = (self._ready(piece) for piece in self._scanned.frames(rows=rows_at_once, coded=True))
        for piece in one_ahead(pieces):
            self._admit(piece, admission)
            done += len(piece.rows)
            if self._progress:
                self._progress(done, self._scanned.n_rows)
        if empty:
            self._store.face_table.build_indices()

    def _take_in_grown(self, rows_at_once: int) -> None:
        """Take in what stands below the text of the last delivery; nothing above it ever changed, or waits."""
        start = self._scanned.rows_within(self._grown_lines)
        admission = self._store.admission(who=self._who)
        for rows in self._scanned.frames(rows=rows_at_once, coded=True, stop=start):
            piece = prepared(rows, intake_id=self.intake_id, log=self.log, write=False)
            for told in piece.told.values():
                admission.hold(told.keys.content)
            self._tally.doubles += len(rows) - int((rows["outcome"] == "blank").sum())
        pieces = (self._ready(rows) for rows in self._scanned.frames(rows=rows_at_once, coded=True, start=start))
        done = start
        for piece in one_ahead(pieces):
            self._admit(piece, admission)
            done += len(piece.rows)
            if self._progress:
                self._progress(done, self._scanned.n_rows)

    def _take_in_again(self, rows_at_once: int, reread: bool) -> None:
        pieces = list(self._scanned.frames(rows=rows_at_once))
        rows = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()
        if rows.empty:
            return
        outcome = rows["outcome"].to_numpy(dtype=object)
        held = self._held_log(rows)
        admission = self._store.admission(who=self._who, reread=reread)
        left = np.ones(len(rows), dtype=bool)
        if held:
            gone = 0
            for kind in ("face", "event"):
                admission.let_go(kind, (old.row_id for row in held[kind] for old in row.earlier))
                places = np.flatnonzero(outcome == kind)
                if len(held[kind]):
                    gone += self._replace_changed(kind, held[kind], rows, places, left, admission, reread=reread)
            if gone:
                rows_are = "row held of this log is" if gone == 1 else "rows held of this log are"
                self.remarks.append(f"{gone:,} {rows_are} no longer in the file; kept")
            self._known_quarantine(rows, outcome, left, held)
        self._admit(self._ready(rows.loc[left]), admission)
        self._settle_corrected(rows["raw"].to_numpy(dtype=object))
        if self._progress:
            self._progress(len(rows), len(rows))

    def _held_log(self, rows: pd.DataFrame) -> dict[str, list[HeldRow]]:
        """Rows held of this log; where rows carry neither serial nor time, of the one of its name that fits."""
        if self._standing.back:
            return self._held(self.log)
        named = self.log
        best, best_share = "", -1.0
        candidates = self._store.logs_named(named)
        for log in candidates:
            faces = held_rows(self._store.connection, "face", source=log, let_go=False)
            weak = [row for row in faces if row.identity in row.contents]
            share = held_share(weak, raw_keys(rows["raw"].to_numpy(dtype=object), source=log, salted=True))
            if share > best_share:
                best, best_share = log, share
        if best_share < 0.5:
            self.log = f"{named} ({len(candidates) + 1})"
            self.remarks.append(
                f"less than half of the rows held of {named!r} are in this file: taken as another log, {self.log!r}"
            )
            return {}
        self.log = best
        return self._held(best)

    def _held(self, log: str) -> dict[str, list[HeldRow]]:
        let_go = self._standing.own
        return {kind: held_rows(self._store.connection, kind, source=log, let_go=let_go) for kind in ("face", "event")}

    def _replace_changed(
        self, kind: str, held: list[HeldRow], rows: pd.DataFrame, places: Ids, left: Mask, admission: Admission, *,
        reread: bool,
    ) -> int:  # fmt: skip
        """Write new versions of changed rows, take them out of `left`; return how many held rows are gone."""
        chosen = rows.iloc[places]
        raw = chosen["raw"].to_numpy(dtype=object)
        keys = (face_keys if kind == "face" else event_keys)(chosen, raw, source=self.log)
        found = compare_delivery(
            held, keys=keys, row_number=chosen["row_number"].to_numpy(), lap=listed(chosen["lap"]),
            sort_us=chosen["sort_us"].to_numpy(), clock=has_clock(chosen["time_text"]), now_us=now_us(), reread=reread,
            elsewhere=partial(held_elsewhere, self._store.connection, kind, held),
        )  # fmt: skip
        admission.hold(keys.content[found.stands])
        left[places[found.stands]] = False
        self._tally.doubles += len(found.stands)
        changed_in = f"changed{' back' * self._standing.back} in {self._scanned.name}"
        for replaces, reason in ((found.replaces, changed_in), (found.renamed, READ_ANEW)):
            if not replaces:
                continue
            at = np.array(list(replaces), dtype=np.int64)
            standing = {n: found.corrections[one] for n, one in enumerate(replaces) if one in found.corrections}
            new = (face_frame if kind == "face" else event_frame)(chosen.iloc[at], self.intake_id)
            changed = admission.replace(
                kind, new, keys=keys.pick(at), old_row_id=np.array(list(replaces.values()), dtype=np.int64),
                reason=reason, corrections=standing,
            )  # fmt: skip
            self._count(changed.outcome, changed.row_id, kind)
            left[places[at]] = False
            self.remarks += changed.remarks
        return found.gone

    def _known_quarantine(
        self, rows: pd.DataFrame, outcome: NDArray[np.object_], left: Mask, held: dict[str, list[HeldRow]]
    ) -> None:
        """Rows that still cannot be read, or no longer can though they are held, are known."""
        places = np.flatnonzero(outcome == "quarantine")
        if not len(places):
            return
        raw = rows["raw"].to_numpy(dtype=object)[places]
        contents = Counter(content for kind in held.values() for row in kind for content in row.contents)
        salted, plain = (raw_keys(raw, source=self.log, salted=flag) for flag in (True, False))
        for place, *keys in zip(places.tolist(), salted.tolist(), plain.tolist(), strict=True):
            key = next((one for one in keys if contents[one]), None)
            if key is not None:
                contents[key] -= 1
                left[place] = False
                self._tally.doubles += 1
                self.remarks.append(f"row {rows['row_number'].iloc[place]} can no longer be read; the one held stays")

    def _ready(self, rows: pd.DataFrame) -> Piece:
        return prepared(rows, intake_id=self.intake_id, log=self.log)

    def _admit(self, piece: Piece, admission: Admission) -> None:
        """Admit rows of any outcome; what the store refuses is quarantined row by row."""
        rows = piece.rows
        if rows.empty:
            return
        connection = self._store.connection
        connection.execute("SAVEPOINT piece")
        before = replace(self._tally)
        kept = len(self._accepted), len(self._events), len(self._quarantined)
        try:
            self._admit_all(piece, admission)
        except (
            sqlite3.IntegrityError,
            sqlite3.DataError,
            sqlite3.InterfaceError,
            OverflowError,
            UnicodeError,
        ) as error:
            connection.execute("ROLLBACK TO piece")
            self._store.face_table.forget()
            self._tally, self._waiting = before, None
            del self._accepted[kept[0] :], self._events[kept[1] :], self._quarantined[kept[2] :]
            if len(rows) > 1:
                half = len(rows) // 2
                self._admit(self._ready(rows.iloc[:half]), admission)
                self._admit(self._ready(rows.iloc[half:]), admission)
            else:
                reason = f"row {rows['row_number'].iloc[0]}: the store cannot hold it: {error}"
                self._quarantine(rows.assign(reasons=np.array([reason], dtype=object)))
        connection.execute("RELEASE piece")

    def _admit_all(self, piece: Piece, admission: Admission) -> None:
        for kind, told in piece.told.items():
            if kind == "face":
                admitted = admission.faces(told.rows, keys=told.keys, ready=told.ready)
                self._tally.lapped_again += admitted.lapped_again
                self._tally.other_parts += admitted.other_parts
            else:
                admitted = admission.events(told.rows, keys=told.keys)
            self._count(admitted.outcome, admitted.row_id, kind)
            self._settle(told.raw, admitted.outcome, admitted.row_id)
        self._note_materials(piece.rows)
        if len(piece.waiting):
            self._quarantine(piece.waiting)

    def _count(self, outcome: NDArray[np.object_], row_id: Ids, kind: str) -> None:
        counts = Counter(outcome.tolist())
        tally = self._tally
        tally.doubles += counts["double"]
        tally.repeats += counts["repeat"]
        tally.new_versions += counts["version"]
        if kind == "face":
            tally.faces += counts["face"] + counts["version"]
            if self._keep:
                self._accepted.append(row_id[outcome != "double"])
        else:
            tally.events += counts["event"] + counts["version"]
            if self._keep:
                self._events.append(row_id[outcome != "double"])

    def _note_materials(self, rows: pd.DataFrame) -> None:
        told = said(rows["material"]) & (rows["outcome"].to_numpy(dtype=object) == "face")
        pairs = rows.loc[told, ["lap", "material"]].drop_duplicates()
        for lap, material in zip(pairs["lap"], pairs["material"], strict=True):
            self._materials[str(lap)] = str(material)

    def _quarantine(self, rows: pd.DataFrame) -> None:
        raw = rows["raw"].to_numpy(dtype=object)
        content = raw_keys(raw, source=self.log, salted=True)
        known = self._store.count_quarantined(content, before_intake=self.intake_id)
        facts = zip(
            rows["row_number"].tolist(), raw.tolist(), listed(rows["reasons"]), listed(rows["lap"]), content.tolist(),
            strict=True,
        )  # fmt: skip
        added = []
        for row_number, text, reasons, lap, key in facts:
            if known.get(key, 0) > self._known_used[key]:
                self._known_used[key] += 1
                self._tally.doubles += 1
                continue
            plain = [value.encode("utf-8", "replace").decode("utf-8") for value in (text, reasons, str(lap))]
            added.append((self.intake_id, row_number, *plain, key))
            if self._keep:
                self._quarantined.append((row_number, plain[0], plain[1]))
        self._store.add_quarantined(added)
        self._tally.quarantined += len(added)

    def _settle(self, raw: NDArray[np.object_], outcome: NDArray[np.object_], row_id: Ids) -> None:
        """Close quarantined rows of this log whose very text can now be read."""
        if self._waiting is None:  # once: what this delivery itself sends to quarantine cannot be read
            self._waiting = defaultdict(list)
            for quarantine_id, content in self._store.open_contents(source=self.log):
                self._waiting[content].append(quarantine_id)
        waiting = self._waiting
        if not waiting:
            return
        for at, content in enumerate(raw_keys(raw, source=self.log, salted=True).tolist()):
            if waiting.get(content) and outcome[at] != "double":
                self._store.resolve(
                    waiting[content].pop(0), how="fixed", who=self._who, row_kind=str(outcome[at]),
                    row_id=int(row_id[at]), reason=f"can be read as delivered in {self._scanned.name}",
                )  # fmt: skip
                self._tally.settled += 1

    def _settle_corrected(self, raw: NDArray[np.object_]) -> None:
        """Close quarantined rows whose text is gone from the log while a new row stands in their place."""
        there = Counter(raw_keys(raw, source=self.log, salted=True).tolist())
        for quarantine_id, content in self._store.open_contents(source=self.log):
            if there[content] > 0:
                there[content] -= 1
                continue
            held = self._store.open_quarantined(quarantine_id)
            found = self._store.row_at(self.intake_id, held["row_number"], after=self._before)
            if found is not None:
                self._store.resolve(
                    quarantine_id, how="fixed", who=self._who, row_kind=found[0], row_id=found[1],
                    reason=f"corrected in {self._scanned.name}",
                )  # fmt: skip
                self._tally.settled += 1
