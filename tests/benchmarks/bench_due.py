"""`lapcell due` on the invented cell in a fresh process: right after `lapcell demo`, live, and with nothing kept.

Run: python -m pytest tests/benchmarks/bench_due.py -o python_files='bench_*.py' -s
Seconds of the processor are in the extra info and printed: on a busy machine they tell more than the clock on the wall.
"""

import os
import resource
import subprocess
import sys

import pytest


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    folder = tmp_path_factory.mktemp("due")
    kept = os.environ | {"LAPCELL_CACHE": str(folder / "kept"), "OPENBLAS_NUM_THREADS": "1"}
    lapcell(kept, "demo", "--keep", str(folder / "demo"), "--no-serve")
    settings = (folder / "demo" / "lapcell.toml").read_text(encoding="utf-8")
    live = "\n".join(line for line in settings.splitlines() if not line.startswith("clock"))
    (folder / "live.toml").write_text(live, encoding="utf-8")
    return folder, kept


def lapcell(environment, *arguments):
    command = [sys.executable, "-m", "spc.cli", *arguments]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


@pytest.mark.parametrize("way", ["kept by demo", "live, fits kept", "nothing kept"])
def test_due_in_a_fresh_process(benchmark, cell, way):
    folder, kept = cell
    environment = kept | {"LAPCELL_CACHE": "off"} if way == "nothing kept" else kept
    settings = ["--settings", str(folder / "live.toml")] if way.startswith("live") else []
    used = []

    def due():
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        said = lapcell(environment, "due", "--store", str(folder / "demo" / "lapcell.db"), *settings)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return said

    said = benchmark.pedantic(due, rounds=3, warmup_rounds=1 if way.startswith("live") else 0)
    assert "Faces left" in said
    benchmark.extra_info["processor_s"] = used
    print(f"\n{way}: {', '.join(f'{s:.2f}' for s in used)} s of the processor")
