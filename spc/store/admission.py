"""Lets rows into the store: what is known already, what reads a face again, what is new.

The rules, in the order in which they are tried:

1. A row whose content the store held before this delivery is known, once for each time it is held: nothing is written.
2. A face with the serial number of another one (same part, face, stage and lap), by the same operator, with the same
   values, within ten minutes by the clock, is a double entry (paper and tablet): one is kept. Without a time of day it
   cannot be told from a second reading that gave the same value, so it is kept as a repeat.
3. A face with the serial number of another one was lapped again, and is a face of its own, if its attempt number
   differs, if the one before was sent to re-lap or regrind, or if its minutes differ and fit between the two times. One
   that comes more than twelve hours later and has minutes, or of two without, is taken as another part: numbers that
   begin anew every day or with every lot are far commoner than faces lapped again so late. Otherwise it is a repeat
   reading: gauge data. So is one whose attempt and minutes are those of the one before: a second reading is logged
   under the number of its pass, mostly with its minutes, and its remark says by what it was taken as one.
   The attempt number that a log says stands: another one is another pass, and a first attempt after others, or with
   minutes of its own, is a new face with a serial number used again. Where no log says one, the attempt is counted, and
   a remark says so, until a double entry of it says one.
4. Rows without serial number and time of day are never compared by value with rows of other logs or of their own
   delivery: a minimal log holds truly identical rows, and each counts.
"""

import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import listed
from spc.store.event_table import EventTable
from spc.store.face_table import FaceTable
from spc.store.frames import NO_ATTEMPT
from spc.store.identity import RowKeys
from spc.store.ready import ReadyFaces, ready_faces
from spc.store.serials import Seen, judge, seen
from spc.store.versions import (
    ANOTHER_ATTEMPT,
    ANOTHER_PART,
    COUNTED_AS,
    READ_ANEW,
    attempt_kept,
    differences_of,
    put_back_corrections,
    record_replaced,
    say_attempts,
)

__all__ = ["Admission", "Admitted"]

Ids = NDArray[np.int64]

_BITS = 1 << 27
_TAKEN_BACK = (
    "SELECT coalesce(f.face_id, f.row_id) FROM replaced r JOIN face f ON f.row_id = r.old_row_id "
    "WHERE r.kind = 'face' AND r.new_row_id IS NULL"
)


@dataclass(frozen=True, slots=True)
class Admitted:
    """What became of rows; arrays of shape (n_rows,)."""

    outcome: NDArray[np.object_]  # 'face', 'repeat', 'event', 'double' or 'version'
    row_id: Ids  # the row in the store; of a double, the row it is a double of
    lapped_again: int = 0  # faces counted as lapped again, though no log says so
    other_parts: int = 0  # faces whose serial number another part had before


@dataclass(frozen=True, slots=True)
class Replaced:
    """What became of rows that change rows held; arrays of shape (n_rows,)."""

    outcome: NDArray[np.object_]  # 'version' or 'double'
    row_id: Ids
    remarks: tuple[str, ...]  # edits of rows that had already signalled, or were over their limit


