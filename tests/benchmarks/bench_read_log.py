"""Reading a log of a million rows on one core, dirty cells included."""

import numpy as np
import pytest

from spc.log.rows import scan_log
from spc.settings import Settings

N = 1_000_000
FLATNESS = ["0", "<0.5", "0.5", "1", "1.5", "2", "1-1.5", "2+", "~1", "1½", "", "-1"]
SHARES = [0.05, 0.1, 0.25, 0.2, 0.1, 0.08, 0.05, 0.04, 0.05, 0.05, 0.02, 0.01]


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    rng = np.random.default_rng(1)
    seconds = np.cumsum(rng.integers(20, 60, N)).astype("m8[s]")
    when = np.datetime_as_string(np.datetime64("2026-01-01T00:00:00") + seconds)
    lap, minutes, ra = rng.integers(0, 8, N), rng.integers(0, 40, N), rng.integers(20, 200, N)
    flatness, thickness = rng.choice(len(FLATNESS), N, p=SHARES), rng.integers(9000, 12000, N)
    path = tmp_path_factory.mktemp("bench") / "million.csv"
    with path.open("w", encoding="utf-8") as out:
        out.write("time,operator,lap,grit,part,serial,minutes,flatness (bands),lamp,Ra um,thickness mm,outcome,note\n")
        out.writelines(
            f"{when[i]}+01:00,Op {i % 4},L-{lap[i]},{'15 um' if lap[i] % 2 else 'F600'},P-{i % 30},S{i:07d},"
            f"{minutes[i]},{FLATNESS[flatness[i]]},helium,0.{ra[i]:03d},{thickness[i] / 1000:.3f},ok,\n"
            for i in range(N)
        )
    return path


def test_million_rows_understood(benchmark, log):
    scanned = benchmark.pedantic(scan_log, (log,), {"name": "m", "settings": Settings()}, rounds=3)
    assert sum(scanned.counts.values()) == N


def test_million_rows_as_frames(benchmark, log):
    def whole():
        return sum(len(f) for f in scan_log(log, name="m", settings=Settings()).frames())

    assert benchmark.pedantic(whole, rounds=3) == N
