import multiprocessing
import os
import re
import sqlite3

import pytest

from spc.store import database
from spc.store.database import APPLICATION_ID, SCHEMA_VERSION, StoreError, connect
from spc.store.store import Store


def pragma(connection, name):
    return connection.execute(f"PRAGMA {name}").fetchone()[0]


def test_a_new_file_is_safe_against_power_loss_and_marked_as_ours(tmp_path):
    connection = connect(tmp_path / "lapcell.db")
    assert pragma(connection, "journal_mode") == "wal"
    assert pragma(connection, "synchronous") == 2  # FULL, as the manual of SQLite numbers it
    assert pragma(connection, "busy_timeout") >= 10_000
    assert pragma(connection, "application_id") == APPLICATION_ID
    assert pragma(connection, "user_version") == SCHEMA_VERSION


def test_every_table_refuses_update_and_delete(tmp_path):
    connection = connect(tmp_path / "lapcell.db")
    tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    assert len(tables) > 15
    triggers = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    for table in tables:
        assert {f"{table}_no_update", f"{table}_no_delete"} <= triggers
    connection.execute("INSERT INTO change (at_us, who, what) VALUES (1, 'Ann', 'x')")
    for statement in ("UPDATE change SET who = 'Bob'", "DELETE FROM change"):
        with pytest.raises(sqlite3.IntegrityError, match="history is append-only"):
            connection.execute(statement)


def test_an_older_file_is_brought_up_and_keeps_what_it_holds(tmp_path, monkeypatch):
    path = tmp_path / "lapcell.db"
    with Store.open(path) as store:  # the file as this program writes it is the older one
        store.append_face({"lap": "CI-1", "minutes": 4.0}, who="Ann")
    monkeypatch.setattr(database, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setitem(
        database.MIGRATIONS,
        SCHEMA_VERSION,
        "ALTER TABLE face ADD COLUMN humidity REAL;\nCREATE TABLE visitor (id INTEGER PRIMARY KEY, name TEXT);\n",
    )
    connection = connect(path)
    assert pragma(connection, "user_version") == SCHEMA_VERSION + 1
    assert connection.execute("SELECT count(*), count(humidity) FROM face").fetchone() == (1, 0)
    connection.execute("INSERT INTO visitor (name) VALUES ('Eve')")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):  # the new table is guarded too
        connection.execute("DELETE FROM visitor")
    connection.close()
    with Store.open(path) as store:
        assert store.faces()["lap"].tolist() == ["CI-1"]


