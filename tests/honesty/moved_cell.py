"""Invented cells in which the faces of one lap, operator, part number, or of all laps have moved lately."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

import numpy as np
import pandas as pd

from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_forecast import forecast_lap
from spc.board.lap_frames import frames_of_laps
from spc.board.lap_memo import LapMemo
from spc.board.lap_report import report_of
from spc.board.room_history import look_at_room
from spc.settings import KnownLap, Settings, Shift
from spc.store.frames import EVENTS, FACES, frame
from spc.store.store import Store

LAPS = tuple(f"L{number}" for number in range(1, 7))
OPERATORS, PARTS = ("Ann", "Bo", "Cy"), ("P1", "P2")
CYCLES, PER_CYCLE, LAST, A_SHIFT = 4, 20, 20, 4  # of the running cycle: five shifts
MOVED = 8  # last faces of each lap: two shifts
START = datetime(2026, 3, 2, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Moved:
    """What is planted in the last faces."""

    words: str
    truth: str  # one of `spc.board.cause_table.SCOPES`, '' = nothing
    times: float = 1.0
    sign: str = "flatness"
    last: int = MOVED  # faces of each lap
    one_hand: bool = False  # one operator alone in the running shift


PLANTED = {
    "clean": Moved("nothing", ""),
    "operator": Moved("one operator reads twice as high, for two shifts", "one operator", 2.0),
    "operator mild": Moved("one operator reads 1.5 times as high, for two shifts", "one operator", 1.5),
    "part": Moved("one part number takes 1.8 times the minutes, for two shifts", "one part number", 1.8, "minutes"),
    "lap": Moved("one lap reads 1.8 times as high, for two shifts", "one lap", 1.8),
    "room": Moved("every lap reads 1.6 times as high, this shift", "many laps", 1.6, last=A_SHIFT),
    "alone": Moved(
        "one operator alone in this shift, all of it 1.6 times as high", "many laps", 1.6, last=A_SHIFT, one_hand=True
    ),
}


def reports_of(planted, rng):
    """Every lap's report, and what the board says of the room, of one cell; only the sign that is planted is logged.

    Faces left have no part in causes and are not forecast, which would take most of the time.
    """
    faces, events = _faces(planted, rng)
    memo, view = LapMemo(), _empty_view()
    as_read = {lap: rows.reset_index(drop=True) for lap, rows in faces.groupby("lap", sort=False)}
    told = {lap: rows.reset_index(drop=True) for lap, rows in events.groupby("lap", sort=False)}
    by_lap, _ = frames_of_laps(memo, as_read, told, frozenset())
    view = replace(view, by_lap=by_lap, as_read=as_read, memo=memo)
    charts = chart_cell(view)
    room = look_at_room(view, charts)
    no_forecast = forecast_lap(_empty_view(), LAPS[0])
    with mock.patch("spc.board.lap_report.forecast_lap", return_value=no_forecast):
        return {lap: report_of(view, charts, lap, room=room) for lap in LAPS}, room


def _faces(planted, rng):
    """Draw the faces and events frames of all laps; the operator, part number or lap at fault is the first by name."""
    n = (CYCLES - 1) * PER_CYCLE + LAST
    i = np.arange(n)
    cycle, age = i // PER_CYCLE, i % PER_CYCLE
    shift = i // A_SHIFT
    at = (shift // 2) * 86_400 + (shift % 2) * 28_800 + (i % A_SHIFT) * 6_600 + 600
    parts, events = [], []
    for number, lap in enumerate(LAPS):
        us = (round(START.timestamp()) + at + 180 * number) * 1_000_000
        operator, part = (np.array(names)[rng.integers(len(names), size=n)] for names in (OPERATORS, PARTS))
        late = i >= n - planted.last
        if planted.one_hand:
            operator[late] = OPERATORS[0]
        whose = {
            "": np.zeros(n, bool), "one operator": operator == OPERATORS[0], "one part number": part == PARTS[0],
            "one lap": np.full(n, lap == LAPS[0]), "many laps": np.ones(n, bool),
        }[planted.truth]  # fmt: skip
        times = np.where(whose & late, planted.times, 1.0)
        level = (0.1 * rng.standard_normal(CYCLES))[cycle]
        flatness = 0.6 * np.exp(0.02 * age + level + 0.15 * rng.standard_normal(n))
        minutes = np.where(part == "P1", 6.0, 8.0) * np.exp(0.1 * rng.standard_normal(n))
        flatness = np.maximum(np.round(flatness * times / 0.05), 1) * 0.05
        flatness, minutes = (
            v if planted.sign == name else np.full(n, np.nan)
            for name, v in (("flatness", flatness), ("minutes", minutes * times))
        )
        parts.append(
            {
                "face_id": 1 + number * n + i, "kind": ["face"] * n, "lap": [lap] * n, "operator": operator.tolist(),
                "grit": ["9 um"] * n, "grit_um": np.full(n, 9.0), "part": part.tolist(),
                "serial": [f"{lap}-{k}" for k in i], "face": ["A"] * n, "attempt": np.ones(n, np.int64),
                "minutes": minutes, "time_utc": us, "time_text": [str(k) for k in us], "sort_us": us,
                "flatness_low_um": flatness - 0.025, "flatness_high_um": flatness + 0.025,
                "flatness_text": ["" if np.isnan(v) else f"{v:.2f}" for v in flatness], "flatness_unit": ["um"] * n,
                "row_number": 1 + number * n + i, "version": np.ones(n, np.int64),
            }
        )  # fmt: skip
        begins = us[age == 0] - 60_000_000
        events.append(
            {"event_id": list(range(CYCLES)), "lap": [lap] * CYCLES, "event": ["reconditioned"] * CYCLES,
             "time_utc": begins, "time_text": [str(k) for k in begins], "sort_us": begins}
        )  # fmt: skip
    return (pd.concat([_frame(kind, one) for one in each]) for kind, each in ((FACES, parts), (EVENTS, events)))


def _frame(columns, given):
    blank = {"str": "", "int64": 0, "float64": np.nan, "bool": False}
    size = len(given["lap"])
    return frame(columns, {name: given.get(name, [blank.get(kind)] * size) for name, kind in columns.items()})


@cache
def _empty_view():
    """View of a cell without faces, ten minutes after its last face will be."""
    shifts = (Shift("early", time(6), time(14)), Shift("late", time(14), time(22)))
    laps = tuple(KnownLap(lap, material="cast iron", home_grit="9 um") for lap in LAPS)
    last = (CYCLES - 1) * PER_CYCLE + LAST - 1
    clock = START.replace(tzinfo=None) + timedelta(days=last // (2 * A_SHIFT), hours=15.5)
    settings = Settings(time_zone="UTC", clock=clock, shifts=shifts, laps=laps)
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "cell.db") as store:
        return look_at_cell(store, settings)
