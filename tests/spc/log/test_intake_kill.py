"""A file whose intake is killed in the middle is not in the store at all."""

import os
import signal
import subprocess
import sys

import pytest

from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,serial,minutes,flatness (um),finish (um)\n"
KILLED = """
import os, signal, sys
from pathlib import Path
from spc.log import intake
from spc.settings import Settings
from spc.store.store import Store

intake.CHUNK_ROWS = 500
point = sys.argv[3]
def progress(done, of):
    if point == "half way" and done >= of / 2 or point == "last row" and done == of:
        os.kill(os.getpid(), signal.SIGKILL)

with Store.open(sys.argv[1]) as store:
    intake.ingest(store, Path(sys.argv[2]), name="log.csv", settings=Settings(), progress=progress)
print("finished")
"""


@pytest.mark.parametrize("point", ["half way", "last row", "never"])
def test_a_kill_takes_nothing_in_and_the_next_try_takes_all(tmp_path, point):
    file, path = tmp_path / "log.csv", tmp_path / "lapcell.db"
    rows = [f"2026-03-04 {h:02d}:{m:02d}:{s:02d},Ann,CI-1,15 um,{h}-{m}-{s},5,0.3,0.08\n"
            for h in range(6) for m in range(60) for s in range(0, 60, 10)]  # fmt: skip
    file.write_text(HEAD + "".join(rows))
    with Store.open(path) as store:
        store.append_face({"lap": "CI-1", "serial": "before"}, who="Ann")
        revision = store.revision()
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(path), str(file), point], capture_output=True, text=True, cwd=os.getcwd()
    )
    finished = point == "never"
    assert done.returncode == (0 if finished else -signal.SIGKILL), done.stderr
    with Store.open(path) as store:
        assert len(store.faces()) == 1 + len(rows) * finished
        assert store.revision() == revision + finished and len(store.intakes()) == 1 + finished
        assert store.health()["check"] == "ok"
        result = ingest(store, file, name="log.csv", settings=Settings())
        assert (result.faces, result.doubles) == ((0, len(rows)) if finished else (len(rows), 0))
        assert len(store.faces()) == 1 + len(rows)
