"""Wear trend of one cycle by itself: a robust slope with an interval that takes each reading as an interval.

Two readings whose intervals overlap say nothing about the sign of the slope between them and count as a tie, so that
half-band readings neither invent a trend nor an exact zero.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from spc.wear.wear_path import WearPath

__all__ = ["WearTrend", "wear_trend"]

Array = NDArray[np.float64]

_EXACT = 60  # readings up to which the rank law is counted out exactly


@dataclass(frozen=True, slots=True)
class WearTrend:
    """Slope of one cycle's readings against its age."""

    status: str  # 'rising', 'falling', 'not shown' (the interval holds zero), 'too few'
    slope: float  # readings' unit per unit of age; NaN when too few, or where any slope goes with them
    low: float  # -inf or inf where readings open above leave an end open
    high: float
    level: float
    n: int
    sentence: str


def wear_trend(path: WearPath, *, level: float = 0.9, unit: str = "um", age_unit: str = "face") -> WearTrend:
    """Estimate the slope of one cycle.

    Parameters
    ----------
    path : WearPath
        Readings as intervals; an open one ("2+") has an infinite upper end.
    level : float
        Coverage of the interval, between 0.5 and 1.
    unit, age_unit : str
        For the sentence.

    Raises
    ------
    ValueError
        If `level` is outside 0.5 to 1.

    Notes
    -----
    The interval holds every slope for which Kendall's count of rising less falling pairs of residual intervals is not
    significant; the estimate is the middle of the slopes for which it changes sign. Assumes independent readings with
    one law of error, of any shape. With ties the interval is wider than its level says, never narrower.

    References
    ----------
    Sen (1968), Estimates of the regression coefficient based on Kendall's tau, JASA 63(324); for intervals Akritas,
    Murphy and LaValley (1995), The Theil-Sen estimator with doubly censored data, JASA 90(429).
    """
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    n = path.age.size
    first, second = np.triu_indices(n, 1)
    apart = path.age[second] - path.age[first]
    first, second, apart = first[apart > 0], second[apart > 0], apart[apart > 0]
    most = _critical(n, level) if n > 1 else 0
    if not apart.size or most >= apart.size:
        words = f"too few readings for a trend: {n}; {_fewest(level)} at different ages are needed"
        nan = float("nan")
        return WearTrend("too few", nan, nan, nan, level, n, words)
    rising_below = np.sort((path.low[second] - path.high[first]) / apart)  # a pair rises for slopes below this
    falling_above = np.sort((path.high[second] - path.low[first]) / apart)
    low = _turn(rising_below, falling_above, most)
    high = -_turn(-falling_above[::-1], -rising_below[::-1], most)
    slope = _middle(rising_below, falling_above, low, high)
    status = "rising" if low > 0 else "falling" if high < 0 else "not shown"
    words = {
        "rising": f"wears by {slope:.3g} {unit} per {age_unit} ({_span(low, high, f' {unit}')})",
        "falling": f"falls by {-slope:.3g} {unit} per {age_unit} ({_span(-high, -low, f' {unit}')})",
        "not shown": f"no trend shown by {n:,} readings ({_span(low, high, f' {unit} per {age_unit}')})",
    }[status]
    return WearTrend(status, slope, low, high, level, n, words)


def _span(low: float, high: float, unit: str) -> str:
    """Say an interval; readings open above leave one end of it open, or both."""
    if np.isinf([low, high]).all():
        return "open above, they go with any slope"
    if np.isinf([low, high]).any():
        return f"{low:.3g}{unit} or more" if np.isinf(high) else f"{high:.3g}{unit} or less"
    return f"{low:.3g} to {high:.3g}{unit}"


def _turn(rising_below: Array, falling_above: Array, most: int) -> float:
    """Least slope just above which rising less falling pairs are no more than `most`; -inf = any slope, however low."""
    if np.count_nonzero(np.isfinite(rising_below)) <= most:
        return -math.inf
    candidates = np.concatenate([rising_below, falling_above])
    candidates = np.sort(candidates[np.isfinite(candidates)])
    count = _rising(rising_below, candidates) - _falling(falling_above, candidates)
    return float(candidates[np.flatnonzero(count <= most)[0]])


def _middle(rising_below: Array, falling_above: Array, low: float, high: float) -> float:
    """Middle of the slopes at which rising and falling pairs balance; where it is open, the end that is not."""
    least = _turn(rising_below, falling_above, 0)
    greatest = -_turn(-falling_above[::-1], -rising_below[::-1], 0)
    ends = [end for end in (least, greatest) if math.isfinite(end)]
    return float(np.clip(np.mean(ends), low, high)) if ends else math.nan


def _rising(rising_below: Array, slope: Array) -> NDArray[np.int64]:
    return (rising_below.size - np.searchsorted(rising_below, slope, side="right")).astype(np.int64)


def _falling(falling_above: Array, slope: Array) -> NDArray[np.int64]:
    return np.searchsorted(falling_above, slope, side="right").astype(np.int64)


@cache
def _critical(n: int, level: float) -> int:
    """Greatest count of rising less falling pairs that is not significant among n readings without trend."""
    if n > _EXACT:
        from scipy.special import ndtri

        return int(float(ndtri(0.5 + level / 2)) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18))
    ways = np.ones(1)
    for size in range(2, n + 1):  # number of orders of n by their inversions
        ways = np.convolve(ways, np.ones(size) / size)
    pairs = n * (n - 1) // 2
    count = pairs - 2 * np.arange(pairs + 1)
    for most in range(pairs, -1, -1):
        if ways[np.abs(count) >= most].sum() > 1 - level:
            return most
    return 0


@cache
def _fewest(level: float) -> int:
    return next(n for n in range(3, 40) if _critical(n, level) < n * (n - 1) // 2)