@dataclass(slots=True)
class _FileMemory:
    """Serial numbers of the rows admitted so far from this delivery: a bit map to ask fast, sorted runs for sure."""

    bits: NDArray[np.uint8] | None = None
    unmapped: list[Ids] = field(default_factory=list)  # not in the bit map yet: a form's one row never needs it
    # Identity, ascending, and row_id. Each run is over twice as long as the next: few runs, rows seldom moved.
    runs: list[tuple[Ids, Ids]] = field(default_factory=list)

    def find(self, wanted: Ids) -> list[tuple[int, int]]:
        """(identity, row_id) of earlier rows whose identity is among `wanted`, in the order of the rows."""
        if not self.runs:
            return []
        if self.bits is None:
            self.bits = np.zeros(_BITS >> 3, dtype=np.uint8)
        for identity in self.unmapped:
            _set_bits(self.bits, identity & (_BITS - 1))
        self.unmapped.clear()
        place = wanted & (_BITS - 1)
        maybe = wanted[(self.bits[place >> 3] >> (place & 7).astype(np.uint8)) & 1 == 1]
        if not len(maybe):
            return []
        maybe = np.unique(maybe)
        found: list[tuple[int, int]] = []
        for identity, row_id in self.runs:
            begin, end = np.searchsorted(identity, maybe, side="left"), np.searchsorted(identity, maybe, side="right")
            alike = end - begin
            hit = np.repeat(begin - (np.cumsum(alike) - alike), alike) + np.arange(alike.sum())
            found += zip(identity[hit].tolist(), row_id[hit].tolist(), strict=True)
        return sorted(found, key=itemgetter(1))

    def add(self, identity: Ids, row_id: Ids) -> None:
        if not len(identity):
            return
        self.unmapped.append(identity)
        self.runs.append(_run(identity, row_id))
        while len(self.runs) > 1 and len(self.runs[-2][0]) <= 2 * len(self.runs[-1][0]):
            (first, first_rows), (last, last_rows) = self.runs[-2:]
            self.runs[-2:] = [_run(np.concatenate([first, last]), np.concatenate([first_rows, last_rows]))]


def _run(identity: Ids, row_id: Ids) -> tuple[Ids, Ids]:
    order = np.argsort(identity, kind="stable")  # merges runs that are in order already
    return identity[order], row_id[order]


def _set_bits(bits: NDArray[np.uint8], place: Ids) -> None:
    """Set bits, one of the eight of a byte after the other: then a byte that comes twice gets the same bit twice."""
    byte, bit = place >> 3, place & 7
    for one in range(8):
        bits[byte[bit == one]] |= np.uint8(1 << one)


