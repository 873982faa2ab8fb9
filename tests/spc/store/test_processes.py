"""Several processes on one file: nothing is lost, nothing is locked out, a kill loses nothing that was finished."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time

from spc.store.store import Store

FACES = 40


def write_faces(path, lap, ready):
    ready.wait()
    with Store.open(path) as store:
        for number in range(FACES):
            store.append_face({"lap": lap, "serial": str(number), "minutes": 1.0 + number}, who=lap)


def test_two_writers_and_a_reader_at_once(tmp_path):
    path = tmp_path / "lapcell.db"  # not there yet: the writers race to create it
    context = multiprocessing.get_context("spawn")
    ready = context.Event()
    writers = [context.Process(target=write_faces, args=(path, lap, ready)) for lap in ("CI-1", "CI-2")]
    for writer in writers:
        writer.start()
    ready.set()
    seen = [0]
    while any(writer.is_alive() for writer in writers):
        if path.exists():
            with Store.open(path) as store:
                seen.append(len(store.faces()))
        time.sleep(0.02)
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    assert seen == sorted(seen)  # a reader never sees fewer faces than before
    with Store.open(path) as store:
        assert store.faces(lap="CI-1")["serial"].tolist() == [str(number) for number in range(FACES)]
        assert len(store.faces()) == 2 * FACES and store.revision() == 2 * FACES


KILLED = """
import sys
from spc.store.store import Store
with Store.open(sys.argv[1]) as store:
    for number in range(1000):
        store.append_face({"lap": "CI-1", "serial": str(number)}, who="Ann")
        print(number, flush=True)
"""


def test_what_was_finished_survives_a_kill(tmp_path):
    path = tmp_path / "lapcell.db"
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True, cwd=os.getcwd()
    ) as writer:
        said = [writer.stdout.readline() for _ in range(15)]
        os.kill(writer.pid, signal.SIGKILL)
        said += writer.stdout.read().split()
    last = int(said[-1])
    with Store.open(path) as store:
        held = store.faces()["serial"].astype(int).tolist()
        assert store.health()["check"] == "ok"
    assert held in (list(range(last + 1)), list(range(last + 2)))  # the next may have been finished and not yet told


FULL = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
from spc.store.database import StoreError, connect
try:
    connect(sys.argv[1])
except StoreError as error:
    print(error)
"""


def test_where_no_more_can_be_written_the_reason_is_told_and_the_file_can_still_become_a_store(tmp_path):
    path = tmp_path / "lapcell.db"
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(path)], capture_output=True, text=True, check=True, cwd=os.getcwd()
    )
    assert "cannot be opened as a store: disk I/O error" in done.stdout
    with Store.open(path) as store:
        assert store.health()["check"] == "ok"
