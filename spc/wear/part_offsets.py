"""How far the readings of each part number lie from those of the others on one lap, wear and cycles taken out."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["without_parts"]

Array = NDArray[np.float64]

_LEAST = 3  # readings of a part number from which it is set apart; our own rule
_STEP = 0.01  # offsets are told to 1 %, so that the next face seldom moves them


def without_parts(value: Array, age: Array, stretch: NDArray[np.intp], part: NDArray[np.intp]) -> Array:
    """Take from the readings of one lap what is due to the part numbers.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Logarithms of a sign; NaN = not read.
    age : ndarray, shape (n,)
        Faces since the cycle began.
    stretch : ndarray of int, shape (n,)
        Which cycle, under which grit; 0, 1, ...
    part : ndarray of int, shape (n,)
        Which part number; 0, 1, ...

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Each stretch has a line of age of its own, so that a part number that is lapped late in the cycles is not taken for
    a large one. Least squares of offsets on top of these lines; they are drawn towards 0 by what the scatter of the
    readings makes of parts that are alike (between-part variance by moments), and parts of few readings are taken as
    alike.

    References
    ----------
    DerSimonian and Laird (1986), Controlled Clinical Trials 7(3), 177-188 (the between-part variance; from memory).
    """
    known = np.flatnonzero(np.isfinite(value))
    counts = np.bincount(part[known], minlength=int(part.max(initial=-1)) + 1)
    apart = np.flatnonzero(counts >= _LEAST)
    if apart.size < 2:
        return value
    place = np.full(counts.size, -1)
    place[apart] = np.arange(apart.size)
    of, where = place[part[known]], stretch[known]
    x = np.zeros((known.size, apart.size))
    x[np.flatnonzero(of >= 0), of[of >= 0]] = 1.0
    left = _about_lines(np.column_stack([value[known], x]), age[known], where)
    y, x = left[:, 0], left[:, 1:]
    information = x.T @ x
    inverse = np.linalg.pinv(information, rcond=1e-9)
    offsets = inverse @ (x.T @ y)
    freedom = known.size - 2 * np.unique(where).size - (apart.size - 1)
    if freedom < 1:
        return value
    noise = float(np.sum((y - x @ offsets) ** 2)) / freedom
    error = noise * np.maximum(np.diag(inverse), 0.0)
    told = error > 0
    if np.count_nonzero(told) < 2:
        return value
    weight = 1.0 / error[told]
    centre = float(np.sum(weight * offsets[told]) / weight.sum())
    q = float(np.sum(weight * (offsets[told] - centre) ** 2))
    between = max(0.0, (q - (weight.size - 1)) / float(weight.sum() - np.sum(weight**2) / weight.sum()))
    shrunk = np.zeros(apart.size)
    shrunk[told] = between / (between + error[told]) * (offsets[told] - centre)
    of_part = np.zeros(counts.size)
    of_part[apart] = np.round(shrunk / _STEP) * _STEP
    return np.asarray(value - of_part[part], dtype=np.float64)


def _about_lines(columns: Array, age: Array, stretch: NDArray[np.intp]) -> Array:
    """Residuals of every column about a straight line of age in each stretch."""
    count = np.maximum(np.bincount(stretch), 1)

    def mean(values: Array) -> Array:
        return (np.bincount(stretch, weights=values) / count)[stretch]

    t = age - mean(age)
    square = mean(t * t)
    square = np.where(square > 0, square, 1.0)
    out = np.empty_like(columns)
    for k in range(columns.shape[1]):
        level = columns[:, k] - mean(columns[:, k])
        out[:, k] = level - t * mean(t * level) / square
    return out
