"""Cycles whose lives may be pooled: those of a lap and its sisters under the grit that runs now."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, upper_limit_um

__all__ = ["lives_under", "running_grit", "sisters_of"]


def sisters_of(view: CellView, lap: str) -> list[str]:
    """Laps of the group of a lap, itself among them."""
    group = view.lap_row(lap)["group"]
    return [lap] if not group else [str(name) for name in view.laps.loc[view.laps["group"] == group, "lap"]]


def running_grit(view: CellView, lap: str) -> str:
    """Grit of the running cycle of a lap, that of the newest cycle which names one where it does not; '' = none."""
    named = view.cycles_of(lap)["grit"]
    named = named[named != ""]
    return "" if named.empty else str(named.iloc[-1])


def lives_under(view: CellView, laps: Sequence[str], grit: str) -> pd.DataFrame:
    """Cycles of these laps under one grit, as `spc.wear.cycle_table.list_cycles` has them.

    Parameters
    ----------
    view : CellView
    laps : sequence of str
    grit : str
        '' = any. A cycle whose grit nobody wrote may have run with it and is kept.

    Returns
    -------
    pandas.DataFrame
        A cycle found worn late is known good only up to the last face that read under its limit.
    """
    cycles = view.cycles[view.cycles["lap"].isin(laps)]
    if grit:
        cycles = cycles[cycles["grit"].isin((grit, ""))]
    good = cycles["good_faces"].to_numpy().copy()
    late = np.flatnonzero(cycles["ended"] == "found late")
    for at in late.tolist():
        faces = view.lapped_of(str(cycles["lap"].iloc[at]))
        faces = faces[faces["cycle"] == cycles["cycle"].iloc[at]]
        over = faces["flatness_low_um"].to_numpy(np.float64) >= upper_limit_um(faces["part"], view.limits)
        sent_back = faces["outcome"].isin(("re-lap", "regrind", "scrap")).to_numpy()
        known = np.flatnonzero((faces["flatness_low_um"].notna().to_numpy() & ~over & ~sent_back)[:-1])
        good[at] = known[-1] + 1 if known.size else 0
    if late.size == 0:
        return cycles
    low = np.where(cycles["ended"] == "found late", good, cycles["low_faces"])
    return cycles.assign(good_faces=good, low_faces=low.astype(np.float64))
