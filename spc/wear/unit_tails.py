"""Heavy tails between units: how far one unit's line and its scatter may stray from what the group has in common.

A unit draws one scale for the spread of its line and one for the variances of its error and wandering, each from the
mixing law of Student's t. How heavy these tails are is weighed by how well units left out are foreseen with them.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_posterior import LineDraws

__all__ = ["TAILS", "new_unit_draws", "over_tails", "scale_spreads", "tail_shares", "unit_scales"]

Array = NDArray[np.float64]

_INF = float("inf")
TAILS: tuple[tuple[float, float], ...] = ((_INF, _INF), (4.0, _INF), (_INF, 4.0), (4.0, 4.0))  # degrees of freedom:
# of the line's spread and of the scatter; inf = every unit has the group's own; 4 is our own choice
_BEFORE = np.array([0.7, 0.1, 0.1, 0.1])  # how likely each was before any reading; our own rule
_LEAST_SHARE = 0.02  # tails with less take no part
_TIMES = 3  # draws of a new unit for every draw of the group


def unit_scales(tail: tuple[float, float], size: int, rng: np.random.Generator) -> Array:
    """Log scales of the sd of a unit's line and of its scatter, spread evenly over their laws; (size, 2).

    The variances are those of the group in the mean, since the group's are read off all its units together.
    """
    out = np.zeros((size, 2))
    for column, df in enumerate(tail):
        if np.isfinite(df):
            out[:, column] = _log_scales(df, size)[rng.permutation(size)]
    return out


@lru_cache(maxsize=16)
def _log_scales(df: float, size: int) -> Array:
    """Quantiles of the log scale, from the first to the last of `size` equal shares; not to be written to."""
    from scipy.special import gammaincinv

    table = 0.5 * np.log((df / 2 - 1) / gammaincinv(df / 2, (np.arange(size) + 0.5) / size))
    table.flags.writeable = False
    return np.asarray(table, dtype=np.float64)


def scale_spreads(spreads: Array, log_scales: Array) -> Array:
    """Spreads of units with scales of their own; both (S, ...)."""
    line, scatter = log_scales.T
    out = spreads.copy()
    out[:, 0] += scatter
    out[:, 2] += line
    out[:, 3] += line
    return out


def tail_shares(scores: Array) -> Array:
    """Share of each tail, the first of `TAILS`, by the scores of left-out units, (tails, units)."""
    total = scores.sum(axis=1) + np.log(_BEFORE[: len(scores)])
    share = np.exp(total - total.max())
    share = share / share.sum()
    share = np.where(share >= _LEAST_SHARE, share, 0.0)
    return np.asarray(share / share.sum(), dtype=np.float64)


def over_tails(scores: Array, shares: Array) -> Array:
    """Score of each unit over all tails by their shares; (units,)."""
    top = scores.max(axis=0)
    return np.asarray(top + np.log(shares @ np.exp(scores - top)), dtype=np.float64)


def new_unit_draws(lines: LineDraws, shares: Array, rng: np.random.Generator) -> Array:
    """Log scales of new units, the tails by their shares, `_TIMES` for every draw of the group; (0, 2) = no tails."""
    if shares[0] == 1:
        return np.empty((0, 2))
    size = _TIMES * lines.spreads.shape[0]
    ends = np.round(np.cumsum(shares) * size).astype(np.int64)
    counts = np.diff(ends, prepend=0)
    return rng.permutation(np.vstack([unit_scales(t, int(n), rng) for t, n in zip(TAILS, counts, strict=True)]))