class Admission:
    """
    Admits the rows of one delivery, chunk by chunk in their order, inside the caller's transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
    face_table, event_table : FaceTable, EventTable
        Of the same connection.
    who : str
        Who delivers.
    reread : bool
        Whether known rows are read under another column map or other settings than before: what they now say
        differently becomes a new version.
    """

    def __init__(
        self, connection: sqlite3.Connection, face_table: FaceTable, event_table: EventTable, *, who: str = "",
        reread: bool = False,
    ) -> None:  # fmt: skip
        self._connection = connection
        self._faces = face_table
        self._events = event_table
        self._who = who
        self._reread = reread
        self._before = {name: self._highest(name) for name in ("face", "event")}
        self._used: Counter[int] = Counter()
        self._told: list[Ids] = []
        self._memory = _FileMemory()
        self._event_contents: dict[int, int] = {}
        self._let_go: dict[str, set[int]] = {"face": set(), "event": set()}

    def let_go(self, kind: str, row_ids: Iterable[int]) -> None:
        """Count rows, versions that their own log replaced since, as no longer held: their words would be new."""
        self._let_go[kind].update(row_ids)

    def hold(self, contents: Ids) -> None:
        """Count rows held as told already by earlier rows of this delivery, so that they stand for no later one."""
        self._told.append(contents)

    def faces(self, rows: pd.DataFrame, *, keys: RowKeys, ready: ReadyFaces | None = None) -> Admitted:
        """Admit face rows (faces columns; intake and row numbers set); `keys` from `face_keys`, `ready` of `rows`."""
        outcome = np.full(len(rows), "face", dtype=object)
        row_id = np.full(len(rows), -1, dtype=np.int64)
        stored = self._stored("face", keys.identity)
        self._mark_known(keys, stored, outcome, row_id)
        if self._reread:
            self._read_anew(rows, keys, outcome, row_id, "face")
        told = self._compare_serials(rows, keys, stored, outcome, row_id)
        new = (outcome == "face") | (outcome == "repeat")
        if ready is None or told is not rows or not new.all():
            added = told if new.all() else told.loc[new]
            ready = ready_faces(added, identity=keys.identity[new], content=keys.content[new])
        row_id[new] = self._faces.write(ready)
        own = row_id < -1
        row_id[own] = row_id[-row_id[own] - 2]
        self._memory.add(keys.identity[new & keys.serial], row_id[new & keys.serial])
        remarks = [] if told is rows else listed(told["remarks"])
        counted = [sum(kind in said for said in remarks) for kind in (ANOTHER_ATTEMPT, ANOTHER_PART)]
        return Admitted(outcome, row_id, *counted)

    def events(self, rows: pd.DataFrame, *, keys: RowKeys) -> Admitted:
        """Admit event rows (events columns); an event told twice with the same words and time of day is one."""
        outcome = np.full(len(rows), "event", dtype=object)
        row_id = np.full(len(rows), -1, dtype=np.int64)
        stored = self._stored("event", keys.identity)
        self._mark_known(keys, stored, outcome, row_id)
        if self._reread:
            self._read_anew(rows, keys, outcome, row_id, "event")
        known = {content: row for _, content, row, _ in stored} | self._event_contents
        first: dict[int, int] = {}
        for at in np.flatnonzero((outcome == "event") & ~keys.weak).tolist():
            content = int(keys.content[at])
            if content in known:
                outcome[at], row_id[at] = "double", known[content]
            elif content in first:
                outcome[at], row_id[at] = "double", -first[content] - 2
            else:
                first[content] = at
        new = outcome == "event"
        row_id[new] = self._events.add(rows.loc[new], identity=keys.identity[new], content=keys.content[new])
        own = row_id < -1
        row_id[own] = row_id[-row_id[own] - 2]
        self._event_contents |= {content: int(row_id[at]) for content, at in first.items()}
        return Admitted(outcome, row_id)

    def replace(
        self, kind: str, new: pd.DataFrame, *, keys: RowKeys, old_row_id: Ids, reason: str,
        corrections: Mapping[int, int] | None = None,
    ) -> "Replaced":  # fmt: skip
        """
        Write new versions of rows; a row that differs in its words only, not in what it says, is a double.

        `corrections`: place -> row of the version by which a person corrected these very words; it is put back on top.
        """
        table = self._faces if kind == "face" else self._events
        old = table.rows(old_row_id)
        if kind == "face":
            new = self._judged_anew(old, new, keys)
        differences = differences_of(old, new)
        at = np.array([place for place, change in enumerate(differences) if change], dtype=np.int64)
        outcome = np.full(len(new), "double", dtype=object)
        outcome[at] = "version"
        row_id = old_row_id.copy()
        picked = keys.pick(at)
        row_id[at], sentences = record_replaced(
            self._connection, table, kind=kind, old_row_id=old_row_id[at], new=new.iloc[at], identity=picked.identity,
            content=picked.content, differences=[differences[place] for place in at.tolist()], who=self._who,
            reason=[reason] * len(at),
        )  # fmt: skip
        if kind == "face":  # what is told twice is told twice after a change too
            self._memory.add(picked.identity[picked.serial], row_id[at][picked.serial])
        else:
            told = ~picked.weak
            self._event_contents |= dict(zip(picked.content[told].tolist(), row_id[at][told].tolist(), strict=True))
        back = np.array([place for place in at.tolist() if place in (corrections or {})], dtype=np.int64)
        if corrections and len(back):
            row_id[back] = put_back_corrections(
                self._connection, table, kind=kind, row_id=row_id[back], who=self._who,
                correction=np.array([corrections[place] for place in back.tolist()], dtype=np.int64),
            )  # fmt: skip
        numbers = new["row_number"].iloc[at].tolist()
        remarks = [f"row {number}: {said}" for number, said in zip(numbers, sentences, strict=True) if said]
        return Replaced(outcome, row_id, tuple(remarks))

    def _judged_anew(self, old: pd.DataFrame, new: pd.DataFrame, keys: RowKeys) -> pd.DataFrame:
        """Tell anew what the rows are that have another serial number now; the others stay faces or repeats."""
        kept = attempt_kept(old, new)
        renumbered = (old["serial"].to_numpy() != new["serial"].to_numpy()).astype(bool)
        at = np.flatnonzero(renumbered).tolist()
        if not at:
            return kept
        rows = new.iloc[at]
        kinds, attempt, remarks = (
            np.array(listed(kept[name]), dtype=object) for name in ("kind", "attempt", "remarks")
        )
        stored = self._stored("face", keys.identity[renumbered & keys.serial])
        own, wanted = set(old["face_id"].tolist()), set(keys.identity[renumbered].tolist())
        history = self._history(((name, row) for name, _, row, first in stored if first not in own), wanted)
        for place, row, said in zip(at, seen(rows, [0] * len(at)), listed(rows["remarks"]), strict=True):
            verdict, _, why = judge(row, history[int(keys.identity[place])] if keys.serial[place] else [])
            kinds[place], attempt[place] = "face" if verdict == "face" else "repeat", max(row.attempt, 1)
            remarks[place] = "; ".join(filter(None, [said, why]))
        told = {"kind": kinds, "remarks": remarks}
        return kept.assign(
            **{name: pd.array(told[name], dtype="str") for name in told}, attempt=attempt.astype(np.int64)
        )

    def _highest(self, table: str) -> int:
        return int(self._connection.execute(f"SELECT coalesce(max(row_id), 0) FROM {table}").fetchone()[0])

    def _stored(self, table: str, identity: Ids) -> list[tuple[int, int, int, int]]:
        """(identity, content, row_id, first row_id) of rows held before this delivery, with these identities."""
        before = self._before[table]
        if not before:
            return []
        sql = (
            f"SELECT t.identity, t.content, t.row_id, coalesce(t.{table}_id, t.row_id) FROM json_each(?) w "
            f"JOIN {table} t ON t.identity = w.value WHERE t.row_id <= ? ORDER BY t.row_id"
        )
        wanted = json.dumps(np.unique(identity).tolist())
        rows = self._connection.execute(sql, (wanted, before)).fetchall()
        let_go = self._let_go[table]
        return [row for row in rows if row[2] not in let_go] if let_go else rows

    def _mark_known(
        self, keys: RowKeys, stored: Iterable[tuple[int, int, int, int]], outcome: NDArray[np.object_], row_id: Ids
    ) -> None:
        faces: dict[int, dict[int, int]] = defaultdict(dict)
        for _, content, row, first in stored:
            faces[content][first] = row  # one face edited and edited back is still held once
        if not faces:
            return
        held = {content: list(rows.values()) for content, rows in faces.items()}
        told = np.concatenate(self._told) if self._told else np.empty(0, dtype=np.int64)
        for content, times in zip(*np.unique(told[pd.Index(told).isin(list(held))], return_counts=True), strict=True):
            self._used.setdefault(int(content), int(times))
        hits = pd.Index(keys.content).isin(np.fromiter(held, dtype=np.int64))
        for at in np.flatnonzero(hits).tolist():
            content = int(keys.content[at])
            used = self._used[content]
            if used < len(held[content]):
                outcome[at], row_id[at] = "double", held[content][used]
                self._used[content] += 1

    def _read_anew(
        self, rows: pd.DataFrame, keys: RowKeys, outcome: NDArray[np.object_], row_id: Ids, kind: str
    ) -> None:
        """Known rows that another column map or other settings read differently become new versions."""
        at = np.flatnonzero(outcome == "double")
        if not len(at):
            return
        newest = self._newest_versions(kind, row_id[at])
        untouched = newest == row_id[at]  # corrected by a person: theirs stands
        at = at[untouched]
        read = self.replace(kind, rows.iloc[at], keys=keys.pick(at), old_row_id=row_id[at], reason=READ_ANEW)
        outcome[at], row_id[at] = read.outcome, read.row_id

    def _newest_versions(self, kind: str, row_id: Ids) -> Ids:
        """Find the newest version of the face or event that each row is a version of."""
        first = f"SELECT row_id, coalesce({kind}_id, row_id) AS first FROM json_each(?) w JOIN {kind} ON row_id = value"
        later = f"SELECT max(row_id) FROM {kind} t WHERE t.{kind}_id = f.first"
        sql = f"SELECT f.row_id, coalesce(({later}), f.first) FROM ({first}) f"
        found = dict(self._connection.execute(sql, (json.dumps(row_id.tolist()),)))
        return np.array([found[row] for row in row_id.tolist()], dtype=np.int64)

    def _compare_serials(
        self, rows: pd.DataFrame, keys: RowKeys, stored: Sequence[tuple[int, int, int, int]],
        outcome: NDArray[np.object_], row_id: Ids,
    ) -> pd.DataFrame:  # fmt: skip
        """Tell doubles, repeats and faces lapped again from each other; fills `outcome` and `row_id`."""
        fresh = (outcome == "face") & keys.serial
        if not fresh.any():
            return rows
        identity = keys.identity[fresh]
        taken_back = {face for (face,) in self._connection.execute(_TAKEN_BACK)} if stored else set()
        in_order = sorted(stored, key=itemgetter(3))  # versions of a face stand where it first came
        earlier = [(row[0], row[2]) for row in in_order if row[3] not in taken_back] + self._memory.find(identity)
        shared = pd.Index(identity).duplicated(keep=False) | pd.Index(identity).isin([one for one, _ in earlier])
        places = np.flatnonzero(fresh)[shared]
        if not len(places):
            return rows
        history = self._history(earlier, set(keys.identity[places].tolist()))
        mine = seen(rows.iloc[places], [-at - 2 for at in places.tolist()])
        attempt, remarks = rows["attempt"].to_numpy().copy(), np.array(listed(rows["remarks"]), dtype=object)
        said: dict[int, int] = {}  # place of a double entry of a face whose attempt was counted -> what its log says
        for at, row in zip(places.tolist(), mine, strict=True):
            past = history[int(keys.identity[at])]
            outcome[at], other, why = judge(row, past)
            if outcome[at] == "double":
                row_id[at] = other
                if other > 0 and row.attempt != NO_ATTEMPT and any(one.counted for one in past if one.row_id == other):
                    said[at] = row.attempt
                continue
            if why:
                remarks[at] = f"{remarks[at]}; {why}" if remarks[at] else why
            attempt[at] = row.attempt
        self._say_attempts(said, outcome, row_id)
        kind = np.where(outcome == "repeat", "repeat", "face").astype(object)
        return rows.assign(kind=pd.array(kind, dtype="str"), attempt=attempt, remarks=pd.array(remarks, dtype="str"))

    def _say_attempts(self, said: Mapping[int, int], outcome: NDArray[np.object_], row_id: Ids) -> None:
        """Write a new version of each face whose attempt was counted and of which a log says one in a double entry."""
        if not said:
            return
        newest = self._newest_versions("face", row_id[list(said)]).tolist()
        remarks = listed(self._faces.rows(np.array(newest))["remarks"])
        place = {row: at for row, at, told in zip(newest, said, remarks, strict=True) if COUNTED_AS in told}
        at = np.array(list(place.values()), dtype=np.int64)
        outcome[at] = "version"
        row_id[at] = say_attempts(
            self._connection, self._faces, row_id=np.array(list(place), dtype=np.int64), who=self._who,
            attempt=[said[one] for one in place.values()],
        )  # fmt: skip

    def _history(self, earlier: Iterable[tuple[int, int]], wanted: set[int]) -> dict[int, list[Seen]]:
        history: dict[int, list[Seen]] = defaultdict(list)
        pairs = [(identity, row) for identity, row in earlier if identity in wanted]
        if pairs:
            numbers = [row for _, row in pairs]
            for (identity, _), one in zip(pairs, seen(self._faces.rows(np.array(numbers)), numbers), strict=True):
                history[identity].append(one)
        return history
