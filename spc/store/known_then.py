"""What the record held at a point in the past: rows that came later and corrections made later do not count there.

Rows are written in order and never changed, and every transaction says how far they reached when it ended. So the
record of any earlier point can be read again, to the last bit, whatever was added or corrected since.
"""

import sqlite3
from dataclasses import dataclass

__all__ = ["Known", "current", "known_when_closed", "known_when_frozen", "replaced_rows", "rows_since", "standing"]


@dataclass(frozen=True, slots=True, order=True)
class Known:
    """One point in the record: the end of a transaction."""

    change_id: int
    at_us: int
    last_face: int  # newest row of `face` then
    last_event: int


def current(table: str) -> str:
    """Give the SQL that a row of `face` or `event` stands today: it was neither corrected nor taken back."""
    return f"NOT EXISTS (SELECT 1 FROM replaced r WHERE r.kind = '{table}' AND r.old_row_id = {table}.row_id)"


def standing(table: str) -> str:
    """Give the SQL that a row of `face` or `event` stood then; ?2 = the table's last row then, ?3 = `at_us`."""
    return (
        f"NOT EXISTS (SELECT 1 FROM replaced r WHERE r.kind = '{table}' AND r.old_row_id = {table}.row_id "
        "AND CASE WHEN r.new_row_id IS NULL THEN r.at_us <= ?3 ELSE r.new_row_id <= ?2 END)"
    )


def known_when_closed(connection: sqlite3.Connection, *, lap: str, until_us: int) -> Known | None:
    """
    Find the point at which the lap's log had passed a moment: when its first face of a later time was written.

    Parameters
    ----------
    connection : sqlite3.Connection
    lap : str
    until_us : int
        The moment, on the scale of `sort_us`.

    Returns
    -------
    Known or None
        While nothing later is there, the point at which the newest face before the moment was first written. None
        if the lap has no faces, or they were written before the record kept such points.
    """
    own = "FROM face WHERE lap_id IN (SELECT id FROM lap_name WHERE lap = ?) AND face_id IS NULL AND sort_us"
    row = connection.execute(f"SELECT min(row_id) {own} >= ?", (lap, until_us)).fetchone()[0]
    if row is None:
        row = connection.execute(f"SELECT max(row_id) {own} < ?", (lap, until_us)).fetchone()[0]
    if row is None:
        return None
    return _first(connection, "last_face >= ?", (row,))


def known_when_frozen(connection: sqlite3.Connection, *, lap: str, sign: str, revision: int) -> Known | None:
    """Find the point at which a revision of one chart's limits was frozen; None if the record kept no such points."""
    what = f"baseline of {lap} {sign} frozen"
    rows = connection.execute(
        "SELECT change_id FROM change WHERE what = ? ORDER BY change_id LIMIT 1 OFFSET ?", (what, revision - 1)
    ).fetchone()
    return None if rows is None else _first(connection, "change_id = ?", (rows[0],))


def replaced_rows(connection: sqlite3.Connection, kind: str) -> frozenset[int]:
    """Rows of `face` or `event` that were corrected or taken back, by today."""
    sql = "SELECT old_row_id FROM replaced WHERE kind = ?"
    return frozenset(int(row) for (row,) in connection.execute(sql, (kind,)))


def rows_since(connection: sqlite3.Connection, *, lap: str, until_us: int, known: Known) -> int:
    """Count the faces before a moment that were corrected, withdrawn or written after a point in the record."""
    sql = (
        "SELECT count(DISTINCT coalesce(face_id, row_id)) FROM face "
        "WHERE lap_id IN (SELECT id FROM lap_name WHERE lap = ?1) AND sort_us < ?4 "
        f"AND (row_id <= ?2 AND {standing('face')}) <> ({current('face')})"
    )
    return int(connection.execute(sql, (lap, known.last_face, known.at_us, until_us)).fetchone()[0])


def _first(connection: sqlite3.Connection, condition: str, values: tuple[int, ...]) -> Known | None:
    row = connection.execute(
        "SELECT change_id, at_us, last_face, last_event FROM change "
        f"WHERE last_face IS NOT NULL AND {condition} ORDER BY change_id LIMIT 1",
        values,
    ).fetchone()
    return None if row is None else Known(*map(int, row))
