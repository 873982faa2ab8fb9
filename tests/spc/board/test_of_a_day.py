"""A reconditioning logged on a day among whose faces a date alone does not place it: one took place, and one counts.

An invented lap whose readings rise by 6 % a face and begin anew at every reconditioning, 12 faces a day.
"""

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.lap_age import age_of_lap
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

SITE = Settings(time_zone="UTC", date_order="ymd", decimal=".")
LIVES = (21, 22, 23, 20, 21)  # the first began before the log did
RUNS = 14


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    return tmp_path / "lapcell.db"


def logged(path, *, faces_timed, events_timed, slope=0.06, twice=False):
    """Log faces in one file and the reconditionings in another, each with times or with dates alone."""
    rng = np.random.default_rng(1)
    ages = np.concatenate([np.arange(n) for n in (*LIVES, RUNS)])
    at = [
        pd.Timestamp("2026-03-02 07:00") + pd.Timedelta(days=n // 12, minutes=75 * (n % 12)) for n in range(ages.size)
    ]
    flatness = 0.2 * np.exp(slope * ages + rng.normal(0, 0.1, ages.size))
    begun = [at[n] - pd.Timedelta(minutes=30) for n in range(1, ages.size) if ages[n] == 0]

    def said(moment, timed):
        return f"{moment:%Y-%m-%d %H:%M}" if timed else f"{moment:%Y-%m-%d}"

    rows = [f"{said(t, faces_timed)},K1,P1,5.0,{f:.3f}\n" for t, f in zip(at, flatness, strict=True)]
    files = {"faces": "time,lap,part,minutes,flatness um\n" + "".join(rows)}
    for timed in (events_timed, not events_timed)[: 1 + twice]:
        lines = "".join(f"{said(t, timed)},K1,reconditioned,worn\n" for t in begun)
        files[f"register {timed}"] = f"time,lap,event,reason\n{lines}"
    with Store.open(path) as store:
        store.set_limit("*", "flatness", upper_um=0.8, upper_text="0.8 um", who="QE")
        for name, text in files.items():
            taken = ingest(store, text.encode(), name=f"{name}.csv", settings=SITE, who="QE")
            assert not taken.refused and taken.quarantined == 0, taken


def lives(path):
    view, _, room = Board(path, SITE).look()
    found = age_of_lap(view, "K1", room=room, planned_cost=1.0, worn_cost=4.0).plan.lifetimes
    return list(zip(found.low.tolist(), found.high.tolist(), strict=True))


BY_DATE = [(False, True), (True, False), (False, False)]  # faces, events: which of them have a time of day


@pytest.mark.parametrize(("faces_timed", "events_timed"), BY_DATE)
def test_the_readings_tell_the_place_nothing_is_asked_and_it_is_said(path, faces_timed, events_timed):
    logged(path, faces_timed=faces_timed, events_timed=events_timed)
    report = Board(path, SITE).lap("K1")
    assert report.asked == () and report.age_faces == RUNS
    assert lives(path) == [*((n, n) for n in LIVES[1:]), (RUNS, np.inf)]
    (said,) = (line for line in report.data_health if "a date alone" in line)
    assert said.startswith("K1: 5 reconditionings, the last on 2026-03-10") and "where the readings begin anew." in said


@pytest.mark.parametrize(("faces_timed", "events_timed"), BY_DATE)
def test_where_the_readings_do_not_tell_the_lives_are_as_wide_as_the_day(path, faces_timed, events_timed):
    logged(path, faces_timed=faces_timed, events_timed=events_timed, slope=0.0)
    report = Board(path, SITE).lap("K1")
    assert report.asked == ()
    told = lives(path)
    assert all(low <= true <= high for true, (low, high) in zip((*LIVES[1:], RUNS), told, strict=True))
    assert any(low < high for low, high in told[:-1])
    assert any("before the faces of that day" in line for line in report.data_health)


@pytest.mark.parametrize("slope", [0.06, 0.0])
@pytest.mark.parametrize(("faces_timed", "events_timed"), BY_DATE)
def test_one_reconditioning_in_two_files_counts_once(path, faces_timed, events_timed, slope):
    logged(path, faces_timed=faces_timed, events_timed=events_timed, slope=slope, twice=True)
    view, _, _ = Board(path, SITE).look()
    assert len(view.cycles_of("K1")) == 1 + len(LIVES)
    assert Board(path, SITE).lap("K1").asked == ()
