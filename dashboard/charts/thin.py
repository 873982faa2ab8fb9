"""Fewer marks, same picture: keep the lowest and highest reading of each stretch, and every reading asked for."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_MARKS", "thin"]

MOST_MARKS = 5_000


def thin(
    low: NDArray[np.float64], high: NDArray[np.float64], keep: NDArray[np.bool_], *, most: int
) -> NDArray[np.intp]:
    """Choose which readings to draw.

    Parameters
    ----------
    low, high : ndarray (n,)
        Readings in order, as intervals; `high` may be inf.
    keep : ndarray of bool (n,)
        Readings that must stay: those that signal.
    most : int
        How many readings may be drawn, those kept apart; at least 2.

    Returns
    -------
    ndarray of int
        Positions to draw, rising. All of them when they fit.

    Raises
    ------
    ValueError
        If `most` is less than 2.
    """
    if most < 2:
        raise ValueError(f"`most` must be at least 2, got {most}")
    size = low.size
    if size <= most:
        return np.arange(size)
    chosen = np.zeros(size, dtype=bool)
    edges = np.linspace(0, size, most // 2 + 1).astype(np.intp)
    for start, stop in zip(edges[:-1], edges[1:], strict=True):
        chosen[start + int(np.argmin(low[start:stop]))] = True
        chosen[start + int(np.argmax(high[start:stop]))] = True
    return np.flatnonzero(chosen | keep)
