"""Where did it start, for readings kept as intervals: "<0.5" counts as what it is, no number is put in its place.

The likelihood of a level is worked out on a grid for every reading at once; running sums then weigh every start.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.change_point import FEWEST, MOST, Change, ChangeSearch, location_drop
from spc.chart.change_scan import change_null

__all__ = ["interval_change_point"]

Array = NDArray[np.float64]

LEVELS, SPREADS = 61, 15  # grid points; finer grids move the ratio by less than 0.05


def interval_change_point(
    low: ArrayLike,
    high: ArrayLike,
    *,
    scale: str = "log",
    level: float = 0.95,
    false_detection: float = 0.05,
    min_segment: int = 2,
) -> ChangeSearch:
    """Search for one shift of level in interval readings.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Ends of each reading, one unit, in time order; `low` 0 (or -inf) for "below", `high` inf for "above".
    scale : str, default 'log'
        'log': lognormal readings, the shift is a ratio; 'plain': normal readings or z-scores.
    level, false_detection, min_segment
        As in `spc.chart.change_point.change_point`.

    Returns
    -------
    ChangeSearch
        `before` and `after` are the medians, in the unit given.

    Raises
    ------
    ValueError
        If lengths differ, an end is NaN, `low` is above `high`, or an option is unknown.

    Notes
    -----
    One spread for both levels. Critical values are those of unrounded normal readings; the coarser the step, the
    fewer false detections (simulated), so the stated rate is an upper bound.

    References
    ----------
    Interval likelihood: Meeker and Escobar (1998), Statistical Methods for Reliability Data, section 2.4.
    """
    a, b = _ends(low, high, scale)
    n = a.size
    kinds = ("mean",)
    refusal = ""
    if n < FEWEST:
        refusal = f"Where a change started cannot be said from {n:,} readings; at least {FEWEST} are needed."
    elif n > MOST:
        refusal = f"{n:,} readings are more than one search takes; give a stretch of at most {MOST:,}."
    elif np.all(a == a[0]) and np.all(b == b[0]):
        refusal = f"All {n} readings are the same interval: no change can be seen, and none ruled out within the step."
    if refusal:
        return ChangeSearch("refused", (), math.nan, false_detection, n, kinds, refusal)
    spreads, levels = _grid(a, b)
    starts = np.arange(min_segment, n - min_segment + 1)
    whole = np.empty(SPREADS)
    by_spread = np.empty((SPREADS, starts.size))
    for j, spread in enumerate(spreads):
        ahead = np.cumsum(_log_likelihood(a, b, levels, float(spread)), axis=1)
        whole[j] = ahead[:, -1].max()
        by_spread[j] = ahead[:, starts - 1].max(axis=0) + (ahead[:, -1:] - ahead[:, starts - 1]).max(axis=0)
    ratio = 2 * (by_spread.max(axis=0) - float(whole.max()))
    best = int(np.argmax(ratio))
    null = change_null(np.linspace(0.0, 1.0, n), kinds=kinds, degree=0, min_segment=min_segment)
    p = null.kind_p("mean", float(ratio[best]))
    if p > false_detection:
        words = f"No change found in {n:,} readings (noise alone looks as good in {p:.0%} of such series)."
        return ChangeSearch("none", (), p, false_detection, n, kinds, words)
    sd = float(spreads[np.argmax(by_spread[:, best])])
    fit = _log_likelihood(a, b, levels, sd)
    start = int(starts[best])
    before = float(levels[np.argmax(fit[:, :start].sum(axis=1))])
    after = float(levels[np.argmax(fit[:, start:].sum(axis=1))])
    set_start = starts[ratio[best] - ratio <= location_drop("mean", level)].astype(np.int64)
    shown_before, shown_after = (math.exp(before), math.exp(after)) if scale == "log" else (before, after)
    size_sd = (after - before) / sd
    found = Change("mean", start, set_start, level, shown_before, shown_after, size_sd, float(ratio[best]))
    first, last = int(set_start[0]) + 1, int(set_start[-1]) + 1
    where = f"at reading {first}" if first == last else f"somewhere from reading {first} to {last}"
    sentence = (
        f"Changed: the middle went from {shown_before:.3g} to {shown_after:.3g} {where} of {n:,}, "
        f"{level:.0%} sure of the place (noise alone looks as good in {p:.2g} of such series)."
    )
    return ChangeSearch("change", (found,), p, false_detection, n, kinds, sentence)


def _ends(low: ArrayLike, high: ArrayLike, scale: str) -> tuple[Array, Array]:
    a, b = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    if scale not in ("log", "plain"):
        raise ValueError(f"`scale` must be 'log' or 'plain', got {scale!r}")
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"`low` and `high` must be one-dimensional and of one length, got {a.shape} and {b.shape}")
    if np.any(np.isnan(a)) or np.any(np.isnan(b)):
        raise ValueError("`low` and `high` must not be NaN; leave out readings that are missing")
    if np.any(a > b):
        where = int(np.flatnonzero(a > b)[0])
        raise ValueError(f"`low` must not be above `high`, got {a[where]} and {b[where]} at reading {where + 1}")
    if scale == "plain":
        return a, b
    if np.any(a < 0) or np.any(b <= 0):
        raise ValueError("`low` must be 0 or more and `high` greater than 0 on the log scale; use scale='plain'")
    with np.errstate(divide="ignore"):
        return np.log(a), np.log(b)


def _grid(a: Array, b: Array) -> tuple[Array, Array]:
    """Spreads and levels to try, from finite stand-ins that serve only to place the grid."""
    width = (b - a)[np.isfinite(b - a)]
    half = max(float(np.median(width)) if width.size else 1.0, 1e-9) / 2
    middle = np.where(np.isinf(a), np.where(np.isinf(b), 0.0, b - half), np.where(np.isinf(b), a + half, a / 2 + b / 2))
    guess = max(float(np.std(middle)), 1e-9 * max(1.0, float(np.max(np.abs(middle)))))
    spreads = guess * np.geomspace(0.35, 1.6, SPREADS)
    levels = np.linspace(float(middle.min()) - float(spreads[-1]), float(middle.max()) + float(spreads[-1]), LEVELS)
    return spreads, levels


def _log_likelihood(a: Array, b: Array, levels: Array, spread: float) -> Array:
    """Log-likelihood of each reading at each level, shape (LEVELS, n)."""
    from scipy.special import log_ndtr, ndtr

    exact = a == b
    za, zb = (a - levels[:, None]) / spread, (b - levels[:, None]) / spread
    flip = za > 0  # use the nearer tail
    lo, hi = np.where(flip, -zb, za), np.where(flip, -za, zb)
    wide = np.log(np.maximum(ndtr(hi) - ndtr(lo), 1e-300))
    wide = np.where(hi < -30, log_ndtr(hi), wide)  # both tails vanish: the nearer end decides
    return np.asarray(np.where(exact, -0.5 * np.where(exact, za, 0.0) ** 2 - math.log(spread), wide))
