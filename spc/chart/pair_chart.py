"""The two rules that watch every sign of a lap: one face beyond the limit, and the drifting average beyond its own.

The average starts anew after every signal and at every break (recharge, reconditioning), as its run length assumes: a
call is one call, however long the lap is left as it is.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SIDES", "PairChart", "Points", "pair_chart", "pair_chart_of"]

Array = NDArray[np.float64]

SIDES = ("upper", "lower", "both")


@dataclass(frozen=True, slots=True)
class PairChart:
    """What both rules said, one entry per point."""

    average: Array  # drifting average after each point, before any restart; standard deviations of a point
    beyond: NDArray[np.bool_]  # the point itself beyond the limit
    drifting: NDArray[np.bool_]  # the drifting average beyond its limit
    since: NDArray[np.int64]  # where a drift signal began: first measured since the average left its centre; else own


class Points(Protocol):
    """Points that hang on what was said of those before them."""

    def point(self, i: int) -> tuple[float, bool]:
        """Give the score of point `i`, NaN = not measured, and whether it is beyond the limit; asked in order."""
        ...

    def called(self, first: int) -> None:
        """Hear that the point given last signals, off the centre since point `first`."""
        ...


def pair_chart(
    z: ArrayLike,
    tail_p: ArrayLike,
    *,
    alpha: float,
    weight: float,
    average_limit_z: float,
    side: str = "upper",
    starts: ArrayLike = (),
) -> PairChart:
    """Run both rules along one series.

    Parameters
    ----------
    z : array_like, shape (n,)
        Standard scores in time order; NaN = not measured, which carries the average over unchanged.
    tail_p : array_like, shape (n,)
        Chance of a reading at least so far out on the watched side (both sides: the smaller of the two).
    alpha : float
        A point with `tail_p` at or below this is beyond the limit.
    weight : float
        Of the newest point, greater than 0 and at most 1.
    average_limit_z : float
        Limit of the average, standard deviations of a point.
    side : {'upper', 'lower', 'both'}
        One-sided averages are held back at the centre, so that a good spell cannot hide a bad one.
    starts : array_like of int
        Positions at which the average starts anew.

    Returns
    -------
    PairChart

    Raises
    ------
    ValueError
        If lengths differ or a setting is out of range.

    References
    ----------
    Lucas and Saccucci (1990), Technometrics 32(1), 1-29 (average together with a limit).
    """
    score, tail = np.asarray(z, dtype=np.float64), np.asarray(tail_p, dtype=np.float64)
    if score.ndim != 1 or score.shape != tail.shape:
        raise ValueError(f"`z` and `tail_p` must be one-dimensional and of one length, got {score.shape}, {tail.shape}")
    if not 0 < alpha < 1:
        raise ValueError(f"`alpha` must be between 0 and 1, got {alpha}")
    with np.errstate(invalid="ignore"):
        beyond = ~np.isnan(score) & (tail <= alpha)
    given = _Given(score.tolist(), beyond.tolist())
    return pair_chart_of(given, score.size, weight=weight, average_limit_z=average_limit_z, side=side, starts=starts)


def pair_chart_of(
    points: Points,
    n: int,
    *,
    weight: float,
    average_limit_z: float,
    side: str = "upper",
    starts: ArrayLike = (),
) -> PairChart:
    """Run both rules along points that are asked for one by one; other parameters, errors and source as `pair_chart`.

    Parameters
    ----------
    points : Points
    n : int
        How many.
    """
    if side not in SIDES:
        raise ValueError(f"`side` must be one of {', '.join(SIDES)}, got {side!r}")
    if not (0 < weight <= 1 and average_limit_z > 0 and math.isfinite(average_limit_z)):
        raise ValueError(
            f"`weight` must be in (0, 1] and `average_limit_z` greater than 0, got {weight} and {average_limit_z}"
        )
    sign = -1.0 if side == "lower" else 1.0
    fresh = np.zeros(n, dtype=bool)
    fresh[np.asarray(starts, dtype=np.int64)] = True
    average = np.empty(n)
    beyond, drifting = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    since = np.arange(n, dtype=np.int64)
    held, two = side != "both", side == "both"
    carry, value, begun = 1.0 - weight, 0.0, 0
    for i, restart in enumerate(fresh.tolist()):
        if restart:
            value, begun = 0.0, i
        score, out = points.point(i)
        measured = score == score  # a score that is not a number is not equal to itself
        if measured:
            before = value
            value = carry * value + weight * sign * score
            if held and value <= 0.0:
                value, begun = 0.0, i + 1
            elif before == 0.0 or (two and value * before <= 0.0):
                begun = i
        average[i] = sign * value
        beyond[i] = out
        if measured and abs(value) > average_limit_z:
            drifting[i] = True
            since[i] = begun
        if out or drifting[i]:
            points.called(min(begun, i))
            value, begun = 0.0, i + 1
    return PairChart(average, beyond, drifting, since)


class _Given:
    """Points known beforehand."""

    def __init__(self, score: list[float], beyond: list[bool]) -> None:
        self._points = list(zip(score, beyond, strict=True))

    def point(self, i: int) -> tuple[float, bool]:
        return self._points[i]

    def called(self, first: int) -> None:
        pass
