"""What each wear path says about its line, once a wandering of its own (a Wiener process) is taken out of the readings.

The readings of one unit are `[1, g, parts] v + w(g) + error`, where w wanders with variance `ratio` per unit of g and
the error has variance `multiplier`, both in units of the error variance. A scalar filter whitens all columns at
once, so the products of the whitened columns hold everything a likelihood needs, for a whole grid of ratios.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RATIO_GRID", "PathGram", "path_gram"]

Array = NDArray[np.float64]

# Variance of the wandering over the whole age scale (g from 0 to 1) against the error variance of one reading.
RATIO_GRID: Array = np.geomspace(1e-2, 1e4, 19)


@dataclass(frozen=True, slots=True)
class PathGram:
    """Products of the whitened columns; R ratios, U units, C columns (1, g, parts, reading)."""

    gram: Array  # (R, U, C, C)
    log_det: Array  # (R, U)
    count: NDArray[np.int64]  # (U,) readings
    state: Array  # (R, U, C): each column's share of the wandering at the last reading
    state_variance: Array  # (R, U)


def path_gram(age_scaled: Array, columns: Array, multiplier: Array, count: NDArray[np.int64]) -> PathGram:
    """Whiten the columns of every unit for every ratio of the grid.

    Parameters
    ----------
    age_scaled : (U, N)
        Age on the shape's scale, not falling along a unit; entries past `count` are ignored.
    columns : (U, N, C)
        Columns to whiten, the reading last.
    multiplier : (U, N)
        Error variance of each reading as a multiple of the common one, above 0.
    count : (U,)
        Readings of each unit.
    """
    units, longest, width = columns.shape
    ratios = RATIO_GRID[:, None]
    gram = np.zeros((RATIO_GRID.size, units, width, width))
    log_det = np.zeros((RATIO_GRID.size, units))
    state = np.zeros((RATIO_GRID.size, units, width))
    variance = np.zeros((RATIO_GRID.size, units))
    before = np.zeros(units)
    for i in range(longest):
        live = i < count
        step = np.where(live, age_scaled[:, i] - before, 0.0)
        before = np.where(live, age_scaled[:, i], before)
        variance = variance + ratios * step
        total = variance + np.where(live, multiplier[:, i], 1.0)
        gain = np.where(live, variance / total, 0.0)
        innovation = np.where(live[:, None], columns[:, i] - state, 0.0)
        white = innovation / np.sqrt(total)[..., None]
        gram += white[..., :, None] * white[..., None, :]
        log_det += np.where(live, np.log(total), 0.0)
        state = state + gain[..., None] * innovation
        variance = variance * (1 - gain)
    return PathGram(gram, log_det, count, state, variance)
