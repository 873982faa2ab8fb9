"""Signals of the charts in words: a drift is told against what is usual for the very faces it is told of."""

import re
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from spc.board.board import Board
from spc.board.cell_charts import CellCharts
from spc.board.open_signals import open_signals
from spc.chart.replay import DRIFTING, replay
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import events_of, faces_of, fill


@pytest.mark.parametrize("seed", [1, 2])
def test_a_drift_up_shows_more_than_is_usual_at_the_age_of_its_faces(tmp_path, monkeypatch, seed):
    """Minutes that climb through every cycle: what is usual late in a cycle is more than what is usual early."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    n = 40 * 4 + 34
    faces = faces_of("K1", n, np.random.default_rng(seed))
    age = np.arange(n) % 40
    late = np.where(np.arange(n) >= n - 14, 1.2, 1.0)
    faces = faces.assign(minutes=(faces["minutes"] * np.exp(0.02 * age) * late).round(1))
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces, events_of("K1", n))
    report = Board(tmp_path / "cell.db", Settings(time_zone="UTC")).lap("K1")
    told = [s.sentence for s in report.signals if s.sign == "minutes" and s.rule == DRIFTING]
    assert told
    shown, usual = (float(v) for v in re.search(r": ([\d.]+) min where ([\d.]+) min is usual", told[0]).groups())
    assert shown > usual


N = 20  # faces of the running cycle, after four of 40


@pytest.fixture
def drawn(tmp_path, monkeypatch):
    """Signals of a lap whose last cycle ran over two days, its chart told where it spoke, counted from the end."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    n = 40 * 4 + N
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces_of("K1", n, np.random.default_rng(3)), events_of("K1", n))
    clock = datetime(2026, 1, 5, 9) + timedelta(days=(n - 1) // 12, hours=6)
    board = Board(tmp_path / "cell.db", Settings(time_zone="UTC", clock=clock))
    view, cell, _ = board.look()
    judged = cell.charts["K1", "flatness"].replayed

    def told(beyond=(), drifting=(), **judged_by):
        spoke, since = np.zeros((2, len(judged.stream)), dtype=bool), np.arange(len(judged.stream))
        for place in beyond:
            spoke[0, place] = True
        for place, begun in drifting:
            spoke[1, place], since[place] = True, len(since) + begun
        chart = replace(
            cell.charts["K1", "flatness"],
            replayed=replace(judged, beyond=spoke[0], drifting=spoke[1], since=since, **judged_by),
        )
        none = {key: replace(c, replayed=replay(c.replayed.stream, ())) for key, c in cell.charts.items()}
        charts = CellCharts(cell.plan, none | {("K1", "flatness"): chart}, cell.begun)
        return open_signals(view, charts, "K1"), view.faces_of("K1")["face_id"].tolist()

    return told


@pytest.mark.parametrize(
    ("beyond", "drifting", "words"),
    [
        ([-1], [], "is beyond its chart limit with the last face:"),
        ([-6], [], "was beyond its chart limit 5 faces ago:"),
        ([-2], [], "was beyond its chart limit 1 face ago:"),
        (range(-8, 0), [], "has been beyond its chart limit since 7 faces ago:"),
        (range(-10, -3), [], "was beyond its chart limit from 9 to 3 faces ago:"),
        ([-9, -1], [], "is beyond its chart limit with the last face:"),
        (
            [-2, -1],
            [(-3, -7)],
            "beyond its chart limit since 1 face ago, after signals since about 6 faces ago:",
        ),
        ([], [(-1, -5)], "has drifted up since about 4 faces ago:"),
        ([], [(-9, -14), (-4, -8), (-1, -3)], "has drifted up since about 13 faces ago:"),  # never back at the centre
        ([], [(-9, -14), (-1, -3)], "has drifted up since about 2 faces ago:"),
        ([-1], [(-1, -9)], "is beyond its chart limit with the last face:"),  # the average speaks of that face alone
        ([-5], [(-1, -4)], "has drifted up since about 4 faces ago:"),
        ([], [(-4, -9)], "drifted up from about 8 to 3 faces ago:"),
        ([], [(-4, -4)], "drifted up 3 faces ago:"),
        ([], [(-2, -9)], "drifted up from about 8 to 1 face ago:"),
    ],
)
def test_a_spell_is_told_from_its_first_face_to_its_last(drawn, beyond, drifting, words):
    (signal,), _ = drawn(beyond, drifting)
    assert words in signal.sentence


def test_a_drift_up_in_a_low_cycle_is_told_against_what_its_cycle_foretold(drawn):
    """Judged by its own cycle, which is lower than others: 'up, 0.32 um where 0.33 um is usual' contradicts itself."""
    faces = 4 * 40 + N
    (signal,), _ = drawn(drifting=[(-1, -5)], centre=np.full(faces, 99.0), foretold=np.full(faces, 0.01))
    assert re.search(r": 1 band where its cycle so far foretold 0\.034 bands.*; 337 bands is usual\.", signal.sentence)


def test_what_speaks_after_an_answer_is_open_anew_and_told_from_where_the_spell_began(drawn, monkeypatch):
    _, faces = drawn()
    dealt_with = set(faces[:-3])
    monkeypatch.setattr("spc.board.open_signals.is_answered", lambda view, lap, sign, face: face in dealt_with)
    (signal,), _ = drawn(range(-8, 0))
    assert "has been beyond its chart limit since 7 faces ago:" in signal.sentence
    assert signal.spoke_face_id == signal.since_face_id == faces[-3] and signal.since_faces == 2
