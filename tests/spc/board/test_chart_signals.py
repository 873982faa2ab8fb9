"""Signals of the charts in words: a drift is told against what is usual for the very faces it is told of."""

import re

import numpy as np
import pytest

from spc.board.board import Board
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
    late = np.where(np.arange(n) >= n - 14, 1.15, 1.0)
    faces = faces.assign(minutes=(faces["minutes"] * np.exp(0.02 * age) * late).round(1))
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces, events_of("K1", n))
    report = Board(tmp_path / "cell.db", Settings(time_zone="UTC")).lap("K1")
    told = [s.sentence for s in report.signals if s.sign == "minutes" and "drifts up" in s.sentence]
    assert told
    shown, usual = (float(v) for v in re.search(r": ([\d.]+) min where ([\d.]+) min is usual", told[0]).groups())
    assert shown > usual
