"""The memo of laps: the same objects as long as nothing changes, and no answer that a fresh look would not give."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.lap_memo import LapMemo
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import laps_in_use

SITE = Settings(time_zone="UTC", clock=pd.Timestamp("2026-03-20 12:00").to_pydatetime())
N = 60
LAPS = ("K1", "K2")


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    return laps_in_use(tmp_path / "cell.db", LAPS, N)


def shown(path):
    return repr(Board(path, SITE).shift())


def test_only_the_lap_that_changed_is_worked_out_anew(path, monkeypatch):
    from spc.board import missing_places

    looked = []
    real = missing_places.missing_places

    def look(signs, *told):
        looked.append(told[0]["lap"].iloc[0])
        return real(signs, *told)

    monkeypatch.setattr(missing_places, "missing_places", look)
    shown(path)
    looked.clear()
    with Store.open(path) as store:
        at = pd.Timestamp("2026-03-10 08:20", tz="UTC")
        store.append_event({"lap": "K2", "event": "reconditioned", "time_utc": at}, who="Ann")
    shown(path)
    assert looked == ["K2"]


def test_a_face_leaves_the_forecasts_of_other_laps_as_they_are(path, monkeypatch):
    from spc.board import lap_forecast

    forecast = []
    real = lap_forecast.forecast_cycle

    def look(lap, *told, **more):
        forecast.append(lap)
        return real(lap, *told, **more)

    monkeypatch.setattr(lap_forecast, "forecast_cycle", look)
    shown(path)
    assert sorted(forecast) == ["K1", "K2"]
    forecast.clear()
    with Store.open(path) as store:
        newest = store.faces(lap="K2", last=1).iloc[0].to_dict()
        later = {"time_utc": newest["time_utc"] + pd.Timedelta(minutes=20), "serial": "later"}
        store.append_face(newest | later, who="Ann")
    assert shown(path) and forecast == ["K2"]


def test_a_result_is_held_by_what_it_was_made_from():
    memo, calls = LapMemo(), []
    first, other = pd.DataFrame({"x": [1.0, np.nan]}), pd.DataFrame({"x": [1.0, np.nan]})
    assert memo.same("A", "rows", first) is first and memo.same("A", "rows", other) is first
    for _ in range(2):
        memo.once("A", "sum", (first,), lambda: calls.append(1))
    memo.once("A", "sum", (other,), lambda: calls.append(2))
    memo.once("A", "sum", (first,), lambda: calls.append(3))
    assert calls == [1, 2, 3]
    assert memo.found("A", "sum", (other,)) is None and memo.found("B", "sum", (first,)) is None


def test_what_was_made_from_a_frame_of_the_past_is_let_go():
    memo, frames = LapMemo(), [pd.DataFrame({"x": [float(k)]}) for k in range(40)]
    for rows in frames:
        memo.keep("A", "rows", (), rows)
        memo.once("A", f"sum of {rows['x'].iloc[0]}", (rows,), lambda rows=rows: float(rows["x"].sum()))
    assert memo.found("A", "sum of 39.0", (frames[39],)) == 39.0
    assert all(memo.found("A", f"sum of {k}.0", (frames[k],)) is None for k in range(39))


def test_many_threads_share_a_memo():
    memo, frames = LapMemo(), [pd.DataFrame({"x": [float(k)]}) for k in range(4)]

    def work(worker):
        for k in range(300):
            rows = memo.same(f"L{k % 7}", "rows", frames[(k + worker) % 4].copy())
            total = memo.once(f"L{k % 7}", f"sum {k % 5}", (rows,), lambda rows=rows: float(rows["x"].sum()))
            assert total == rows["x"].iloc[0]

    with ThreadPoolExecutor(8) as pool:
        assert all(done is None for done in pool.map(work, range(8)))
