"""Small reads and writes of a store that holds a million faces."""

import itertools

import numpy as np
import pandas as pd
import pytest

from spc.store.frames import FACES, frame
from spc.store.identity import RowKeys
from spc.store.store import Store

N_FACES = 1_000_000
MOMENT = pd.Timestamp("2024-01-01", tz="UTC")


def chunk(rng, first, n):
    """Make faces a minute apart on 24 laps."""
    number = np.arange(first, first + n)
    pick = {name: pd.Categorical.from_codes(rng.integers(len(words), size=n), categories=words) for name, words in {
        "lap": [f"CI-{lap}" for lap in range(24)], "operator": [f"Reader {who}" for who in range(6)],
        "part": [f"SP-{part}" for part in range(25)],
    }.items()}  # fmt: skip
    bands = rng.integers(9, size=n) / 2
    blank = {"str": "", "int64": 1, "float64": np.nan, "bool": False}
    data = {name: np.full(n, blank.get(kind, np.nan), dtype=object if kind == "str" else kind)
            for name, kind in FACES.items() if name != "time_utc"}  # fmt: skip
    data |= {"kind": np.full(n, "face", dtype=object), "serial": np.char.add("S", number.astype(str)).astype(object)}
    data |= {"row_number": number + 1, "sort_us": MOMENT.value // 1000 + number * 60_000_000}
    data |= {"flatness_low_um": np.maximum(0, bands - 0.25) * 0.29378, "flatness_high_um": (bands + 0.25) * 0.29378}
    data |= {"flatness_text": np.char.mod("%g", bands).astype(object), "minutes": rng.integers(3, 25, size=n) * 1.0}
    rows = frame(FACES, data | {"time_utc": data["sort_us"]})
    return rows.assign(**pick)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    rng = np.random.default_rng(2)
    with Store.open(tmp_path_factory.mktemp("store") / "lapcell.db") as opened:
        with opened.writing(who="", what="a million faces"):
            for first in range(0, N_FACES, 100_000):
                rows = chunk(rng, first, 100_000)
                keys = RowKeys(
                    *(rng.integers(1 << 60, size=len(rows)) for _ in range(2)), np.ones(len(rows)), np.zeros(1)
                )
                opened.face_table.add(rows, identity=keys.identity, content=keys.content)
        yield opened


def test_last_500_faces_of_one_lap(benchmark, store):
    assert len(benchmark(store.faces, lap="CI-3", last=500)) == 500


def test_last_500_faces_of_the_cell(benchmark, store):
    assert len(benchmark(store.faces, last=500)) == 500


def test_append_one_face(benchmark, store):
    count = itertools.count()

    def append():
        number = next(count)
        at = MOMENT + pd.Timedelta(days=900, minutes=number)
        face = {"lap": "CI-3", "operator": "Reader 1", "part": "SP-1", "serial": f"new {number}", "minutes": 5.0}
        face |= {"flatness_low_um": 0.2, "flatness_high_um": 0.4, "flatness_text": "1", "time_utc": at}
        store.append_face(face, who="Reader 1")

    benchmark(append)


def test_ask_for_the_revision(benchmark, store):
    assert benchmark(store.revision) > 0


def test_every_face(benchmark, store):
    faces = benchmark.pedantic(store.faces, rounds=1)
    assert len(faces) >= N_FACES
