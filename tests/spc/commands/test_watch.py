"""`lapcell watch` from the outside: what it prints, what it keeps, and how it ends."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from functools import partial

import pytest
from click.testing import CliRunner

from spc.cli import cli
from spc.commands import watch as watch_module
from spc.log import watch as log_watch
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,minutes,flatness (um),finish (um)\n"
ROWS = [f"2026-03-04 10:{m:02d},Ann,CI-1,15 um,SP-1,{m},5,0.3,0.08\n" for m in range(6)]
PATIENCE_S = 60.0


class Shop:
    """A folder for logs, a store beside it, and `lapcell watch` run on them."""

    def __init__(self, root):
        self.root, self.folder, self.store = root, root / "dropped", root / "lapcell.db"
        self.folder.mkdir()

    def drop(self, name, text):
        (self.folder / name).write_text(text, encoding="utf-8")

    def once(self, *words, code=0, folder=None):
        done = CliRunner().invoke(
            cli, ["watch", str(folder or self.folder), "--once", "--store", str(self.store), *words]
        )
        assert done.exit_code == code, (done.stdout, done.stderr)
        assert "Traceback" not in done.output
        return done

    def start(self, *words):
        clean = {name: value for name, value in os.environ.items() if not name.startswith("LAPCELL_")}
        command = [sys.executable, "-m", "spc.cli", "watch", str(self.folder), "--store", str(self.store), *words]
        return subprocess.Popen(command, env=clean, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def problems(self):
        with Store.open(self.store) as store:
            return store.watch_problems()[["name", "problem"]].values.tolist()

    def faces(self):
        with Store.open(self.store) as store:
            return store.faces()


@pytest.fixture
def shop(tmp_path, monkeypatch):
    hasty = partial(log_watch.FolderWatch, quiet_s=0.01, open_line_quiet_s=0.05)
    monkeypatch.setattr(log_watch, "FolderWatch", hasty)
    for name in ("LAPCELL_STORE", "LAPCELL_SETTINGS"):
        monkeypatch.delenv(name, raising=False)
    return Shop(tmp_path)


def wait_until(true, what):
    ends = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < ends, what
        time.sleep(0.05)


def test_one_run_takes_in_what_is_whole_and_accounts_for_every_file(shop):
    shop.drop("good.csv", HEAD + "".join(ROWS))
    shop.drop("notes.txt", "colour,taste\nred,sweet\n")
    done = shop.once(code=3)
    assert "good.csv: 6 rows = 6 faces\n" in done.stdout
    assert "2 files = 1 taken in + 0 held already + 0 still being written + 1 that could not be taken in" in done.stdout
    assert done.stderr.startswith("lapcell: notes.txt: ") and done.stderr.count("\n") == 1
    assert [name for name, _ in shop.problems()] == ["notes.txt"] and len(shop.faces()) == 6
    again = shop.once(code=3)
    assert "good.csv: 6 rows = 0 faces + 6 held already" in again.stdout
    (shop.folder / "notes.txt").unlink()
    assert "notes.txt: was taken away" in shop.once().stderr and shop.problems() == []


def test_rows_in_quarantine_ask_for_a_person(shop):
    shop.drop("log.csv", HEAD + ROWS[0] + ROWS[1].replace("0.3", "?"))
    assert "log.csv: 2 rows = 1 face + 1 in quarantine" in shop.once(code=1).stdout


def test_each_line_is_one_json_document(shop):
    shop.drop("good.csv", HEAD + "".join(ROWS))
    shop.drop("bad.csv", "colour,taste\nred,sweet\n")
    lines = {line["name"]: line for line in map(json.loads, shop.once("--json", code=3).stdout.splitlines())}
    assert lines["good.csv"]["what"] == "taken" and lines["good.csv"]["rows"] == lines["good.csv"]["faces"] == 6
    assert lines["bad.csv"]["what"] == "failed" and lines["bad.csv"]["rows"] is None and lines["bad.csv"]["sentence"]
    assert {line["at"][-6:] for line in lines.values()} == {"+00:00"}


def test_a_map_for_all_logs_is_given_by_option(shop):
    shop.drop("a.csv", "who,how long\nAnn,5\n")
    plan = shop.root / "plan.toml"
    plan.write_text("[columns]\noperator = 'who'\nminutes = 'how long'\n[constants]\nlap = 'CI-1'\n")
    assert "a.csv: 1 row = 1 face" in shop.once("--map", str(plan)).stdout
    plan.write_text("[columns\n")
    assert "plan.toml" in shop.once("--map", str(plan), code=3).stderr


def test_a_folder_that_is_none_is_said_in_one_sentence(shop):
    assert "there is no such folder" in shop.once(folder=shop.root / "none", code=3).stderr
    shop.drop("a.csv", HEAD)
    assert "is a file; name the folder" in shop.once(folder=shop.folder / "a.csv", code=3).stderr


def test_a_store_that_is_locked_lets_the_file_wait(shop, monkeypatch):
    monkeypatch.setattr("spc.store.database.BUSY_TIMEOUT_MS", 50)
    shop.drop("log.csv", HEAD + "".join(ROWS))
    Store.open(shop.store).close()
    other = sqlite3.connect(shop.store, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert "log.csv: waits: " in shop.once(code=3).stderr
    other.execute("ROLLBACK")
    other.close()
    assert "6 faces" in shop.once().stdout and shop.problems() == []


def test_the_rest_between_looks_spares_a_slow_drive_and_is_short_while_a_file_settles():
    def rest(every_s, **how):
        return watch_module.rest_s(every_s, **({"quiet_s": 1.0, "unsettled": False, "listing_s": 0.02} | how))

    assert rest(0.5) == 0.5 and rest(30.0) == 30.0 and rest(30.0, unsettled=True) == 1.0
    assert rest(0.5, listing_s=2.0) == 8.0 and rest(0.5, unsettled=True, listing_s=2.0) == 8.0
    assert rest(0.5, listing_s=500.0) == 60.0


def test_settings_that_change_are_in_force_and_broken_ones_are_named(shop, capsys):
    site = watch_module._Site(_session(shop))
    assert not site.changed() and site.settings.time_zone == ""
    (shop.root / "lapcell.toml").write_text("time_zone = 'Europe/Vienna'\n")
    assert site.changed() and site.settings.time_zone == "Europe/Vienna" and not site.changed()
    (shop.root / "lapcell.toml").write_text("time_zone = 'Europe/Nowhere'\n")
    assert not site.changed() and site.settings.time_zone == "Europe/Vienna"
    assert "settings read before stay in force" in capsys.readouterr().err


def _session(shop):
    from spc.cli import Session

    return Session(shop.store, None, False)


def test_a_file_dropped_again_is_said_and_kept_and_no_problem(shop, capsys):
    shop.drop("log.csv", HEAD + "".join(ROWS))
    session = _session(shop)
    site = watch_module._Site(session)
    watch = log_watch.FolderWatch(shop.folder, take=watch_module._take_into(session, site, None))
    told = watch_module._Told(session, str(shop.folder), (), once=False)

    def look_until(true):
        for _ in range(200):
            told.tell(watch.look(time.monotonic()))
            if true():
                return
            time.sleep(0.01)

    def drops():
        with Store.open(shop.store) as store:
            return store.known_drops(last=9)[["folder", "name", "sentence"]].values.tolist()

    look_until(lambda: shop.store.exists() and len(shop.faces()) == 6)
    assert drops() == []
    shop.drop("log.csv", HEAD + "".join(ROWS))
    look_until(drops)
    ((folder, name, sentence),) = drops()
    assert (folder, name) == (str(shop.folder), "log.csv") and sentence.startswith("every row is held already")
    assert "log.csv: 6 rows = 0 faces + 6 held already" in capsys.readouterr().out
    assert shop.problems() == []


def test_what_is_printed_is_in_the_store_though_the_watch_be_stopped_there(shop, monkeypatch):
    shop.drop("bad.csv", "colour,taste\nred,sweet\n")

    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(watch_module.click, "echo", stopped)
    session = _session(shop)
    watch = log_watch.FolderWatch(shop.folder, take=watch_module._take_into(session, watch_module._Site(session), None))
    told = watch_module._Told(session, str(shop.folder), (), once=False)
    with pytest.raises(KeyboardInterrupt):
        for _ in range(200):
            told.tell(watch.look(time.monotonic()))
            time.sleep(0.01)
    assert [name for name, _ in shop.problems()] == ["bad.csv"]


@pytest.fixture
def interruptible():
    """A shell that runs the tests in the background makes them, and all they start, deaf to an interrupt."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(sys.platform == "win32", reason="a signal that asks a program to end is not sent there")