def written(connection):
    """Tables, indices and triggers of a file, blanks and comments left out."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()
    return [(kind, name, "".join(re.sub("--.*", "", sql or "").split())) for kind, name, sql in rows]


def test_the_way_up_from_the_first_version_ends_at_the_schema_of_today(tmp_path):
    connection = connect(tmp_path / "new.db")
    today = written(connection)
    connection.close()
    with Store.open(tmp_path / "old.db") as store:
        store.append_face({"lap": "CI-1", "minutes": 4.0}, who="Ann")
        store.connection.execute("DROP TABLE watch_report")  # all that version 2 added
        store.connection.execute("DROP INDEX intake_by_bytes")  # and version 3
        for name in ("last_face", "last_event"):  # and version 4
            store.connection.execute(f"ALTER TABLE change DROP COLUMN {name}")
        store.connection.execute("DROP TABLE reaction_withdrawn")  # and version 5
        store.connection.execute("ALTER TABLE reaction DROP COLUMN event_id")
        store.connection.execute("DROP TABLE watch_known")  # and version 6
        store.connection.execute("ALTER TABLE face DROP COLUMN rubbing_id")  # and version 7
        store.connection.execute("DROP TABLE rubbing")
        store.connection.execute("DROP TABLE resolution_withdrawn")  # and version 8
        store.connection.execute("DROP TABLE resolution")
        store.connection.execute(
            "CREATE TABLE resolution (resolution_id INTEGER PRIMARY KEY, quarantine_id INTEGER NOT NULL UNIQUE, "
            "how TEXT, new_text TEXT, row_kind TEXT, row_id INTEGER, reason TEXT, who TEXT, at_us INTEGER)"
        )
        store.connection.execute("INSERT INTO resolution VALUES (1, 1, 'discarded', '', '', NULL, 'test', 'QE', 7)")
        store.connection.execute("PRAGMA user_version = 1")
    with Store.open(tmp_path / "old.db") as store:
        assert pragma(store.connection, "user_version") == SCHEMA_VERSION
        assert written(store.connection) == today
        assert store.faces()["lap"].tolist() == ["CI-1"] and store.watch_problems().empty
        kept = store.connection.execute("SELECT quarantine_id, how, reason, who, at_us FROM resolution").fetchall()
        assert kept == [(1, "discarded", "test", "QE", 7)]


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "lapcell.db"
    connect(path).close()
    monkeypatch.setattr(database, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setitem(database.MIGRATIONS, SCHEMA_VERSION, "CREATE TABLE a (x);\nCREATE TABLE a (x);\n")
    with pytest.raises(StoreError, match="cannot be opened as a store"):
        connect(path)
    monkeypatch.undo()
    connection = connect(path)
    assert pragma(connection, "user_version") == SCHEMA_VERSION
    assert not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'a'").fetchone()


def test_a_version_without_a_way_up_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "lapcell.db"
    connect(path).close()
    monkeypatch.setattr(database, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    with pytest.raises(StoreError, match=f"schema version {SCHEMA_VERSION}, from which no way up is known"):
        connect(path)


def test_a_newer_file_is_refused(tmp_path):
    path = tmp_path / "lapcell.db"
    connection = connect(path)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 7}")
    connection.close()
    with pytest.raises(
        StoreError, match=rf"schema version {SCHEMA_VERSION + 7}, this program knows up to {SCHEMA_VERSION}; use"
    ):
        connect(path)


@pytest.mark.parametrize("what", ["text", "other database", "folder"])
def test_what_is_no_store_is_refused_and_not_touched(tmp_path, what):
    path = tmp_path / "lapcell.db"
    if what == "text":
        path.write_bytes(b"operator,lap\n" * 500)
    elif what == "folder":
        path.mkdir()
    else:
        other = sqlite3.connect(path)
        other.execute("CREATE TABLE theirs (x)")
        other.commit()
        other.close()
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(StoreError, match=r"lapcell.db: (is a database of another program|cannot be opened)"):
        connect(path)
    assert (path.read_bytes() if path.is_file() else b"") == before


def test_a_missing_file_is_not_created_unless_asked(tmp_path):
    with pytest.raises(StoreError, match="no store there"):
        connect(tmp_path / "none.db", create=False)
    with pytest.raises(StoreError, match="folder .* does not exist"):
        connect(tmp_path / "none" / "lapcell.db")
    assert list(tmp_path.iterdir()) == []


def create_at_once(paths, start, faults):
    for path in paths:
        start.wait()
        try:
            connect(path).close()
        except StoreError as error:
            faults.put(str(error))


def test_processes_that_create_one_store_at_once_all_get_it(tmp_path):
    context = multiprocessing.get_context("fork")
    paths = [tmp_path / f"{number}.db" for number in range(80)]
    start, faults = context.Barrier(3), context.SimpleQueue()
    racers = [context.Process(target=create_at_once, args=(paths, start, faults)) for _ in range(3)]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join()
    assert [racer.exitcode for racer in racers] == [0, 0, 0] and faults.empty()
    assert pragma(connect(paths[-1]), "journal_mode") == "wal"


@pytest.fixture
def sealed(tmp_path, monkeypatch):
    """A store on a medium that cannot be written to; the word for it is made up, as an administrator may write all."""
    path = tmp_path / "lapcell.db"
    with Store.open(path) as store:
        store.append_face({"lap": "CI-1", "minutes": 4.0}, who="Ann")
    monkeypatch.setattr(database.os, "access", lambda path, mode: mode != os.W_OK)
    return path


@pytest.mark.parametrize("log_beside", [False, True])
def test_a_store_that_may_only_be_read_is_read_and_refuses_to_write(sealed, log_beside):
    if log_beside:  # as after a power cut
        (sealed.parent / "lapcell.db-wal").touch()
    before = sealed.read_bytes()
    with Store.open(sealed) as store:
        assert store.faces()["lap"].tolist() == ["CI-1"] and store.health()["check"] == "ok"
        with pytest.raises(StoreError, match="may only be read here, so nothing was kept: copy it to a place"):
            store.append_face({"lap": "CI-2"}, who="Ann")
    assert sealed.read_bytes() == before


def test_what_may_only_be_read_is_not_brought_up(sealed, monkeypatch):
    monkeypatch.setattr(database, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    with pytest.raises(StoreError, match="older schema version.*copy it to a place that can be written to"):
        connect(sealed)
    empty = sealed.with_name("empty.db")
    empty.touch()
    with pytest.raises(StoreError, match="is no store, and none can be created where nothing can be written"):
        connect(empty)
