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
_BLOCK = 32  # readings whitened before their products are summed: keeps the memory of long paths in bounds


@dataclass(frozen=True, slots=True)
class PathGram:
    """Products of the whitened columns; R ratios, U units, C columns (1, g, parts, reading)."""

    gram: Array  # (R, U, C, C)
    log_det: Array  # (R, U)
    count: NDArray[np.int64]  # (U,) readings
    state: Array  # (R, U, C): each column's share of the wandering at the last reading
    state_variance: Array  # (R, U)
    table: Array  # (C (C + 1) / 2 + 1, U, R): upper triangle of `gram` row by row, then `log_det`


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
    live = np.arange(longest)[:, None] < count
    steps = np.where(live, np.diff(age_scaled, axis=1, prepend=0.0).T, 0.0)
    error = np.where(live, multiplier.T, np.inf)  # a reading that is none moves nothing
    entries = columns.transpose(1, 2, 0)[:, :, None]  # (N, C, 1, U)
    pairs = [(i, j) for i in range(width) for j in range(i, width)]
    products = np.zeros((len(pairs), RATIO_GRID.size, units))
    log_det = np.zeros((RATIO_GRID.size, units))
    variance = np.zeros((RATIO_GRID.size, units))
    state = np.zeros((width, RATIO_GRID.size, units))
    for begin in range(0, longest, _BLOCK):
        block = slice(begin, min(begin + _BLOCK, longest))
        total = np.empty((block.stop - begin, RATIO_GRID.size, units))
        innovation = np.empty((block.stop - begin, width, RATIO_GRID.size, units))
        for i, k in enumerate(range(begin, block.stop)):
            variance = variance + RATIO_GRID[:, None] * steps[k]
            np.add(variance, error[k], out=total[i])
            gain = variance / total[i]
            np.subtract(entries[k], state, out=innovation[i])
            state = state + gain * innovation[i]
            variance = variance * (1 - gain)
        innovation /= np.sqrt(total)[:, None]
        for product, (i, j) in zip(products, pairs, strict=True):
            product += np.einsum("nru,nru->ru", innovation[:, i], innovation[:, j])
        log_det += np.log(np.where(live[block, None], total, 1.0)).sum(axis=0)
    gram = np.empty((RATIO_GRID.size, units, width, width))
    for product, (i, j) in zip(products, pairs, strict=True):
        gram[..., i, j] = gram[..., j, i] = product
    table = np.concatenate([products, log_det[None]]).swapaxes(1, 2)
    return PathGram(gram, log_det, count, np.moveaxis(state, 0, -1), variance, np.ascontiguousarray(table))
