"""Remembered streams and charts equal those made anew, whatever was written in between."""

import numpy as np
import pandas as pd
import pytest

from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.guard_calls import calls_on_lap
from spc.board.guard_signals import guard_signals
from spc.board.stream_memory import streams_of_cell
from spc.chart.stream import SIGNS, stream_of
from spc.settings import Settings
from spc.store.store import Store
from spc.wear.grit_guard import guard_grit


def log(store, lap, number, bands):
    at = pd.Timestamp("2026-03-02 08:00", tz="UTC") + pd.Timedelta(minutes=10 * number)
    face = {"lap": lap, "serial": f"S{number}", "time_utc": at, "minutes": 5.0, "grit": "15 um", "grit_um": 15.0}
    face |= {"flatness_low_um": 0.29 * (bands - 0.2), "flatness_high_um": 0.29 * (bands + 0.2)}
    return store.append_face(face, who="Tester")


@pytest.fixture
def store(tmp_path):
    rng = np.random.default_rng(3)
    with Store.open(tmp_path / "lapcell.db") as opened:
        with opened.writing(who="Tester", what="two laps"):
            for number in range(80):
                log(opened, f"CI-{number % 2}", number, float(rng.integers(1, 5)) / 2)
        yield opened


def look(store):
    view = look_at_cell(store, Settings(time_zone="UTC"))
    return view, streams_of_cell(view)


def assert_as_made_anew(view, streams):
    for (lap, sign), stream in streams.items():
        anew = stream_of(view.faces_of(lap), lap=lap, sign=sign)
        for name in ("face_id", "low", "high", "age_faces", "cycle", "fresh", "part"):
            np.testing.assert_array_equal(getattr(stream, name), getattr(anew, name))


def test_only_the_lap_that_changed_is_made_anew(store):
    before = look(store)[1]
    log(store, "CI-1", 81, 1.5)
    view, after = look(store)
    assert all(after["CI-0", sign] is before["CI-0", sign] for sign in SIGNS)
    assert len(after["CI-1", "flatness"]) == len(before["CI-1", "flatness"]) + 1
    assert_as_made_anew(view, after)


def test_a_reconditioning_begins_a_cycle_in_rows_read_before(store):
    look(store)
    at = pd.Timestamp("2026-03-02 15:01", tz="UTC")
    store.append_event({"lap": "CI-0", "event": "reconditioned", "time_utc": at}, who="Tester")
    view, after = look(store)
    assert set(after["CI-0", "flatness"].cycle.tolist()) == {1, 2}
    assert_as_made_anew(view, after)
    charts = chart_cell(view).charts
    assert charts["CI-0", "flatness"].replayed.stream is after["CI-0", "flatness"]
    assert chart_cell(look(store)[0]).charts["CI-0", "flatness"] is charts["CI-0", "flatness"]


def test_guards_of_one_lap_are_its_part_of_the_cells(store):
    store.append_event({"lap": "CI-1", "event": "charged", "grit": "60 um", "grit_um": 60.0}, who="Tester")
    for lap in ("CI-0", "CI-1"):
        store.set_lap(lap, home_grit="15 um", who="Tester")
    view = look(store)[0]
    calls = guard_grit(view.faces, view.events, view.laps)
    assert [call.lap for call in calls] == ["CI-1"]
    assert calls_on_lap(view, "CI-1") == calls
    assert calls_on_lap(view, "CI-0") == ()


def test_a_scratch_says_what_it_shared_with_other_laps(store):
    log(store, "CI-0", 80, 1.0)
    at = pd.Timestamp("2026-03-02 21:25", tz="UTC")
    coarse = {"lap": "CI-9", "serial": "S81", "grit": "60 um", "grit_um": 60.0, "time_utc": at}
    store.append_face(coarse, who="Tester")
    scratched = coarse | {"lap": "CI-0", "grit": "15 um", "grit_um": 15.0, "time_utc": at + pd.Timedelta(minutes=5)}
    store.append_face(scratched | {"scratch": True}, who="Tester")
    for _ in range(2):
        view = look(store)[0]
        (whole,) = (call for call in guard_grit(view.faces, view.events, view.laps) if call.guard == "scratch")
        assert "the part came from CI-9" in whole.evidence
        (signal,) = guard_signals(view, "CI-0")
        assert signal.sentence == f"{whole.sentence} {whole.evidence[:1].upper()}{whole.evidence[1:]}."
        log(store, "CI-1", 95, 1.0)  # after the scratch: what came before it is as it was
