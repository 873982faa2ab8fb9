"""Whether a closed list of readings is of one state, and whether its faces take after each other."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.chart.change_point import MOST, change_point
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


def change_of_state(used: Stream, usual: Norm, raw: Array) -> tuple[str, ...]:
    """Say in at most one sentence that the list is not of one state, judged by the usual cycle alone.

    Against its own faces so far a cycle would hide its change. `raw`, shape (n,): scores against the usual cycle.
    """
    found = _change_inside(scored(used, usual).step_z, used)
    if found:  # cycles that differ look like faces that take after each other, and those like a change
        found = _change_inside(scored(used, with_dependence(usual, raw, used)[0]).step_z, used)
    return found


def _change_inside(z: Array, used: Stream) -> tuple[str, ...]:
    first = max(0, len(used) - MOST)
    search = change_point(z[first:], false_detection=CHANGE_RATE)
    if search.status != "change":
        return ()
    start = first + search.changes[0].start
    when = str(used.time_text[start]) or f"face {used.face_id[start]}"
    return (f"the list is not of one state, likely since {when}: {search.sentence.rstrip('.')}",)