@pytest.mark.parametrize("wish", [signal.SIGTERM, signal.SIGINT])
def test_a_watch_takes_in_what_is_dropped_and_ends_when_asked(tmp_path, interruptible, wish):
    shop = Shop(tmp_path)
    process = shop.start("--json", "--every", "1")
    try:
        wait_until(shop.store.exists, "the watch did not start")
        shop.drop("bad.csv", "colour,taste\nred,sweet\n")
        with (shop.folder / "log.csv").open("w", encoding="utf-8") as file:  # written in pieces, a line cut in two
            for piece in (HEAD, ROWS[0], ROWS[1][:20], ROWS[1][20:], *ROWS[2:]):
                file.write(piece)
                file.flush()
                time.sleep(0.1)
        lines = {line["name"]: line for line in (json.loads(process.stdout.readline()) for _ in range(2))}
        assert lines["log.csv"]["faces"] == 6 and lines["bad.csv"]["what"] == "failed"
        process.send_signal(wish)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
        assert out == "" and err == ""
    finally:
        process.kill()
        process.communicate()
    assert shop.faces()["version"].tolist() == [1] * 6 and [name for name, _ in shop.problems()] == ["bad.csv"]


ENDED = """
import os, signal, sys
from spc.cli import cli
from spc.store.store import Store

def ended(self, **_):  # every row is written, the transaction is not finished
    os.kill(os.getpid(), signal.SIGTERM)

Store.add_intake = ended
cli(["watch", sys.argv[1], "--store", sys.argv[2]])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a signal that asks a program to end is not sent there")
def test_a_watch_that_is_ended_in_the_middle_of_a_file_leaves_nothing_of_it(tmp_path):
    shop = Shop(tmp_path)
    shop.drop("log.csv", HEAD + "".join(ROWS))
    done = subprocess.run(
        [sys.executable, "-c", ENDED, str(shop.folder), str(shop.store)], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0 and done.stderr == "", done.stderr
    assert done.stdout.splitlines()[1:] == [
        "Stopped watching; what was printed is in the store, and nothing is half taken in."
    ]
    with Store.open(shop.store) as store:
        assert store.faces().empty and store.revision() == 0 and store.health()["check"] == "ok"
    shop.once()
    assert len(shop.faces()) == 6
