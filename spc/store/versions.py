"""A changed row becomes a new version: the old one stays, with who changed it, when, what and why."""

import json
import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.store.coding import listed
from spc.store.event_table import EventTable
from spc.store.face_table import FaceTable
from spc.store.frames import NO_ATTEMPT, frame
from spc.store.registers import iso_moment, now_us

__all__ = [
    "ANOTHER_ATTEMPT", "ANOTHER_PART", "COUNTED_AS", "READ_ANEW", "attempt_kept", "differences_of", "edited_after",
    "edits", "put_back_corrections", "record_replaced", "say_attempts", "without_counted",
]  # fmt: skip

Ids = NDArray[np.int64]

READ_ANEW = "read anew under another column map, other settings or a new alias"  # why a log's own words say otherwise
COUNTED_AS = "counted as another"  # begins the remark on an attempt number that no log said
ANOTHER_ATTEMPT, ANOTHER_PART = f"{COUNTED_AS} attempt", f"{COUNTED_AS} part"  # its two kinds
_STANDS = "the same words again, so the correction stands, by "

_EDITS = {
    "kind": "str",
    "id": "int64",
    "lap": "str",
    "at": "datetime64[us, UTC]",
    "who": "str",
    "reason": "str",
    "differences": "str",
    "edited_after": "str",
    "withdrawn": "bool",
}

_NOT_COMPARED = frozenset(("face_id", "event_id", "kind", "version", "intake_id", "row_number", "sort_us", "remarks"))


def differences_of(old: pd.DataFrame, new: pd.DataFrame) -> list[dict[str, list[Any]]]:
    """
    Find what differs between rows, pair by pair.

    Parameters
    ----------
    old, new : pandas.DataFrame, shape (n_rows, ...)
        Faces or events columns.

    Returns
    -------
    list of dict, length n_rows
        Column -> [old, new] as JSON values; empty where nothing differs.
    """
    out: list[dict[str, list[Any]]] = [{} for _ in range(len(old))]
    for name in old.columns:
        if name in _NOT_COMPARED:
            continue
        for change, a, b in zip(out, listed(old[name]), listed(new[name]), strict=True):
            if a is not b and a != b and not (pd.isna(a) and pd.isna(b)):
                change[name] = [_json_value(a), _json_value(b)]
    return out


def attempt_kept(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """
    Give new versions of faces the kind of the old ones, and their attempt number where no log says one.

    Parameters
    ----------
    old, new : pandas.DataFrame, shape (n_rows, ...)
        Faces columns; an attempt of `new` is NO_ATTEMPT where no log says one.

    Returns
    -------
    pandas.DataFrame
        `new`; with a number that was counted its remark stays.
    """
    said = new["attempt"].to_numpy()
    kept = said == NO_ATTEMPT
    remarks = [
        "; ".join(filter(None, [told, *_counted(before)])) if keeps else told
        for told, before, keeps in zip(listed(new["remarks"]), listed(old["remarks"]), kept.tolist(), strict=True)
    ]
    attempt = np.where(kept, old["attempt"].to_numpy(), said)
    return new.assign(attempt=attempt, kind=old["kind"].array, remarks=pd.array(remarks, dtype="str"))


def without_counted(remarks: str) -> str:
    """Take the remark on an attempt number that no log said out of the remarks on a row."""
    counted = _counted(remarks)
    return "; ".join(said for said in remarks.split("; ") if said not in counted)


def _counted(remarks: str) -> list[str]:
    return [said for said in remarks.split("; ") if said.startswith(COUNTED_AS)]


def record_replaced(
    connection: sqlite3.Connection, table: FaceTable | EventTable, *, kind: str, old_row_id: Ids, new: pd.DataFrame,
    identity: Ids, content: Ids, differences: Sequence[dict[str, list[Any]]], who: str, reason: Sequence[str],
) -> tuple[Ids, list[str]]:  # fmt: skip
    """
    Write new versions inside the caller's transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
    table : FaceTable or EventTable
    kind : str
        'face' or 'event'.
    old_row_id : ndarray of int64, shape (n_rows,)
        The versions that are replaced; each must be the current one of its face or event.
    new : pandas.DataFrame, shape (n_rows, ...)
        Each takes the place (delivery and row number) of its old row, so that rows without times stay in order.
    identity, content : ndarray of int64, shape (n_rows,)
    differences : sequence of dict, length n_rows
        From `differences_of`.
    who : str
    reason : sequence of str, length n_rows

    Returns
    -------
    tuple of (ndarray of int64, list of str), each of length n_rows
        The rows of the new versions; '' or a sentence that says what the old version had already set off.
    """
    if not len(old_row_id):
        return np.empty(0, dtype=np.int64), []
    old = table.rows(old_row_id)
    first = old[f"{kind}_id"].to_numpy()
    version = _versions(connection, kind, old_row_id) + 1
    # It keeps its place.
    new = new.assign(intake_id=old["intake_id"].to_numpy(), row_number=old["row_number"].to_numpy())
    if isinstance(table, FaceTable):
        row_id = table.add(new, identity=identity, content=content, face_id=first, version=version)
        renamed = [why == READ_ANEW and set(change) == {"lap"} for why, change in zip(reason, differences, strict=True)]
        said = zip(edited_after(connection, old), renamed, strict=True)
        sentences = ["" if only_renamed else sentence for sentence, only_renamed in said]  # nobody edited the row
    else:
        row_id = table.add(new, identity=identity, content=content, event_id=first, version=version)
        sentences = [""] * len(old)
    at_us = now_us()
    connection.executemany(
        "INSERT INTO replaced (kind, old_row_id, new_row_id, at_us, who, reason, differences, edited_after) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            (kind, before, after, at_us, who, why, json.dumps(change), sentence)
            for before, after, why, change, sentence in zip(
                old_row_id.tolist(), row_id.tolist(), reason, differences, sentences, strict=True
            )
        ),
    )
    return row_id, sentences


