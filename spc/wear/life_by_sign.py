"""What a sign of wear says of the life of a running cycle, by how it went in past ones with the share of their lives.

Minutes per face that have moved as far as they do at half of a life say that half is left, whatever limit nobody reads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import add

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from spc.model.autocorrelation import lag_correlation
from spc.model.level_and_slope import restricted_log_likelihood, weighed
from spc.wear.lifetime import LEAST_EVENTS

__all__ = ["SignPath", "log_likelihood_of_lives"]

Array = NDArray[np.float64]

# Our own rules.
_LEAST_PAST, _LEAST_OWN = 5, 3  # readings of a past cycle that counts, and of the running one
_MOST_CYCLES = 40  # past cycles that count, the newest
_AROUND, _FAR = 3, 4.0  # a reading is drawn in to so many spreads from the middle of so many on either side
_LEAST_TOLD = 0.2  # of what readings say that take after the one before, this much is left
# Standard deviations between cycles in level and in slope, in those of one reading; each pair as likely as the others.
_UNLIKE = np.array([(level, slope) for level in (0, 0.1, 0.2, 0.4, 0.8, 1.6) for slope in (0, 0.2, 0.4, 0.8, 1.6, 3.2)])


@dataclass(frozen=True, slots=True, eq=False)
class SignPath:
    """A sign of wear through one cycle."""

    age: Array  # (n,) faces lapped by then, the reading's own among them; above 0
    level: Array  # (n,) logarithm of the sign, part numbers apart


def log_likelihood_of_lives(
    past: Sequence[SignPath], lives: ArrayLike, own: SignPath, asked: ArrayLike
) -> Array | None:
    """Say how likely the readings of a running cycle are under each life it may have.

    Parameters
    ----------
    past : sequence of SignPath, length n
        Cycles that wore out.
    lives : array_like, shape (n,)
        How long each lasted, faces; above 0.
    own : SignPath
        The running cycle.
    asked : array_like, shape (k,)
        Lives of it, faces; none below its last reading.

    Returns
    -------
    ndarray, shape (k,), or None
        Log likelihood up to a constant. None where under five past cycles, or fewer than three faces of its own, carry
        the sign, or it never moves at all.

    Raises
    ------
    ValueError
        If a life is not above 0, or there is not one for each past cycle.

    Notes
    -----
    level = a + b u + c u^2 + d u log(life) + what cycles differ by in level and slope + error, u = age / life. The term
    in log(life) leaves open that wear goes at one pace in every cycle, whenever people call it worn: then the sign says
    nothing of the life, and past cycles show that. The error's size, a, b, c, d are integrated out, flat (1/size); the
    spreads between cycles are averaged over a grid by what past cycles make of them. Errors that take after the one
    before count for less, by (1 - r) / (1 + r). What ranges drawn so hold is simulated in
    tests/honesty/test_life_by_sign.py.

    References
    ----------
    That of the restricted likelihood: `spc.model.level_and_slope`. Zwiers and von Storch (1995), Journal of Climate 8,
    336-351: the equivalent number of readings (from memory).
    """
    life, candidates = np.asarray(lives, dtype=np.float64), np.asarray(asked, dtype=np.float64)
    if life.shape != (len(past),) or not np.all(life > 0):
        raise ValueError(f"`lives` must be one number above 0 for each of {len(past)} past cycles")
    if not np.all(candidates > 0):
        raise ValueError("`asked` must be above 0")
    enough = [at for at, path in enumerate(past) if path.level.size >= _LEAST_PAST][-_MOST_CYCLES:]
    if len(enough) < LEAST_EVENTS or own.level.size < _LEAST_OWN:
        return None
    of, told = life[enough], [past[at] for at in enough]
    *told, now = _drawn_in([*told, own])
    middle = float(np.exp(np.mean(np.log(of))))
    left_over = np.concatenate([path.level - _curve(path) for path in told])
    if float(left_over @ left_over) <= 1e-12 * max(float(sum(path.level @ path.level for path in told)), 1.0):
        return None
    counts = _counts_for(told, left_over)
    each = (_columns(path, np.array([lasted]), middle) for path, lasted in zip(told, of, strict=True))
    before = reduce(add, (weighed(columns, _UNLIKE, counts=counts) for columns in each))
    joint = before + weighed(_columns(now, candidates, middle), _UNLIKE, counts=counts)
    likely, known = (np.logaddexp.reduce(restricted_log_likelihood(w), axis=0) for w in (joint, before))
    return np.asarray(likely - known, dtype=np.float64)


def _drawn_in(paths: Sequence[SignPath]) -> list[SignPath]:
    """Draw readings that lie far from those around them in to where they no longer lead."""
    width = 2 * _AROUND + 1
    around = [np.median(sliding_window_view(np.pad(p.level, _AROUND, mode="edge"), width), axis=1) for p in paths]
    away = np.concatenate([path.level - middle for path, middle in zip(paths, around, strict=True)])
    far = _FAR * 1.4826 * float(np.median(np.abs(away)))  # 1.4826: a normal law's spread by its middle
    if far == 0:  # most are alike, as counts of passes are
        return list(paths)
    return [
        SignPath(path.age, middle + np.clip(path.level - middle, -far, far))
        for path, middle in zip(paths, around, strict=True)
    ]


def _curve(path: SignPath) -> Array:
    """Curve of its own through the readings of a cycle, a square in age."""
    x = np.vander(path.age / path.age[-1], 3)
    return np.asarray(x @ np.linalg.lstsq(x, path.level, rcond=None)[0], dtype=np.float64)


def _counts_for(paths: Sequence[SignPath], left_over: Array) -> float:
    """Share that a reading counts for where neighbours take after each other beyond chance."""
    cycle = np.repeat(np.arange(len(paths)), [path.level.size for path in paths])
    lags = lag_correlation(left_over, np.concatenate([path.age for path in paths]), chain=cycle, max_lag=1)
    if not lags.correlation.size:
        return 1.0
    of_curves = 3 * len(paths) / left_over.size  # each of three terms: they make neighbours look unlike by so much
    r = float(lags.correlation[0]) + of_curves
    if r < 2 / np.sqrt(float(lags.pairs[0])):
        return 1.0
    return max((1 - r) / (1 + r), _LEAST_TOLD)


def _columns(path: SignPath, lives: Array, middle: float) -> Array:
    """Columns under each of k lives, (k, n, 7): four that cycles share, the readings, level and slope of the cycle."""
    u = path.age / lives[:, None]
    one, level = np.ones_like(u), np.broadcast_to(path.level, u.shape)
    return np.stack([one, u, u * u, u * np.log(lives / middle)[:, None], level, one, u - 0.5], axis=2)
