"""Writes an invented log of a million faces on 24 laps with their wear and their events; seeded.

`python -m tests.benchmarks.million_faces LOG.csv` writes it by itself.
"""

import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from spc.settings import KnownLap, Settings

LAPS = tuple(f"CI-{number:02d}" for number in range(1, 25))
SECONDS_BETWEEN = 30
_START = datetime(2024, 1, 1, 6, 0)
_HEAD = "time,operator,lap,grit,part,serial,face,minutes,flatness (bands),lamp,finish (um),outcome,event\n"
_GRITS = ("15 um", "6 um", "3 um")


def write_log(path: Path, *, n_faces: int, seed: int = 11) -> Settings:
    """Write the log; give the site settings under which it is to be looked at, its clock at the end of the log."""
    rng = np.random.default_rng(seed)
    n_laps = len(LAPS)
    per_face = rng.uniform(0.001, 0.003, size=n_laps)  # growth in bands
    planned = rng.integers(300, 500, size=n_laps)
    age = np.zeros(n_laps, dtype=np.int64)
    noise, minutes = rng.normal(scale=0.2, size=n_faces), rng.integers(6, 18, size=n_faces)
    finish, who, part = rng.gamma(40, 0.002, size=n_faces), rng.integers(6, size=n_faces), rng.integers(3, size=n_faces)
    with path.open("w", encoding="utf-8") as file:
        file.write(_HEAD)
        for number in range(n_faces):
            lap = number % n_laps
            grit = _GRITS[lap % len(_GRITS)]
            at = _START + timedelta(seconds=number * SECONDS_BETWEEN)
            named = f"Reader {who[number]},{LAPS[lap]},{grit}"
            worn = age[lap] >= planned[lap]
            if worn or (age[lap] and age[lap] % 60 == 0):
                before = (at - timedelta(seconds=10)).isoformat(sep=" ")
                file.write(f"{before},{named},,,,,,,,,{'reconditioned' if worn else 'recharged'}\n")
            if worn:
                age[lap], planned[lap] = 0, rng.integers(300, 500)
            age[lap] += 1
            bands = max(0.0, round(2 * (0.5 + per_face[lap] * age[lap] + noise[number])) / 2)
            file.write(
                f"{at.isoformat(sep=' ')},{named},SP-{lap % 4}{part[number]},S{number:07d},A,{minutes[number]},"
                f"{bands:g},helium,{finish[number]:.3f},ok,\n"
            )
    end = _START + timedelta(seconds=n_faces * SECONDS_BETWEEN)
    laps = tuple(KnownLap(name, material="cast iron", home_grit=_GRITS[at % 3]) for at, name in enumerate(LAPS))
    return Settings(time_zone="UTC", laps=laps, clock=end)


if __name__ == "__main__":
    write_log(Path(sys.argv[1]), n_faces=1_000_000)