def say_attempts(
    connection: sqlite3.Connection, table: FaceTable, *, row_id: Ids, attempt: Sequence[int], who: str
) -> Ids:
    """
    Give faces whose attempt number was counted the one that a log says in a double entry of them.

    Parameters
    ----------
    connection : sqlite3.Connection
    table : FaceTable
    row_id : ndarray of int64, shape (n_rows,)
        The current versions, each once.
    attempt : sequence of int, length n_rows
    who : str
        Who delivers the log.

    Returns
    -------
    ndarray of int64, shape (n_rows,)
        The current versions' rows.
    """
    old = table.rows(row_id)
    before = listed(old["remarks"])
    remarks = [without_counted(said) for said in before]
    new = old.assign(attempt=np.array(attempt, dtype=np.int64), remarks=pd.array(remarks, dtype="str"))
    differences = [
        change or {"remarks": [was, now]}  # the number that was counted is the one that the log says
        for change, was, now in zip(differences_of(old, new), before, remarks, strict=True)
    ]
    sql = "SELECT t.identity, t.content FROM json_each(?) w JOIN face t ON t.row_id = w.value ORDER BY w.key"
    keys = np.array(connection.execute(sql, (json.dumps(row_id.tolist()),)).fetchall(), dtype=np.int64).reshape(-1, 2)
    out, _ = record_replaced(
        connection, table, kind="face", old_row_id=row_id, new=new, identity=keys[:, 0], content=keys[:, 1],
        differences=differences, who=who, reason=["the attempt as a log says it"] * len(row_id),
    )  # fmt: skip
    return out


def put_back_corrections(
    connection: sqlite3.Connection, table: FaceTable | EventTable, *, kind: str, row_id: Ids, correction: Ids, who: str
) -> Ids:
    """
    Put persons' corrections on top of rows that say again the very words that were corrected.

    Parameters
    ----------
    connection : sqlite3.Connection
    table : FaceTable or EventTable
    kind : str
        'face' or 'event'.
    row_id : ndarray of int64, shape (n_rows,)
        The current versions, in the log's words.
    correction : ndarray of int64, shape (n_rows,)
        The versions by which a person corrected those words.
    who : str
        Who delivers the log.

    Returns
    -------
    ndarray of int64, shape (n_rows,)
        The current versions' rows: the new one, or that of `row_id` where the words now say what the correction says.
    """
    corrected = table.rows(correction)
    differences = differences_of(table.rows(row_id), corrected)
    at = np.array([place for place, change in enumerate(differences) if change], dtype=np.int64)
    said = {
        row: facts
        for row, *facts in connection.execute(
            f"SELECT r.new_row_id, t.identity, t.content, r.who, r.reason FROM json_each(?) w "
            f"JOIN replaced r ON r.kind = '{kind}' AND r.new_row_id = w.value JOIN {kind} t ON t.row_id = w.value",
            (json.dumps(correction[at].tolist()),),
        )
    }
    facts = [said[row] for row in correction[at].tolist()]
    identity, content = (np.array([one[which] for one in facts], dtype=np.int64) for which in (0, 1))
    why = [said if said.startswith(_STANDS) else f"{_STANDS}{by}: {said}" for _, _, by, said in facts]
    out = row_id.copy()
    out[at], _ = record_replaced(
        connection, table, kind=kind, old_row_id=row_id[at], new=corrected.iloc[at], identity=identity,
        content=content, differences=[differences[place] for place in at.tolist()], who=who, reason=why,
    )  # fmt: skip
    return out


