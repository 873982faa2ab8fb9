"""How long the cycles of a lap lasted, as intervals: seen wearing out, taken off before it, or found late."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

__all__ = ["LEAST_EVENTS", "MOST_MISSING", "Lifetimes", "check_lifetimes", "cycle_lifetimes", "worn_words"]

Array = NDArray[np.float64]

# Under five events of wear there are only counts; our own rule.
LEAST_EVENTS = 5
MOST_MISSING = 0.2  # share of lappings without minutes or stock removal, above which they are no clock [our rule]


@dataclass(frozen=True, slots=True)
class Lifetimes:
    """Lives of cycles; the life lies in (`low`, `high`], known exactly where both are equal."""

    low: Array
    high: Array  # inf = not worn yet when taken off or still running
    clock: str  # 'faces' or 'minutes'
    one_face: float  # what one face takes by the clock, median over the cycles
    worn: int  # events of wear: seen, found late, or read over the limit
    planned: int  # taken off still good, damaged or retired: censored
    running: int
    unsure: int  # known only up to where another cycle may have begun: censored there
    left_out: int  # start never logged, no face yet, or too few minutes logged
    sentence: str


def cycle_lifetimes(cycles: pd.DataFrame, *, clock: str = "faces") -> Lifetimes:
    """Lives of finished and running cycles.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of `spc.wear.cycle_table.list_cycles`, of one group of laps (material and grit).
    clock : {'faces', 'minutes'}
        Minutes leave out cycles that miss those of more than `MOST_MISSING` of their lappings; the mean of the others
        stands for the rest.

    Returns
    -------
    Lifetimes

    Raises
    ------
    ValueError
        If `clock` is unknown.

    Notes
    -----
    A cycle counts as worn where its life has an end, however it was ended: it may have read over the limit before it
    was taken off by plan. Damage and retirement end a cycle for another reason (a competing risk) and count as
    censored: the life told is the life until worn if nothing else ended it.
    """
    if clock not in ("faces", "minutes"):
        raise ValueError(f"`clock` must be 'faces' or 'minutes', got {clock!r}")
    known = cycles["start_known"].to_numpy(bool) & (cycles["faces"].to_numpy() > 0)
    usable, scale = known, np.ones(int(np.count_nonzero(known)))
    if clock == "minutes":
        usable = known & (cycles["minutes_missing"].to_numpy(np.float64) <= MOST_MISSING)
        scale = cycles.loc[usable, "minutes"].to_numpy(np.float64) / cycles.loc[usable, "faces"].to_numpy(np.float64)
    rows = cycles.loc[usable]
    low, high = rows["low_faces"].to_numpy(np.float64) * scale, rows["high_faces"].to_numpy(np.float64) * scale
    ended = rows["ended"].to_numpy()
    is_worn = np.isfinite(high)
    worn, read_worn = int(is_worn.sum()), int((is_worn & ~np.isin(ended, ("due", "found late"))).sum())
    running, unsure = (int((~is_worn & (ended == word)).sum()) for word in ("running", "unsure"))
    planned = int(ended.size - worn - running - unsure)
    out, unclocked = int(np.count_nonzero(~known)), int(np.count_nonzero(known & ~usable))
    by_readings = f", {read_worn} of them by the readings alone" if read_worn else ""
    text = f"{worn} worn{by_readings}, {planned} taken off before that, {running} running"
    if unsure:
        text += f", {unsure} known only up to where a reconditioning may be missing"
    if out:
        text += f"; {out} left out, {'its' if out == 1 else 'their'} start was not logged or nothing was lapped"
    if unclocked:
        text += f"; {unclocked} left out, over {MOST_MISSING:.0%} of {'its' if unclocked == 1 else 'their'} lappings "
        text += "do not say their minutes"
    one_face = float(np.median(scale)) if scale.size else 1.0
    return Lifetimes(low, high, clock, one_face, worn, planned, running, unsure, out + unclocked, text)


def worn_words(worn: int, cycles: int) -> str:
    """Say how few of the cycles wore out."""
    if cycles == 0:
        return "no cycle counts"
    if cycles == 1 and worn == 0:
        return "the only cycle that counts has not ended worn"
    count = "none" if not worn else f"{worn}" if worn == cycles else f"only {worn}"
    return f"{count} of {'1 cycle' if cycles == 1 else f'{cycles} cycles'} ended worn"


def check_lifetimes(low: ArrayLike, high: ArrayLike) -> tuple[Array, Array]:
    """Return both ends as arrays, refused with a sentence when they are no lives.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        0 <= low <= high; high may be inf, low finite; an exact life is greater than 0.

    Returns
    -------
    tuple of ndarray

    Raises
    ------
    ValueError
        If the ends do not fit.
    """
    a, b = np.asarray(low, np.float64), np.asarray(high, np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"`low` and `high` must be of one length, got shapes {a.shape} and {b.shape}")
    bad = ~((a >= 0) & np.isfinite(a) & (b >= a) & (b > 0))
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        raise ValueError(
            f"`low` and `high` must satisfy 0 <= low <= high, high above 0; life {i} is {a[i]:g} to {b[i]:g}"
        )
    return a, b
