"""Laps put against each other for one part number: the best is picked from them all, and tested as picked."""

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.shown_length import length_words
from spc.chart.two_groups import fisher_exact_p
from spc.measure.shown import MICROMETRE, ShownLength

__all__ = ["by_yield", "faces_alike", "fewest_minutes", "flatter_words"]

_LEVEL = 0.05  # of any one lap wrongly said better than another, over all that are compared; our own rule
_MOST_NAMED = 3
_LEAST_READ = 3  # readings of a cycle that make a mean of it; our own rule
_LEAST_FREE = 3  # cycles beyond one of each lap, from which their scatter is taken; our own rule


def by_yield(good: Mapping[str, tuple[int, int]], *, alike: float = 1.0) -> tuple[list[str], list[str]]:
    """Order laps by their share of good faces, the best first, and pick those that are clearly worse than the first.

    Parameters
    ----------
    good : mapping of str to (int, int)
        Of each lap the faces good at the first pass, and all.
    alike : float, default 1
        How many faces of a cycle say as much as one by itself, from `faces_alike`.

    Returns
    -------
    tuple of two lists of str
        None clearly worse where fewer than two are compared.

    Notes
    -----
    Fisher's exact test of the best against each other lap, on counts divided by `alike`; the level is shared by all
    pairs of laps (Bonferroni), for any of them could have been the best.

    References
    ----------
    Rao and Scott (1992), A simple method for the analysis of clustered binary data, Biometrics 48 (the division; from
    memory).
    """
    best_first = sorted(good, key=lambda name: -(good[name][0] + 0.5) / (good[name][1] + 1))
    if len(good) < 2:
        return best_first, []
    best, *others = best_first
    level = _LEVEL / math.comb(len(good), 2)
    count = {name: (round(hits / alike), round(of / alike)) for name, (hits, of) in good.items()}
    return best_first, [name for name in others if fisher_exact_p(*count[best], *count[name]) < level]


def faces_alike(first: Mapping[str, tuple[NDArray[np.int64], NDArray[np.bool_]]]) -> float:
    """How many faces of a cycle say as much as one by itself: 1 or more.

    Parameters
    ----------
    first : mapping of str to (ndarray of int, ndarray of bool), (n,) each
        Of each lap the cycle of every face, and whether it was good at the first pass.

    Returns
    -------
    float
        Variance of the shares with whole cycles as what is drawn, over that of single faces, of all laps together.
    """
    drawn = single = 0.0
    for cycle, good in first.values():
        names, of = np.unique(cycle, return_inverse=True)
        cycles, at = names.size, float(good.mean())
        if cycles > 1:
            off = np.bincount(of, good - at)
            drawn += cycles / (cycles - 1) * float(off @ off)
            single += good.size * at * (1 - at)
    return max(drawn / single, 1.0) if single > 0 else 1.0


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
    First readings put against each other at like age (`_at_like_age`). The level is shared by all pairs of laps
    (Bonferroni).
    """
    read = {lap: (own["first_low_um"] + own["first_high_um"]).to_numpy(np.float64) / 2 for lap, own in first.items()}
    found = _at_like_age(first, read)
    if found is None:
        return ""
    level = _LEVEL / math.comb(compared, 2)
    shown = {lap: length_words(mean, "flatness", unit) for lap, mean in found.mean.items()}
    beaten = [f"{lap} ({shown[lap]})" for lap, p in found.p_value.items() if p < level]
    more = f" and {len(beaten) - _MOST_NAMED} more" if len(beaten) > _MOST_NAMED else ""
    than = f"{', '.join(beaten[:_MOST_NAMED])}{more}"
    return f"{found.least} reads flatter at like age ({shown[found.least]}) than {than}" if beaten else ""


def fewest_minutes(done: Mapping[str, pd.DataFrame]) -> str:
    """Name the lap that takes fewer minutes a face than every other; '' where none clearly does.

    Parameters
    ----------
    done : mapping of str to DataFrame
        As for `flatter_words`; laps without minutes are left out.

    Notes
    -----
    Logarithms of the minutes put against each other at like age (`_at_like_age`). That one lap beats every other keeps
    the level by itself.
    """
    found = _at_like_age(done, {lap: np.log(own["minutes"].to_numpy(np.float64)) for lap, own in done.items()})
    return found.least if found is not None and all(p < _LEVEL for p in found.p_value.values()) else ""


class _AtLikeAge(NamedTuple):
    """Laps put against each other in one sign of their faces, at like age."""

    least: str  # the lap with the least mean
    mean: dict[str, float]
    p_value: dict[str, float]  # of each other lap, two-sided, against the least


def _at_like_age(faces: Mapping[str, pd.DataFrame], values: Mapping[str, NDArray[np.float64]]) -> _AtLikeAge | None:
    """Compare laps by a sign of their faces; None where too little is known.

    Values less the part of their age, by one slope of all cycles; the mean of a cycle is one value, and the scatter of
    these within the laps says what a difference of laps is worth: faces of one cycle hang together.
    """
    told = {
        name: np.concatenate([own[name].to_numpy(np.float64) for own in faces.values()] or [np.empty(0)])
        for name in ("cycle", "age_faces")
    }
    lap = np.repeat(np.array(list(faces), dtype=object), [len(own) for own in faces.values()])
    value = np.concatenate([values[name] for name in faces] or [np.empty(0)])
    rows = pd.DataFrame({"lap": lap, **told, "value": value})[np.isfinite(value)].dropna()
    by_cycle = rows.groupby(["lap", "cycle"], sort=False)
    rows = rows[(by_cycle["lap"].transform("size") >= _LEAST_READ).to_numpy()]
    size, age = rows["value"], rows["age_faces"]
    cycle = [rows["lap"], rows["cycle"]]
    off_age, off_size = (each - each.groupby(cycle, sort=False).transform("mean") for each in (age, size))
    spread = float((off_age**2).sum())
    slope = float((off_age * off_size).sum()) / spread if spread > 0 else 0.0
    at_like_age = (size - slope * (age - age.mean())).groupby(cycle, sort=False).mean()
    by_lap = at_like_age.groupby(level=0, sort=False)
    mean, cycles = by_lap.mean(), by_lap.size()
    free = int(cycles.sum()) - len(cycles)
    if len(mean) < 2 or free < _LEAST_FREE:
        return None
    from scipy.special import stdtr

    scatter = float(((at_like_age - by_lap.transform("mean")) ** 2).sum()) / free
    least = str(mean.idxmin())
    p_value = {}
    for other in mean.index.drop(least):
        error = math.sqrt(scatter * (1 / cycles[least] + 1 / cycles[other]))
        gap = float(mean[other] - mean[least])
        sure = 0.0 if gap > 0 else 1.0  # where nothing scatters
        p_value[str(other)] = 2 * float(stdtr(free, -gap / error)) if error > 0 else sure
    return _AtLikeAge(least, {str(name): float(each) for name, each in mean.items()}, p_value)
