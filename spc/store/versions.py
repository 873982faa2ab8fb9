"""A changed row becomes a new version: the old one stays, with who changed it, when, what and why."""

import json
import math
import sqlite3
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import listed
from spc.store.event_table import EventTable
from spc.store.face_table import FaceTable
from spc.store.frames import frame
from spc.store.registers import now_us

__all__ = ["differences_of", "edited_after", "edits", "put_back_correction", "record_replaced"]

Ids = NDArray[np.int64]

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

_NOT_COMPARED = frozenset(
    ("face_id", "event_id", "kind", "version", "intake_id", "row_number", "sort_us", "remarks", "attempt")
)


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
            if a != b and not (pd.isna(a) and pd.isna(b)):
                change[name] = [_json_value(a), _json_value(b)]
    return out


def record_replaced(
    connection: sqlite3.Connection, table: FaceTable | EventTable, *, kind: str, old_row_id: int, new: pd.DataFrame,
    identity: Ids, content: Ids, differences: dict[str, list[Any]], who: str, reason: str, at_us: int = 0,
) -> tuple[int, str]:  # fmt: skip
    """
    Write one new version inside the caller's transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
    table : FaceTable or EventTable
    kind : str
        'face' or 'event'.
    old_row_id : int
        The version that is replaced; must be the current one.
    new : pandas.DataFrame, shape (1, ...)
        Takes the place (delivery and row number) of the old row, so that rows without times stay in order.
    identity, content : ndarray of int64, shape (1,)
    differences : dict
        From `differences_of`.
    who, reason : str
    at_us : int
        Microseconds since 1970, UTC; 0 = now.

    Returns
    -------
    tuple of (int, str)
        The new version's row; '' or a sentence that says what the old version had already set off.
    """
    first, version = connection.execute(
        f"SELECT coalesce({kind}_id, row_id), version FROM {kind} WHERE row_id = ?", (old_row_id,)
    ).fetchone()
    ids, versions = np.array([first], dtype=np.int64), np.array([version + 1], dtype=np.int64)
    old = table.rows(np.array([old_row_id])).iloc[0]
    new = new.assign(intake_id=int(old["intake_id"]), row_number=int(old["row_number"]))  # it keeps its place
    if isinstance(table, FaceTable):
        attempt = int(new["attempt"].iloc[0])
        kept = new.assign(
            kind=pd.array([old["kind"]], dtype="str"), attempt=attempt if attempt != 1 else int(old["attempt"])
        )
        row_id = table.add(kept, identity=identity, content=content, face_id=ids, version=versions)[0]
    else:
        row_id = table.add(new, identity=identity, content=content, event_id=ids, version=versions)[0]
    sentence = edited_after(connection, table, old_row_id=old_row_id, face_id=first) if kind == "face" else ""
    connection.execute(
        "INSERT INTO replaced (kind, old_row_id, new_row_id, at_us, who, reason, differences, edited_after) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (kind, old_row_id, int(row_id), at_us or now_us(), who, reason, json.dumps(differences), sentence),
    )
    return int(row_id), sentence


def put_back_correction(
    connection: sqlite3.Connection, table: FaceTable | EventTable, *, kind: str, row_id: int, correction: int, who: str
) -> int:
    """
    Put a person's correction on top of a row that says again the very words that were corrected.

    Parameters
    ----------
    connection : sqlite3.Connection
    table : FaceTable or EventTable
    kind : str
        'face' or 'event'.
    row_id : int
        The current version, in the log's words.
    correction : int
        The version by which the person corrected those words.
    who : str
        Who delivers the log.

    Returns
    -------
    int
        The current version's row: the new one, or `row_id` where the words now say what the correction says.
    """
    corrected = table.rows(np.array([correction]))
    differences = differences_of(table.rows(np.array([row_id])), corrected)[0]
    if not differences:
        return row_id
    by, why = connection.execute(
        "SELECT who, reason FROM replaced WHERE kind = ? AND new_row_id = ?", (kind, correction)
    ).fetchone()
    why = why if why.startswith(_STANDS) else f"{_STANDS}{by}: {why}"
    sql = f"SELECT identity, content FROM {kind} WHERE row_id = ?"
    identity, content = (np.array([key], dtype=np.int64) for key in connection.execute(sql, (correction,)).fetchone())
    return record_replaced(
        connection, table, kind=kind, old_row_id=row_id, new=corrected, identity=identity, content=content,
        differences=differences, who=who, reason=why,
    )[0]  # fmt: skip


def edited_after(
    connection: sqlite3.Connection, table: FaceTable | EventTable, *, old_row_id: int, face_id: int
) -> str:
    """Say in a sentence what the old version had already set off: a stored signal, or a reading over its limit."""
    said = []
    rules = connection.execute("SELECT rule FROM signal WHERE face_id = ? ORDER BY signal_id", (face_id,)).fetchall()
    if rules:
        said.append(f"edited after a signal: {', '.join(rule for (rule,) in rules)}")
    old = table.rows(np.array([old_row_id])).iloc[0]
    limits = connection.execute(
        "SELECT part, characteristic, upper_um, lower_um FROM limit_revision WHERE part IN (?, '*') "
        "ORDER BY part = '*' DESC, valid_from, revision",
        (old["part"],),
    )
    for name, (upper_um, lower_um) in {row[1]: row[2:] for row in limits}.items():
        low, high = float(old[f"{name}_low_um"]), float(old[f"{name}_high_um"])
        middle = (low + high) / 2 if math.isfinite(high) else low
        if upper_um is not None and middle > upper_um:
            said.append(f"edited after {name} {old[f'{name}_text']} was over its limit of {upper_um:g} um")
        if lower_um is not None and middle < lower_um:
            said.append(f"edited after {name} {old[f'{name}_text']} was under its limit of {lower_um:g} um")
    return "; ".join(said)


def edits(connection: sqlite3.Connection, *, after_signal: bool, last: int | None) -> pd.DataFrame:
    """
    List changed rows, newest first.

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
        kind ('face' or 'event'), id (face_id or event_id), lap, at, who, reason, differences (JSON: column ->
        [old, new]), edited_after ('' or a sentence), withdrawn (the row was taken back and has none in its place).
    """
    rows = connection.execute(
        "SELECT r.kind, coalesce(f.face_id, f.row_id, e.event_id, e.row_id), coalesce(n.lap, e.lap), r.at_us, r.who, "
        "r.reason, r.differences, r.edited_after, r.new_row_id IS NULL FROM replaced r "
        "LEFT JOIN face f ON r.kind = 'face' AND f.row_id = r.old_row_id LEFT JOIN lap_name n ON n.id = f.lap_id "
        "LEFT JOIN event e ON r.kind = 'event' AND e.row_id = r.old_row_id "
        "WHERE r.edited_after <> '' OR NOT ? ORDER BY r.at_us DESC, r.old_row_id DESC LIMIT ?",
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
