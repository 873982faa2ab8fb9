"""Opens the one SQLite file of record: settings of the file, its schema version, the way up from older versions."""

import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path

__all__ = ["APPLICATION_ID", "MIGRATIONS", "SCHEMA_VERSION", "StoreError", "connect", "state_of"]

APPLICATION_ID = 0x6C617063  # marks the file as ours
SCHEMA_VERSION = 8
BUSY_TIMEOUT_MS = 30_000
_LEAST_ROOM = 1 << 20  # bytes on the disk, below which a store can hardly be opened

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
    3: "ALTER TABLE change ADD COLUMN last_face INTEGER;\nALTER TABLE change ADD COLUMN last_event INTEGER;\n",
    4: """
ALTER TABLE reaction ADD COLUMN event_id INTEGER;
CREATE TABLE reaction_withdrawn (
    reaction_id INTEGER PRIMARY KEY REFERENCES reaction (reaction_id),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);
""",
    5: """
CREATE TABLE watch_known (
    known_id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL,
    name TEXT NOT NULL,
    sentence TEXT NOT NULL,
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX watch_known_by_file ON watch_known (folder, name);
""",
    6: """
CREATE TABLE rubbing (
    id INTEGER PRIMARY KEY,
    load_n REAL NOT NULL,
    load_text TEXT NOT NULL,
    area_mm2 REAL NOT NULL,
    area_text TEXT NOT NULL,
    speed_m_per_s REAL NOT NULL,
    speed_text TEXT NOT NULL,
    UNIQUE (load_text, load_n, area_text, area_mm2, speed_text, speed_m_per_s)
);
ALTER TABLE face ADD COLUMN rubbing_id INTEGER REFERENCES rubbing (id);
""",
    7: """
ALTER TABLE resolution RENAME TO resolution_before;
CREATE TABLE resolution (
    resolution_id INTEGER PRIMARY KEY,
    quarantine_id INTEGER NOT NULL,
    how TEXT NOT NULL CHECK (how IN ('fixed', 'alias', 'discarded')),
    new_text TEXT NOT NULL,
    row_kind TEXT NOT NULL,
    row_id INTEGER,
    reason TEXT NOT NULL,
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
INSERT INTO resolution SELECT * FROM resolution_before;
DROP TABLE resolution_before;
CREATE INDEX resolution_by_row ON resolution (quarantine_id);
CREATE TABLE resolution_withdrawn (
    resolution_id INTEGER PRIMARY KEY REFERENCES resolution (resolution_id),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);
""",
}


class StoreError(ValueError):
    """The store cannot do what was asked; one sentence with what to do."""


def connect(path: str | Path, *, create: bool = True) -> sqlite3.Connection:
    """Open the store's file, create it when it is new, bring it up to the schema of today.

    Parameters
    ----------
    path : path
        The file.
    create : bool
        Whether to create a file that is not there yet.

    Returns
    -------
    sqlite3.Connection
        In autocommit: each writer opens its transaction itself. A store where nothing can be written is opened for
        reading.

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
        read_only = file.is_file() and _may_only_be_read(file)
        connection = _open_to_read(file) if read_only else _opened(str(file))
        try:
            _prepare(connection, file, read_only=read_only)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        raise StoreError(f"{file}: cannot be opened as a store: {error}{_why_not(file)}") from None
    return connection


def state_of(path: str | Path) -> tuple[int, int, int]:
    """Return what tells one state of one store from any other.

    Returns
    -------
    tuple of int
        Moment of the first change, which tells a store from another one at the same path; count of changes so far;
        moment of the newest change, which tells apart copies that went on alone. Moments in microseconds since 1970;
        all 0 for a new store.
    """
    with closing(connect(path)) as connection:
        found = connection.execute(
            "SELECT coalesce((SELECT at_us FROM change ORDER BY change_id LIMIT 1), 0), coalesce(max(change_id), 0), "
            "coalesce((SELECT at_us FROM change ORDER BY change_id DESC LIMIT 1), 0) FROM change"
        ).fetchone()
    born_us, revision, changed_us = found
    return int(born_us), int(revision), int(changed_us)


def _opened(name: str) -> sqlite3.Connection:
    return sqlite3.connect(
        name, uri=name.startswith("file:"), isolation_level=None, timeout=BUSY_TIMEOUT_MS / 1000,
        check_same_thread=False,
    )  # fmt: skip


def _open_to_read(file: Path) -> sqlite3.Connection:
    """Open a store where nothing can be written, so no lock either: taken as unchanging if no log lies beside it."""
    alone = not file.with_name(f"{file.name}-wal").exists()
    return _opened(f"{file.absolute().as_uri()}?mode=ro{'&immutable=1' if alone else ''}")


def _may_only_be_read(file: Path) -> bool:
    return not os.access(file.parent, os.W_OK) or (file.exists() and not os.access(file, os.W_OK))


def _why_not(file: Path) -> str:
    """Say what the database's own words leave out."""
    if file.is_dir():
        return "; it is a folder, name a file in it"
    if _may_only_be_read(file):
        return f"; {file.parent} or the file may only be read here: copy the store to a place that can be written to"
    if file.parent.is_dir() and shutil.disk_usage(file.parent).free < _LEAST_ROOM:
        return "; the disk is full: make room on it"
    return ""


