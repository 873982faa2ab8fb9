"""An invented part on two invented laps, read to 0.01 um, that wears within each cycle; all made up."""

import numpy as np
import pandas as pd

from spc.board.cell_view import look_at_cell
from spc.board.study import run_study
from spc.board.study_plan import StudyPlan
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.store.many_faces import append_faces

START = pd.Timestamp("2026-03-02 06:00", tz="UTC")
NASTY = {
    "html": "<script>alert(1)</script><b onclick=x>&amp;\"'",
    "formula": '=HYPERLINK("http://bad.example","x")',
    "plus": "+cmd|' /C calc'!A0",
    "at": "@SUM(1+1)",
    "emoji": "part \U0001f52c\U0001f469\u200d\U0001f527 \u2696\ufe0f",
    "right to left": "\u05d7\u05dc\u05e7 12 \u0642\u0637\u0639\u0629",
    "turned": "abc\u202edef\u2066ghi",
    "dollars": "$\\frac{1}{0}$ $x_{",
    "long": "N" * 5000,
}


def fill(store, *, part="PN-7", laps=("L1", "L2"), cycles=6, faces=25, units=("um",), seed=4, growth=0.5, limit_um=1.2):
    """Write the faces of a part and the reconditionings of its laps."""
    rng = np.random.default_rng(seed)
    at = 0
    with store.writing(who="test", what="invented study"):
        for lap in laps:
            for cycle in range(cycles):
                when = START + pd.Timedelta(days=cycle, minutes=5 * at)
                event = {
                    "lap": lap,
                    "event": "reconditioned",
                    "time_utc": when,
                    "time_text": str(when),
                    "reason": "worn",
                }
                store.append_event(event, who="test")
                lapped = []
                for age in range(faces):
                    at += 1
                    moment = START + pd.Timedelta(days=cycle, minutes=5 * at + 2)
                    value = float(np.exp(np.log(0.3) + growth * age / faces + 0.2 * rng.normal()))
                    unit = units[at % len(units)]
                    low = np.floor(value / 0.01) * 0.01
                    lapped.append(
                        {
                            "lap": lap, "part": part, "serial": f"S{at}", "operator": ("Ann", "Bo")[at % 2],
                            "minutes": 9.0,
                            "time_utc": moment, "time_text": moment.strftime("%Y-%m-%d %H:%M"), "grit": "9 um",
                            "flatness_low_um": low, "flatness_high_um": low + 0.01, "flatness_unit": unit,
                            "flatness_text": f"{low + 0.005:.3f}", "lamp": "helium" if unit == "band" else "",
                        }
                    )  # fmt: skip
                append_faces(store, lapped, who="test")
    if limit_um is not None:
        store.set_limit(part, "flatness", upper_um=limit_um, upper_text=f"{limit_um} um", who="test", why="invented")


def study_of(path, plan=None, **filled):
    """Fill a new store and carry out one study on it."""
    with Store.open(path) as store:
        fill(store, **filled)
        part = filled.get("part", "PN-7")
        return run_study(look_at_cell(store, Settings(), rows=None), plan or StudyPlan(part=part))
