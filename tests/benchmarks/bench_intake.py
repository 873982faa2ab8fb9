"""A million rows into the store, and logs again: `pytest tests/benchmarks -o python_files='bench_*.py' -s`.

Each round runs in a process of its own, so that the largest memory it held can be told; both figures are printed.
"""

import subprocess
import sys

import numpy as np
import pytest

N_ROWS = 1_000_000
HEAD = "time,operator,lap,grit,part,serial,face,minutes,flatness (bands),lamp,finish (um),outcome\n"
TAKE_IN = """
import resource, sys, time
from pathlib import Path
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

start = time.perf_counter()
with Store.open(sys.argv[2]) as store:
    result = ingest(store, Path(sys.argv[1]), name="log.csv", settings=Settings(time_zone="Europe/Vienna"))
seconds = time.perf_counter() - start
assert result.faces + result.quarantined == result.rows and result.doubles == 0
print(f"{result.rows} {seconds} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}")
"""


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    rng = np.random.default_rng(1)
    start = np.datetime64("2024-01-01T06:00")
    times = np.char.replace((start + np.arange(N_ROWS).astype("m8[m]")).astype(str), "T", " ")
    columns = [
        rng.integers(6, size=N_ROWS),
        rng.integers(24, size=N_ROWS),
        rng.integers(25, size=N_ROWS),
        rng.integers(3, 25, size=N_ROWS),
        rng.integers(9, size=N_ROWS) / 2,
        rng.gamma(4, 0.02, size=N_ROWS),
    ]
    path = tmp_path_factory.mktemp("intake") / "log.csv"
    with path.open("w") as file:
        file.write(HEAD)
        for number, (time, who, lap, part, minutes, bands, ra) in enumerate(zip(times, *columns, strict=True)):
            said = (
                f"{time},Reader {who},CI-{lap},15 um,SP-{part},S{number:07d},A,{minutes},{bands:g},helium,{ra:.3f},ok\n"
            )
            file.write(said)
    return path


def test_million_rows_into_the_store(benchmark, log, tmp_path):
    figures = []

    def take_in():
        path = tmp_path / f"{len(figures)}.db"
        done = subprocess.run([sys.executable, "-c", TAKE_IN, str(log), str(path)], capture_output=True, check=True)
        rows, seconds, mib = map(float, done.stdout.split())
        figures.append((rows / seconds, mib))

    benchmark.pedantic(take_in, rounds=3)
    for rate, mib in figures:
        print(f"\n{rate:,.0f} rows/s, {mib:.0f} MiB at most")


AGAIN = """
import sys, time
from pathlib import Path
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

first = Path(sys.argv[1]).read_text()
row = first.rsplit("\\n", 2)[1]
grown = first + "".join(row.replace("CI-", f"NEW-{n}-") + "\\n" for n in range(1000))
changed = grown.replace(",helium,0.0", ",helium,0.1", 1000)
with Store.open(sys.argv[2]) as store:
    for text in (first, grown, changed):
        start = time.process_time()
        result = ingest(store, text.encode(), name="log.csv", settings=Settings(time_zone="Europe/Vienna"))
        print(result.rows, result.faces, result.new_versions, time.process_time() - start)
"""


def test_fifty_thousand_rows_again_with_a_thousand_changed_or_new(log, tmp_path):
    short = tmp_path / "short.csv"
    with log.open() as whole, short.open("w") as file:
        file.writelines(line for _, line in zip(range(50_001), whole, strict=False))
    done = subprocess.run([sys.executable, "-c", AGAIN, str(short), str(tmp_path / "again.db")], capture_output=True,
                          check=True, text=True)  # fmt: skip
    figures = [list(map(float, line.split())) for line in done.stdout.splitlines()]
    assert [figure[1:3] for figure in figures[1:]] == [[1000, 0], [1000, 1000]]
    for what, figure in zip(("new", "grown", "changed"), figures, strict=True):
        print(f"\n{what}: {figure[3]:.2f} s of processor time")
