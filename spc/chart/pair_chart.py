"""The two rules that watch every sign of a lap: one face beyond the limit, and the drifting average beyond its own.

The average starts anew after every signal and at every break (recharge, reconditioning), as its run length assumes: a
call is one call, however long the lap is left as it is.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SIDES", "PairChart", "pair_chart"]

Array = NDArray[np.float64]

SIDES = ("upper", "lower", "both")


@dataclass(frozen=True, slots=True)
class PairChart:
    """What both rules said, one entry per point."""

    average: Array  # drifting average after each point, before any restart; standard deviations of a point
    beyond: NDArray[np.bool_]  # the point itself beyond the limit
    drifting: NDArray[np.bool_]  # the drifting average beyond its limit
    since: NDArray[np.int64]  # where a drift signal began: point after the average last touched its centre; else own


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
    if side not in SIDES:
        raise ValueError(f"`side` must be one of {', '.join(SIDES)}, got {side!r}")
    if not 0 < alpha < 1:
        raise ValueError(f"`alpha` must be between 0 and 1, got {alpha}")
    if not (0 < weight <= 1 and average_limit_z > 0 and math.isfinite(average_limit_z)):
        raise ValueError(
            f"`weight` must be in (0, 1] and `average_limit_z` greater than 0, got {weight} and {average_limit_z}"
        )
    sign = -1.0 if side == "lower" else 1.0
    known = ~np.isnan(score)
    with np.errstate(invalid="ignore"):
        beyond = known & (tail <= alpha)
    fresh = np.zeros(score.size, dtype=bool)
    fresh[np.asarray(starts, dtype=np.int64)] = True
    average = np.empty(score.size)
    drifting = np.zeros(score.size, dtype=bool)
    since = np.arange(score.size, dtype=np.int64)
    held, two = side != "both", side == "both"
    carry, value, begun = 1.0 - weight, 0.0, 0
    columns = zip((sign * score).tolist(), known.tolist(), beyond.tolist(), fresh.tolist(), strict=True)
    for i, (point, measured, out, restart) in enumerate(columns):
        if restart:
            value, begun = 0.0, i
        if measured:
            before = value
            value = carry * value + weight * point
            if held and value <= 0.0:
                value, begun = 0.0, i + 1
            elif two and value * before <= 0.0:
                begun = i
        average[i] = sign * value
        if measured and abs(value) > average_limit_z:
            drifting[i] = True
            since[i] = begun
        if out or drifting[i]:
            value, begun = 0.0, i + 1
    return PairChart(average, beyond, drifting, since)
