"""The board over a store of a million faces on 24 laps: at an unchanged store, and after one more face.

Every round asks a new board, and no shift report is kept from the round before.
"""

import itertools

import pandas as pd
import pytest

from spc.board import board
from spc.log.intake import ingest
from spc.store.store import Store
from tests.benchmarks.million_faces import LAPS, write_log

N_FACES = 1_000_000


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board")
    settings = write_log(folder / "log.csv", n_faces=N_FACES)
    with Store.open(folder / "lapcell.db") as store:
        assert ingest(store, folder / "log.csv", name="log.csv", settings=settings).faces == N_FACES
        store.set_limit("*", "flatness", upper_um=0.6, upper_text="2 bands", who="benchmark", why="invented")
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(board, "find_kept", lambda _kind, _digest: None)
            yield store, settings


def lap_report(store, settings):
    return board.Board(store.path, settings).lap(LAPS[2])


def shift_report(store, settings):
    return board.Board(store.path, settings).shift()


@pytest.fixture
def log_a_face(cell):
    store, settings = cell
    count = itertools.count()

    def log():
        number = next(count)
        at = pd.Timestamp(settings.clock, tz="UTC") - pd.Timedelta(seconds=1) * (20 - number % 20)
        face = {"lap": LAPS[2], "operator": "Reader 1", "part": "SP-20", "minutes": 8.0, "time_utc": at}
        face |= {"serial": f"{id(count)} {number}", "flatness_low_um": 0.2, "flatness_high_um": 0.4}
        store.append_face(face | {"flatness_text": "1"}, who="Reader 1")

    return log


def test_lap_report(benchmark, cell):
    report = benchmark.pedantic(lap_report, cell, rounds=5, warmup_rounds=1)
    assert report.lap == LAPS[2]


def test_lap_report_after_one_more_face(benchmark, cell, log_a_face):
    benchmark.pedantic(lap_report, cell, setup=log_a_face, rounds=5)


def test_shift_report(benchmark, cell):
    report = benchmark.pedantic(shift_report, cell, rounds=3, warmup_rounds=1)
    assert len(report.laps) == len(LAPS)


def test_shift_report_after_one_more_face(benchmark, cell, log_a_face):
    benchmark.pedantic(shift_report, cell, setup=log_a_face, rounds=3)
