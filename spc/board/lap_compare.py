"""Laps put against each other for one part number: the best is picked from them all, and tested as picked."""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from spc.board.shown_length import length_words
from spc.chart.two_groups import fisher_exact_p
from spc.measure.shown import MICROMETRE, ShownLength

__all__ = ["by_yield", "flatter_words"]

_LEVEL = 0.05  # of any one lap wrongly said better than another, over all that are compared
_MOST_NAMED = 3
_LEAST_READ = 3  # readings of a cycle that make a mean of it
_LEAST_FREE = 3  # cycles beyond one of each lap, from which their scatter is taken


def by_yield(good: Mapping[str, tuple[int, int]]) -> tuple[list[str], list[str]]:
    """Order laps by their share of good faces, the best first, and pick those that are clearly worse than the first.

    Parameters
    ----------
    good : mapping of str to (int, int)
        Of each lap the faces good at the first pass, and all.

    Returns
    -------
    tuple of two lists of str
        None clearly worse where fewer than two are compared.

    Notes
    -----
    Fisher's exact test of the best against each other lap; the level is shared by all pairs of laps (Bonferroni), for
    any of them could have been the best.
    """
    best_first = sorted(good, key=lambda name: -(good[name][0] + 0.5) / (good[name][1] + 1))
    if len(good) < 2:
        return best_first, []
    best, *others = best_first
    level = _LEVEL / math.comb(len(good), 2)
    return best_first, [name for name in others if fisher_exact_p(*good[best], *good[name]) < level]


def flatter_words(first: Mapping[str, pd.DataFrame], *, compared: int, unit: ShownLength = MICROMETRE) -> str:
    """Say which of some laps reads flattest at like age, and than which; '' where none clearly does.

    Parameters
    ----------
    first : mapping of str to DataFrame
        Of each lap its finished faces of one part number with one grit, from `spc.wear.signs.face_signs`.
    compared : int
        Laps that these were chosen from.
    unit : ShownLength, default micrometres
        The unit said.

    Notes
    -----
    First readings less the part of their age, by one slope of all cycles; the mean of a cycle is one value, and the
    scatter of these within the laps says what a difference of laps is worth: faces of one cycle hang together. The
    level is shared by all pairs of laps (Bonferroni).
    """
    if len(first) < 2:
        return ""
    columns = ("cycle", "age_faces", "first_low_um", "first_high_um")
    told = {name: np.concatenate([own[name].to_numpy() for own in first.values()]) for name in columns}
    rows = pd.DataFrame({"lap": np.repeat(np.array(list(first)), [len(own) for own in first.values()]), **told})
    rows = rows.dropna()
    rows = rows[np.isfinite(rows["first_high_um"].to_numpy(np.float64))]
    by_cycle = rows.groupby(["lap", "cycle"], sort=False)
    rows = rows[(by_cycle["lap"].transform("size") >= _LEAST_READ).to_numpy()]
    size, age = (rows["first_low_um"] + rows["first_high_um"]) / 2, rows["age_faces"].astype(np.float64)
    cycle = [rows["lap"], rows["cycle"]]
    off_age, off_size = (value - value.groupby(cycle, sort=False).transform("mean") for value in (age, size))
    spread = float((off_age**2).sum())
    slope = float((off_age * off_size).sum()) / spread if spread > 0 else 0.0
    at_like_age = (size - slope * (age - age.mean())).groupby(cycle, sort=False).mean()
    by_lap = at_like_age.groupby(level=0, sort=False)
    mean, cycles = by_lap.mean(), by_lap.size()
    free = int(cycles.sum()) - len(cycles)
    if len(mean) < 2 or free < _LEAST_FREE:
        return ""
    from scipy.special import stdtr

    scatter = float(((at_like_age - by_lap.transform("mean")) ** 2).sum()) / free
    best = str(mean.idxmin())
    level = _LEVEL / math.comb(compared, 2)
    beaten = []
    for lap in mean.index.drop(best):
        error = math.sqrt(scatter * (1 / cycles[best] + 1 / cycles[lap]))
        gap = float(mean[lap] - mean[best])
        if gap > 0 and (error == 0 or 2 * float(stdtr(free, -gap / error)) < level):
            beaten.append(f"{lap} ({length_words(float(mean[lap]), 'flatness', unit)})")
    more = f" and {len(beaten) - _MOST_NAMED} more" if len(beaten) > _MOST_NAMED else ""
    than = f"{', '.join(beaten[:_MOST_NAMED])}{more}"
    flattest = length_words(float(mean[best]), "flatness", unit)
    return f"{best} reads flatter at like age ({flattest}) than {than}" if beaten else ""
