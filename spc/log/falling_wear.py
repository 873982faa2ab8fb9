"""A quantity that falls to a lower limit, told as the loss that grows to an upper one."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spc.log.wear_table import WearUnit

__all__ = ["as_loss", "falls_to_limit"]

_LEAST_READINGS = 4
_FALLING = -0.5  # rank correlation with the clock, in the middle unit; our own rule


def falls_to_limit(units: Sequence[WearUnit]) -> bool:
    """Whether the readings begin above their limits and fall towards them.

    Parameters
    ----------
    units : sequence of WearUnit
        From `spc.log.wear_table.read_wear_table`.

    Returns
    -------
    bool
        True when every unit with a limit begins above it and the middle one plainly falls; wear that begins under its
        limit, or is past it without falling, rises.
    """
    limited = [u for u in units if np.isfinite(u.limit) and u.clock.size]
    first = [float(u.low[int(np.argmin(u.clock))]) > u.limit for u in limited]
    long = [u for u in limited if u.clock.size >= _LEAST_READINGS and np.ptp(u.clock) > 0]
    if not long or not all(first):
        return False
    ties = [_rank_correlation(u.clock, np.where(np.isfinite(u.high), (u.low + u.high) / 2, u.low)) for u in long]
    return float(np.median(ties)) <= _FALLING


def as_loss(units: Sequence[WearUnit]) -> tuple[tuple[WearUnit, ...], tuple[int, ...]]:
    """Turn readings and limits round: how far each lies below the highest reading of the file.

    Parameters
    ----------
    units : sequence of WearUnit

    Returns
    -------
    tuple of (tuple of WearUnit, tuple of int)
        The same units on the same clock, and the rows left out because their reading is open above: such a loss has no
        least value.
    """
    finite = [float(u.high[np.isfinite(u.high)].max(initial=-np.inf)) for u in units]
    top = max([*finite, *(float(u.low.max(initial=-np.inf)) for u in units)], default=0.0)
    turned, left_out = [], []
    for u in units:
        closed = np.isfinite(u.high)
        left_out += u.row_number[~closed].tolist()
        turned.append(
            replace(
                u, clock=u.clock[closed], low=top - u.high[closed], high=top - u.low[closed],
                row_number=u.row_number[closed], limit=top - u.limit,
            )
        )  # fmt: skip
    return tuple(turned), tuple(sorted(left_out))


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    from scipy.stats import rankdata

    x, y = rankdata(a) - (a.size + 1) / 2, rankdata(b) - (b.size + 1) / 2
    both = float(np.sqrt(x @ x) * np.sqrt(y @ y))
    return float(x @ y) / both if both > 0 else 0.0
