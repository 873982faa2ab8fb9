import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.wear.backtest import backtest, crossing_age, cut_path, interval_score, life_end
from spc.wear.time_to_limit import TimeToLimit
from spc.wear.unit_forecast import UnitPools
from spc.wear.wear_path import wear_path

# UC Berkeley milling data, NASA Ames prognostics repository, cases 1 to 8 (tests/sources/nasa_milling.json).
MILLING = Path(__file__).parents[2] / "sources" / "nasa_milling.csv"


def milling():
    data = pd.read_csv(MILLING)
    return [
        wear_path(
            str(case), g["time"], g["VB"], limit=0.45,
            covariates=[g["DOC"].iloc[0], g["feed"].iloc[0], g["material"].iloc[0]],
        )
        for case, g in data.groupby("case")
    ]  # fmt: skip


def test_crossing_is_where_the_straight_line_meets_the_limit():
    path = wear_path("a", [0, 2, 6], [0.0, 1.0, 3.0])
    assert crossing_age(path, 2.0) == 4 and crossing_age(path, 0.0) == 0 and math.isnan(crossing_age(path, 9.0))
    assert crossing_age(milling()[0], 0.45) == 41


def test_a_unit_whose_first_reading_is_at_its_limit_has_no_life_that_was_seen():
    over, seen = (wear_path(name, [5, 7, 9], low, limit=2.0) for name, low in (("a", [2, 3, 4]), ("b", [1, 3, 4])))
    assert math.isnan(life_end(over)) and life_end(seen) == 6 and math.isnan(life_end(wear_path("c", [], [], limit=2)))
    (held,) = backtest([over, seen], shares=(0.5,))
    assert [unit.unit for unit in held.units] == ["b"]


def test_cut_keeps_the_reading_at_the_cut():
    assert cut_path(wear_path("a", [0, 2, 6], [0, 1, 3]), 2.0).age.tolist() == [0, 2]
    assert 0.75 * 1.2 < 0.9  # by its last bit
    assert cut_path(wear_path("a", [0, 0.9, 1.2], [0, 1, 3]), 0.75 * 1.2).age.size == 2


def test_interval_score_by_hand():
    assert interval_score(2, 5, 4, level=0.9) == 3
    assert interval_score(2, 5, 6, level=0.9) == pytest.approx(23)
    assert interval_score(2, 5, 1.5, level=0.8) == pytest.approx(8)


def test_a_share_asked_twice_is_held_once():
    (held,) = backtest([wear_path("a", [0, 1, 2], [0, 0.5, 1], limit=1.0)], shares=(0.5, 0.5))
    assert [u.status for u in held.units] == ["refused"]


def test_a_range_that_is_open_from_its_beginning_has_no_width(monkeypatch):
    open_ended = {"horizon": 30.0, "now": 10.0, "level": 0.9, "crossing": "reading", "unit": "", "sentence": ""}
    words = {"borrowed": "", "own_readings": 1, "past_cycles": 3, "shape": "", "shape_share": 0.0, "own_way_share": 0.0}
    rest = open_ended | words | {"fan": None, "draws": np.empty(0)}
    for low, width in ((None, 0.0), (12.0, 18.0)):
        answer = TimeToLimit("range", low, None, None, **rest)
        monkeypatch.setattr(UnitPools, "forecast", lambda *_, answer=answer, **__: answer)
        held = backtest([wear_path("a", [0, 1, 60], [0, 0.5, 1], limit=1.0)], shares=(0.5,))[0]
        assert (held.median_width, held.mean_score) == (width, width)


def test_summary_adds_up():
    held = backtest(milling()[:4], shares=[0.5])[0]
    assert held.units[0].truth == 41
    read = [u for u in held.units if u.status == "range"]
    assert held.covered == sum(u.inside for u in read)
    assert held.median_abs_error == pytest.approx(np.median([abs(u.error) for u in read]))
    assert all(u.low <= u.median <= u.high for u in read)
