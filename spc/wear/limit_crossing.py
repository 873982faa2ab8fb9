"""Where in each cycle the faces went over the limit of their part number, as the readings of finished faces say."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Crossings", "limit_crossings"]


@dataclass(frozen=True, slots=True)
class Crossings:
    """One entry per cycle, each array of shape (n_cycles,); ages in faces."""

    cycle: NDArray[np.int64]  # sorted
    low: NDArray[np.float64]  # known within the limit up to here
    high: NDArray[np.float64]  # first confirmed face over it; inf = none
    stray: NDArray[np.bool_]  # the last reading is over the limit, and no next one confirms it


def limit_crossings(
    cycle: ArrayLike, part: ArrayLike, age_faces: ArrayLike, *, over: ArrayLike, within: ArrayLike
) -> Crossings:
    """Find between which two ages the faces of each cycle went over their limit.

    Parameters
    ----------
    cycle, part : array_like of int, shape (n_finished,)
        Cycle and part number of each finished face, oldest first.
    age_faces : array_like of float, shape (n_finished,)
        Lappings of the cycle up to and with this face.
    over, within : array_like of bool, shape (n_finished,)
        Whether its last reading is over the limit of its part number, or within; neither where nothing was read.

    Returns
    -------
    Crossings
        Of the cycles with a reading. Without a crossing `low` is the age of the last reading within, 0 = none.

    Notes
    -----
    A face over the limit is confirmed where the next one read of its part number is over too, and so are more than half
    of all from it to the end of the cycle: one stray reading, and a lap that comes back under the limit, are no end.
    A face within is known so where the one before it was within as well. Of several part numbers the one whose limit
    runs out first counts. Our own rule.
    """
    is_over, is_within = np.asarray(over, bool), np.asarray(within, bool)
    read = np.flatnonzero(is_over | is_within)
    of_cycle, of_part = np.asarray(cycle, np.int64)[read], np.asarray(part, np.int64)[read]
    age, is_over = np.asarray(age_faces, np.float64)[read], is_over[read]
    names, first, at = np.unique(of_cycle[::-1], return_index=True, return_inverse=True)
    at = at[::-1]
    last = read.size - 1 - first  # of each cycle
    low = np.zeros(names.size)
    np.maximum.at(low, at, np.where(is_over, 0.0, age))
    stray = is_over[last] if read.size else np.zeros(0, bool)
    high = np.full(names.size, np.inf)

    order = np.lexsort((of_part, at))  # stable: within a cycle and part number oldest first
    at, of_part, age, is_over = at[order], of_part[order], age[order], is_over[order]
    same = (np.diff(at) == 0) & (np.diff(of_part) == 0)
    group = np.append(0, np.cumsum(~same))[: read.size]
    follows = np.append(False, same)[: read.size]
    next_over = np.append(same & is_over[1:], False)[: read.size]
    confirmed = is_over & next_over & (2 * _from_here(is_over, group) > _from_here(np.ones(read.size), group))
    ends, of_group = _first_of(confirmed, group)
    before = np.append(False, ~is_over[:-1])[: read.size]
    sure = ~is_over & (~follows | before)
    known = np.where(sure, np.arange(read.size), -1)
    starts = np.searchsorted(group, of_group)
    for end, start in zip(ends.tolist(), starts.tolist(), strict=True):
        reached = int(known[start:end].max(initial=-1))
        if age[end] < high[at[end]]:
            low[at[end]], high[at[end]] = age[reached] if reached >= 0 else 0.0, age[end]
    return Crossings(names, low, high, stray & np.isinf(high))


def _from_here(values: NDArray[Any], group: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sum of each row and those after it in its group."""
    total = np.append(np.cumsum(values[::-1].astype(np.float64))[::-1], 0.0)
    beyond: NDArray[np.float64] = total[np.searchsorted(group, group, side="right")]
    return total[:-1] - beyond


def _first_of(holds: NDArray[np.bool_], group: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rows = np.flatnonzero(holds)
    groups, at = np.unique(group[rows], return_index=True)
    return rows[at], groups
