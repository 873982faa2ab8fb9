"""Newton's search for many small maxima at once: one row per fit, all rows in one array."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spc.model.families import Array

__all__ = ["maximise_rows"]

_SHORTER = np.array([0.4, 0.1, 0.01])  # shares of a Newton step tried where the whole one does not climb

Objective = Callable[[Array, NDArray[np.intp]], Array]


def maximise_rows(
    objective: Objective,
    start: Array,
    *,
    low: Array,
    high: Array,
    step: Array,
    settled: float = 1e-10,
    max_steps: int = 60,
) -> tuple[Array, Array]:
    """Maximise a smooth function for each row of starting values, inside a box.

    Parameters
    ----------
    objective : callable
        Takes trial points of shape (trials, b, p) and the b row numbers they belong to; gives (trials, b).
    start : array (rows, p), p = 1 or 2
        Starting values.
    low, high : array (p,)
        Box; a maximum on its wall is a valid answer.
    step : array (p,)
        Difference step of each parameter: about a thousandth of the distance over which the function changes.
    settled : float, default 1e-10
        A row leaves when a step gains less than this (of a log-likelihood).
    max_steps : int, default 60

    Returns
    -------
    (best, value) : array (rows, p), array (rows,)

    Notes
    -----
    Central differences for slope and curvature; curvature made negative by its eigenvalues, so that a step always
    climbs; where a whole step overshoots, three shorter ones are tried. Rows that have settled leave the array.
    """
    best = np.clip(start, low, high).astype(float)
    rows = np.arange(best.shape[0])
    value = objective(best[None], rows)[0]
    p = best.shape[1]
    eye = np.diag(step)
    probe = np.stack([d for i in range(p) for d in (eye[i], -eye[i])] + [eye.sum(axis=0), -eye.sum(axis=0)] * (p - 1))
    for _ in range(max_steps):
        if rows.size == 0:
            break
        here, f0 = best[rows], value[rows]
        f = objective(here[None] + probe[:, None, :], rows)
        slope = np.stack([(f[2 * i] - f[2 * i + 1]) / (2 * step[i]) for i in range(p)], axis=1)
        bend = np.zeros((rows.size, p, p))
        for i in range(p):
            bend[:, i, i] = (f[2 * i] - 2 * f0 + f[2 * i + 1]) / step[i] ** 2
        if p == 2:
            both = f[4] - 2 * f0 + f[5] - bend[:, 0, 0] * step[0] ** 2 - bend[:, 1, 1] * step[1] ** 2
            bend[:, 0, 1] = bend[:, 1, 0] = 0.5 * both / (step[0] * step[1])
        walled = ((here <= low) & (slope < 0)) | ((here >= high) & (slope > 0))
        slope = np.where(walled, 0.0, slope)
        bend = np.where(walled[:, :, None] | walled[:, None, :], -np.eye(p), bend)
        move = _climb(slope, bend, step)
        trial = np.clip(here + move, low, high)
        f_trial = objective(trial[None], rows)[0]
        short = np.flatnonzero(~(f_trial > f0))
        if short.size:
            shorter = np.clip(here[short] + _SHORTER[:, None, None] * move[short], low, high)
            f_shorter = objective(shorter, rows[short])
            pick, across = np.argmax(f_shorter, axis=0), np.arange(short.size)
            trial[short], f_trial[short] = shorter[pick, across], f_shorter[pick, across]
        better = f_trial > f0
        best[rows] = np.where(better[:, None], trial, here)
        value[rows] = np.where(better, f_trial, f0)
        gain = np.where(better, f_trial - f0, 0.0)
        rows = rows[gain > settled + 1e-13 * np.abs(f0)]
    return best, value


def _climb(slope: Array, bend: Array, step: Array) -> Array:
    """Newton step with curvature forced negative, in units of `step`; no parameter moves by more than 1.5."""
    slope, bend = slope * step, bend * step[:, None] * step
    if step.size == 1:
        move = slope / np.maximum(np.abs(bend[:, 0]), 1e-14)
    else:
        size, axes = np.linalg.eigh(bend)
        size = np.maximum(np.abs(size), 1e-8 * np.maximum(np.abs(size).max(axis=1, keepdims=True), 1e-6))
        along = np.einsum("bij,bi->bj", axes, slope) / size
        move = np.einsum("bij,bj->bi", axes, along)
    move = move * step
    length = np.abs(move).max(axis=1, keepdims=True)
    return np.asarray(move * np.minimum(1.0, 1.5 / np.maximum(length, 1e-300)))
