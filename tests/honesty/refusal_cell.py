"""Made-up cells with one fault planted, from the log on: what a study of them must refuse, and why."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from spc.board.cell_view import look_at_cell
from spc.board.frozen_limits import freeze_limits
from spc.board.study import Study, run_study
from spc.board.study_plan import StudyPlan
from spc.log.columns import ColumnMap, FieldSource
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["ANSWER", "study_of_cell"]

LIMIT_UM, STEP_UM = 1.2, 0.01
LAPS, BASE_CYCLES, CYCLES, FACES = ("L1", "L2"), 2, 4, 15  # faces of each cycle; the first cycles are the baseline
START = pd.Timestamp("2026-03-02 06:00", tz="UTC")

# Fault planted -> the refusal that must answer it.
ANSWER = {
    "trend": "trend not modelled",
    "cut off": "cut off at the limit",
    "coarse step": "step too coarse",
    "few cycles": "too few cycles",
    "few faces": "too few faces",
    "operators on laps of their own": "operator confounded with lap",
    "two kinds of faces": "fit rejected",
    "jump": "open signals",
    "unit guessed": "units inferred",
    "no repeats": "no gauge study",
}


@dataclass(frozen=True, slots=True)
class _Cell:
    fault: str
    rng: np.random.Generator
    base_cycles: int

    @property
    def cycles(self) -> int:
        return self.base_cycles + (1 if self.fault == "few cycles" else CYCLES)

    def faces(self, cycle: int) -> int:
        if cycle < self.base_cycles or self.fault != "few cycles":
            return 3 if self.fault == "few faces" and cycle >= self.base_cycles else FACES
        return 2 * FACES

    def true_um(self, age: int, cycle: int) -> float:
        """One face: lognormal, median 0.5 um, log sd 0.25, unless the fault says otherwise."""
        studied, rng = cycle >= self.base_cycles, self.rng
        if self.fault == "cut off":  # lapped until good, passes not logged
            while (x := float(np.exp(np.log(0.9) + 0.35 * rng.normal()))) > LIMIT_UM:
                pass
            return x
        if self.fault == "two kinds of faces" and studied:
            return float(rng.normal(0.35 if rng.random() < 0.5 else 0.75, 0.03))
        growth = 0.05 * (age - FACES / 2) if self.fault == "trend" and studied else 0.0
        jump = 1.0 if self.fault == "jump" and cycle >= self.base_cycles + 2 else 0.0
        return float(np.exp(np.log(0.5) + growth + jump + 0.25 * rng.normal()))


def study_of_cell(fault: str, rng: np.random.Generator, path: Path, *, base_cycles: int = BASE_CYCLES) -> Study:
    """Carry out a study of one made-up cell, from its CSV log on; `fault` is 'none' or a key of ANSWER."""
    cell = _Cell(fault, rng, base_cycles)
    step = 0.25 if fault == "coarse step" else STEP_UM
    settings = Settings(time_zone="UTC", date_order="ymd", decimal=".", false_calls_per_week=0.1)
    columns = ColumnMap(columns={"flatness": FieldSource(headers=("flatness",), unit="um", step=step)})
    begins = START + pd.Timedelta(days=base_cycles)
    with Store.open(path) as store:
        log = _log(cell, step).encode()
        taken = ingest(store, log, name="made up.csv", settings=settings, column_map=columns, who="test")
        assert not taken.refused and taken.quarantined == 0, taken
        with store.writing(who="test", what="made-up cell"):
            for day in range(cell.cycles):
                for number, lap in enumerate(LAPS):
                    _recondition(store, lap, START + pd.Timedelta(days=day, minutes=number))
            store.set_limit("PN-1", "flatness", upper_um=LIMIT_UM, upper_text="1.2 um", who="test", why="made up")
        for lap in LAPS:
            freeze_limits(
                store, settings, lap=lap, sign="flatness", who="test", why="first cycles",
                until_us=int(begins.timestamp() * 1_000_000), knowingly=True,
            )  # fmt: skip
        view = look_at_cell(store, settings, rows=None)
    if fault == "unit guessed":  # the intake never guesses one, so the guess is planted behind it
        guessed = {
            lap: frames._replace(faces=frames.faces.assign(flatness_unit="")) for lap, frames in view.by_lap.items()
        }
        view = replace(view, by_lap=guessed)
    return run_study(view, StudyPlan("PN-1", since=begins.date().isoformat()))


def _log(cell: _Cell, step: float) -> str:
    """Write the cell's life: every pass, and ten faces read again twice by both operators."""
    serial, kept, lines = 0, [], ["time,operator,lap,grit um,part number,serial,attempt,minutes,flatness"]

    def line(when: pd.Timestamp, person: int, lap: str, name: int, attempt: int, minutes: str, true: float) -> None:
        read = max(round((true + 0.01 * cell.rng.normal()) / step), 0) * step
        who = ("Ann", "Bo")[person]
        lines.append(f"{when:%Y-%m-%d %H:%M},{who},{lap},9,PN-1,S{name},{attempt},{minutes},{read:.2f}")

    for cycle in range(cell.cycles):
        for number, lap in enumerate(LAPS):
            for age in range(cell.faces(cycle)):
                serial += 1
                person = number if cell.fault == "operators on laps of their own" else serial % 2
                when = START + pd.Timedelta(days=cycle, minutes=12 * age + 5 * number + 5)
                true = cell.true_um(age, cycle)
                line(when, person, lap, serial, 1, "3", true)
                if cell.fault != "cut off" and age == 7:  # every pass is logged, and now and then there is a second
                    line(when + pd.Timedelta(minutes=4), person, lap, serial, 2, "2", 0.8 * true)
                elif len(kept) < 10:
                    kept.append((lap, serial, true))
    when = START + pd.Timedelta(days=cell.cycles)
    for person in (0, 1, 0, 1) if cell.fault != "no repeats" else ():
        for lap, name, true in kept:
            when += pd.Timedelta(minutes=3)
            line(when, person, lap, name, 1, "", true)
    return "\n".join(lines) + "\n"


def _recondition(store: Store, lap: str, when: pd.Timestamp) -> None:
    told = {"lap": lap, "event": "reconditioned", "time_utc": when, "time_text": str(when), "reason": "planned"}
    store.append_event(told, who="test")