def edited_after(connection: sqlite3.Connection, old: pd.DataFrame) -> list[str]:
    """
    Say in a sentence what old versions had already set off: a stored signal, or a reading over its limit.

    Parameters
    ----------
    connection : sqlite3.Connection
    old : pandas.DataFrame, shape (n_rows, ...)
        Faces columns of the old versions.

    Returns
    -------
    list of str, length n_rows
        '' where it had set off nothing.
    """
    said: list[list[str]] = [[] for _ in range(len(old))]
    rules: dict[int, list[str]] = {}
    sql = (
        "SELECT s.face_id, s.rule FROM json_each(?) w JOIN signal s ON s.face_id = w.value "
        "WHERE s.face_id IS NOT NULL ORDER BY s.signal_id"
    )
    for face_id, rule in connection.execute(sql, (json.dumps(old["face_id"].tolist()),)):
        rules.setdefault(face_id, []).append(rule)
    for sentences, face_id in zip(said, old["face_id"].tolist(), strict=True):
        if face_id in rules:
            sentences.append(f"edited after a signal: {', '.join(rules[face_id])}")
    revisions = connection.execute(
        "SELECT part, characteristic, upper_um, lower_um FROM limit_revision WHERE valid_from <= ? "
        "ORDER BY valid_from, revision",
        (iso_moment("", name="now"),),
    ).fetchall()
    parts = old["part"].to_numpy(dtype=object)
    for part in dict.fromkeys(parts.tolist()) if revisions else ():
        limits = {
            what: (upper, lower) for named in ("*", part) for one, what, upper, lower in revisions if one == named
        }
        rows = np.flatnonzero(parts == part)
        for at, sentence in _beyond(old.iloc[rows], limits):
            said[rows[at]].append(sentence)
    return ["; ".join(sentences) for sentences in said]


def _beyond(faces: pd.DataFrame, limits: Mapping[str, tuple[float | None, float | None]]) -> Iterator[tuple[int, str]]:
    """Place and sentence of each reading beyond its limit."""
    for name, (upper_um, lower_um) in limits.items():
        low, high, text = (faces[f"{name}_{what}"].to_numpy() for what in ("low_um", "high_um", "text"))
        middle = middle_of(low, high)
        if upper_um is not None:
            for at in np.flatnonzero(middle > upper_um).tolist():
                yield at, f"edited after {name} {text[at]} was over its limit of {upper_um:g} um"
        if lower_um is not None:
            for at in np.flatnonzero(middle < lower_um).tolist():
                yield at, f"edited after {name} {text[at]} was under its limit of {lower_um:g} um"


def _versions(connection: sqlite3.Connection, kind: str, row_id: Ids) -> Ids:
    sql = f"SELECT t.row_id, t.version FROM json_each(?) w JOIN {kind} t ON t.row_id = w.value"
    found = dict(connection.execute(sql, (json.dumps(row_id.tolist()),)))
    return np.array([found[row] for row in row_id.tolist()], dtype=np.int64)


def edits(connection: sqlite3.Connection, *, after_signal: bool, last: int | None) -> pd.DataFrame:
    """
    List changed rows and answers taken back, newest first.

    Parameters
    ----------
    connection : sqlite3.Connection
    after_signal : bool
        Only those that came after what the old version had already set off.
    last : int or None
        Only so many of the newest; None = all.

    Returns
    -------
    pandas.DataFrame
        kind ('face', 'event' or 'answer'), id (face_id, event_id or reaction_id), lap, at, who, reason, differences
        (JSON: column -> [old, new]), edited_after ('' or a sentence), withdrawn (it was taken back and has none in
        its place).
    """
    rows = connection.execute(
        "SELECT r.kind, coalesce(f.face_id, f.row_id, e.event_id, e.row_id) AS id, coalesce(n.lap, e.lap), "
        "r.at_us AS at_us, r.who, "
        "r.reason, r.differences, r.edited_after, r.new_row_id IS NULL FROM replaced r "
        "LEFT JOIN face f ON r.kind = 'face' AND f.row_id = r.old_row_id LEFT JOIN lap_name n ON n.id = f.lap_id "
        "LEFT JOIN event e ON r.kind = 'event' AND e.row_id = r.old_row_id "
        "WHERE r.edited_after <> '' OR NOT ?1 UNION ALL "
        "SELECT 'answer', a.reaction_id, s.lap, w.at_us, w.who, w.reason, json_object('cause', json_array(a.cause, "
        "NULL)), '', 1 FROM reaction_withdrawn w JOIN reaction a USING (reaction_id) JOIN signal s USING (signal_id) "
        "WHERE NOT ?1 ORDER BY at_us DESC, id DESC LIMIT ?2",
        (after_signal, -1 if last is None else last),
    ).fetchall()
    return frame(_EDITS, rows)


def _json_value(value: Any) -> Any:
    if value is None or value is pd.NaT or value != value:
        return None
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if isinstance(value, float) and math.isinf(value):
        return "inf"
    return value
