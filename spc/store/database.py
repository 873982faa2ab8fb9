"""Opens the one SQLite file of record: settings of the file, its schema version, the way up from older versions."""

import os
import sqlite3
from importlib.resources import files
from pathlib import Path

__all__ = ["APPLICATION_ID", "MIGRATIONS", "SCHEMA_VERSION", "StoreError", "connect"]

APPLICATION_ID = 0x6C617063  # marks the file as ours
SCHEMA_VERSION = 3
BUSY_TIMEOUT_MS = 30_000

# From version n to n + 1: the SQL to run, all of it in one transaction with the new version number.
MIGRATIONS: dict[int, str] = {
    1: """
CREATE TABLE watch_report (
    report_id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL,
    name TEXT NOT NULL,
    problem TEXT NOT NULL,
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX watch_report_by_file ON watch_report (folder, name);
""",
    2: "CREATE INDEX intake_by_bytes ON intake (sha256);\n",
}


class StoreError(ValueError):
    """The store cannot do what was asked; one sentence with what to do."""


def connect(path: str | Path, *, create: bool = True) -> sqlite3.Connection:
    """
    Open the store's file, create it when it is new, bring it up to the schema of today.

    Parameters
    ----------
    path : path
        The file.
    create : bool
        Whether to create a file that is not there yet.

    Returns
    -------
    sqlite3.Connection
        In autocommit: each writer opens its transaction itself.

    Raises
    ------
    StoreError
        If the file is missing, is no store, is newer than this program, or cannot be opened.
    """
    file = Path(path)
    if not create and not file.exists():
        raise StoreError(f"{file}: no store there; `lapcell ingest` creates one")
    if create and not file.parent.is_dir():
        raise StoreError(f"{file}: the folder {file.parent} does not exist; create it first")
    try:
        connection = sqlite3.connect(
            file, isolation_level=None, timeout=BUSY_TIMEOUT_MS / 1000, check_same_thread=False
        )
        try:
            _prepare(connection, file)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        raise StoreError(f"{file}: cannot be opened as a store: {error}{_why_not(file)}") from None
    return connection


def _why_not(file: Path) -> str:
    """Say what the database's own words leave out: a store that is read keeps its log beside it, so it must write."""
    if file.is_dir():
        return "; it is a folder, name a file in it"
    if not os.access(file.parent, os.W_OK) or (file.exists() and not os.access(file, os.W_OK)):
        return f"; {file.parent} or the file may only be read here: copy the store to a place that can be written to"
    return ""


def _prepare(connection: sqlite3.Connection, file: Path) -> None:
    mark, version = _marks(connection)
    if mark == 0 and version == 0:
        _create(connection, file)
    elif mark != APPLICATION_ID:
        raise StoreError(f"{file}: is a database of another program, not a store; name another path")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = OFF")  # checked by the writers; a check per row costs a third of intake
    connection.execute("PRAGMA cache_size = -32768")
    _migrate(connection, file)


def _marks(connection: sqlite3.Connection) -> tuple[int, int]:
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    return int(mark), int(connection.execute("PRAGMA user_version").fetchone()[0])


def _create(connection: sqlite3.Connection, file: Path) -> None:
    if _holds_tables(connection):
        raise StoreError(f"{file}: is a database of another program, not a store; name another path")
    connection.execute("PRAGMA page_size = 8192")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        if _marks(connection) == (0, 0):  # else another process was first
            _run(connection, files("spc.store").joinpath("schema.sql").read_text(encoding="utf-8"))
            _guard_history(connection)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _holds_tables(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])


def _migrate(connection: sqlite3.Connection, file: Path) -> None:
    version = _marks(connection)[1]
    if version == SCHEMA_VERSION:
        return
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{file}: has schema version {version}, this program knows up to {SCHEMA_VERSION}; use a newer lapcell"
        )
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _marks(connection)[1]  # another process may have been first
        while version < SCHEMA_VERSION:
            if version not in MIGRATIONS:
                raise StoreError(f"{file}: has schema version {version}, from which no way up is known")
            _run(connection, MIGRATIONS[version])
            version += 1
        _guard_history(connection)
        connection.execute(f"PRAGMA user_version = {version}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _run(connection: sqlite3.Connection, script: str) -> None:
    """Run a script inside the open transaction (`executescript` would commit it)."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


def _guard_history(connection: sqlite3.Connection) -> None:
    """Refuse UPDATE and DELETE on every table: what was recorded stays recorded."""
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    for (table,) in tables.fetchall():
        for verb in ("UPDATE", "DELETE"):
            connection.execute(
                f"CREATE TRIGGER IF NOT EXISTS {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, 'history is append-only: add a new version instead'); END"
            )
