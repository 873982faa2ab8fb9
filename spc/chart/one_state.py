"""Whether a closed list of readings is of one state, and whether its faces take after each other."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.chart.change_point import MOST, ChangeSearch, change_point
from spc.chart.cycle_change import cycle_change_p
from spc.chart.cycle_spread import CycleSpread
from spc.chart.norm import Norm, scored
from spc.chart.stream import Stream
from spc.model.autocorrelation import SerialCorrelation, serial_correlation

__all__ = ["change_of_state", "with_dependence"]

Array = NDArray[np.float64]

CHANGE_RATE = 0.01  # share of good lists said to hold a change [our choice]


def with_dependence(norm: Norm, z: Array, used: Stream) -> tuple[Norm, SerialCorrelation]:
    """Give the norm with what each face adds to the one before, where the scores `z`, shape (n,), show it."""
    serial = _dependence(z, used)
    if serial.status == "correlated" and serial.phi_low > 0:
        norm = replace(norm, phi=round(serial.phi, 4))
    return norm, serial


def _dependence(z: Array, used: Stream) -> SerialCorrelation:
    """Correlation of neighbours, a change of level or slope taken out first: a step looks like dependence."""
    search = change_point(z[-MOST:], false_detection=CHANGE_RATE, kinds=("mean", "slope"))
    if search.status == "change":
        change = search.changes[0]
        i = np.arange(z.size) - max(0, z.size - MOST)
        along = (i >= change.start) if change.kind == "mean" else np.maximum(0, i - change.start + 1)
        design = np.column_stack([np.ones(z.size), along])
        z = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    return serial_correlation(z, used.age_faces, chain=used.cycle)


def change_of_state(used: Stream, usual: Norm, raw: Array, spread: CycleSpread) -> tuple[bool, str]:
    """Say whether the list is not of one state, and in a sentence what looks like it; '' = nothing does.

    Against its own faces so far a cycle would hide its change. So a change is looked for against the usual cycle, and
    then held against what cycles that differ would make of it. `raw`, shape (n,): scores against the usual cycle.
    """
    search = _change_inside(scored(used, usual).step_z)
    if search.status == "change":  # cycles that differ look like faces that take after each other, and those like that
        search = _change_inside(scored(used, with_dependence(usual, raw, used)[0]).step_z)
    if search.status != "change":
        return False, ""
    start = max(0, len(used) - MOST) + search.changes[0].start
    when = str(used.time_text[start]) or f"face {used.face_id[start]}"
    if spread.cycles == 1:
        return True, f"the list is not of one state, likely since {when}: {_said(search.sentence)}"
    own = scored(used, replace(usual, cycles=spread)).step_z
    p = cycle_change_p(raw[-MOST:], used.age_faces[-MOST:], used.cycle[-MOST:], spread)
    p = min(1.0, 2.0 * min(p, change_point(own[-MOST:], kinds=("spread",)).p_value))
    said = _said(search.held_against(p, "cycles that differ as these do look"))
    if p > CHANGE_RATE:
        return False, f"it looks like a change since {when}, and may be no more than cycles that differ: {said}"
    return True, f"the list is not of one state, likely since {when}: {said}"


def _said(sentence: str) -> str:
    return sentence.removeprefix("Changed: ").rstrip(".")


def _change_inside(z: Array) -> ChangeSearch:
    return change_point(z[-MOST:], false_detection=CHANGE_RATE)