def _prepare(connection: sqlite3.Connection, file: Path, *, read_only: bool) -> None:
    with _one_state(connection):  # else another process may create the store between one mark and the other
        mark, version = _marks(connection)
    if mark == 0 and version == 0:
        if read_only:
            raise StoreError(f"{file}: is no store, and none can be created where nothing can be written")
        _create(connection, file)
    elif mark != APPLICATION_ID:
        raise StoreError(f"{file}: is a database of another program, not a store; name another path")
    connection.execute("PRAGMA cache_size = -32768")
    if read_only:
        _refuse_newer(file, version)
        if version < SCHEMA_VERSION:
            raise StoreError(
                f"{file}: has the older schema version {version}, and cannot be brought up to date where it may only "
                "be read; copy it to a place that can be written to"
            )
        return
    _use_write_ahead_log(connection)
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = OFF")  # checked by the writers; a check per row costs a third of intake
    _migrate(connection, file)


def _use_write_ahead_log(connection: sqlite3.Connection) -> None:
    """Switch the file over, once in its life; waits itself, as SQLite does not wait for others at this one step."""
    give_up = time.monotonic() + BUSY_TIMEOUT_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
            time.sleep(0.01)


@contextmanager
def _one_state(connection: sqlite3.Connection) -> Iterator[None]:
    """Hold what is read in it to one state of the file."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.rollback()


def _marks(connection: sqlite3.Connection) -> tuple[int, int]:
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    return int(mark), int(connection.execute("PRAGMA user_version").fetchone()[0])


def _create(connection: sqlite3.Connection, file: Path) -> None:
    # The marks once more after the tables: another process may have created the store in between.
    if _holds_tables(connection) and _marks(connection) == (0, 0):
        raise StoreError(f"{file}: is a database of another program, not a store; name another path")
    connection.execute("PRAGMA page_size = 8192")
    connection.execute("BEGIN IMMEDIATE")
    try:
        if _marks(connection) == (0, 0):  # else another process was first
            _run(connection, files("spc.store").joinpath("schema.sql").read_text(encoding="utf-8"))
            _guard_history(connection)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.rollback()  # where the disk is full, the database has done so already
        raise


def _holds_tables(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])


def _migrate(connection: sqlite3.Connection, file: Path) -> None:
    version = _marks(connection)[1]
    if version == SCHEMA_VERSION:
        return
    _refuse_newer(file, version)
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
        connection.rollback()  # where the disk is full, the database has done so already
        raise


def _refuse_newer(file: Path, version: int) -> None:
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{file}: has schema version {version}, this program knows up to {SCHEMA_VERSION}; use a newer lapcell"
        )


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
