"""The board over a store of a million faces on 24 laps: cold, at an unchanged store, and after one more face."""

import itertools

import pandas as pd
import pytest

from spc.board.lap_report import report_lap
from spc.board.shift import report_shift
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
        yield store, settings


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
    store, settings = cell
    report = benchmark.pedantic(report_lap, (store, LAPS[2], settings), rounds=5, warmup_rounds=1)
    assert report.lap == LAPS[2]


def test_lap_report_after_one_more_face(benchmark, cell, log_a_face):
    store, settings = cell
    benchmark.pedantic(report_lap, (store, LAPS[2], settings), setup=log_a_face, rounds=5)


def test_shift_report(benchmark, cell):
    store, settings = cell
    report = benchmark.pedantic(report_shift, (store, settings), rounds=3, warmup_rounds=1)
    assert len(report.laps) == len(LAPS)


def test_shift_report_after_one_more_face(benchmark, cell, log_a_face):
    store, settings = cell
    benchmark.pedantic(report_shift, (store, settings), setup=log_a_face, rounds=3)
