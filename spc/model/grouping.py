"""Interval readings grouped to their distinct values, so that a thousand readings on steps cost no more than twenty."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.families import Array

__all__ = ["Readings", "capped", "group_readings"]

MANY_DISTINCT = 20_000  # above this many distinct readings, neighbours are drawn together


@dataclass(frozen=True, slots=True)
class Readings:
    """Distinct readings with how often each came, in units of `scale_um` (the median reading)."""

    scale_um: float
    exact: Array  # (points,) readings known as numbers
    exact_count: Array
    low: Array  # (cells,) readings known as intervals; high may be inf
    high: Array
    count: Array
    n: int  # readings used
    missing: int  # readings left out because not measured (both ends NaN)
    largest_um: float  # highest lower end seen
    blank: str  # why no law can be fitted, '' if one can
    remark: str  # how the readings were understood, '' if plainly
    edges: Array  # every cell edge once, ascending
    low_at: NDArray[np.intp]  # place of each cell's lower edge among the edges
    high_at: NDArray[np.intp]

    @property
    def middle(self) -> tuple[Array, Array]:
        """(value, weight) of one stand-in number per distinct reading, for starting values only."""
        top = np.where(np.isfinite(self.high), self.high, 1.4 * np.maximum(self.low, 1e-3))
        mid = np.where(self.low > 0, 0.5 * (self.low + top), 0.6 * top)
        return np.concatenate([self.exact, mid]), np.concatenate([self.exact_count, self.count])


def group_readings(low_um: ArrayLike, high_um: ArrayLike | None = None) -> Readings:
    """Check interval readings and group them to distinct values.

    Parameters
    ----------
    low_um, high_um : array-like (n,), micrometres
        Each reading as the interval it stands for; equal ends = an exact number; `high_um` may be inf ("2 or more");
        both NaN = not measured, left out and counted. Without `high_um` all readings are exact.

    Returns
    -------
    Readings
        `blank` says in words why nothing can be fitted (too few, all alike, all "less than", all open above).

    Raises
    ------
    ValueError
        If lengths differ, a lower end is negative, one end alone is NaN, a lower end is infinite, or ends are swapped.
    """
    low = np.atleast_1d(np.asarray(low_um, dtype=float)).ravel()
    high = low if high_um is None else np.atleast_1d(np.asarray(high_um, dtype=float)).ravel()
    if low.size != high.size:
        raise ValueError(f"`low_um` and `high_um` must have one length, got {low.size} and {high.size}")
    seen = ~(np.isnan(low) & np.isnan(high))
    _refuse(seen & (np.isnan(low) | np.isnan(high)), "one end is missing; give both ends, or neither if not measured")
    _refuse(seen & ((low < 0) | ~np.isfinite(low)), "the lower end must be a finite number, zero or more", low)
    _refuse(seen & (high < low), "the upper end is below the lower end; swap them")
    missing = int(low.size - seen.sum())
    low, high = low[seen], high[seen]
    n = low.size
    remark = f"{missing:,} readings not measured, left out" if missing else ""
    low, high, count = _distinct(low, high, np.ones(n))
    if low.size > MANY_DISTINCT:
        low, high, count = _distinct(_snapped(low, high), _snapped(high, low), count)
        remark = _join(
            remark, f"over {MANY_DISTINCT:,} distinct readings, drawn together where closer than they matter"
        )
    positive = high[(high > 0) & np.isfinite(high)]
    zero = (low == 0) & (high == 0)
    if zero.any() and positive.size:
        high = np.where(zero, positive.min(), high)
        remark = _join(remark, "readings of plain 0 taken as anywhere up to the smallest reading above 0")
    finite_top = np.where(np.isfinite(high), high, low)
    centre = 0.5 * (low + finite_top)
    scale = float(centre[np.searchsorted(np.cumsum(count), n / 2)]) if n else 1.0
    if not scale > 0:
        scale = float(positive.min()) if positive.size else 1.0
    # An interval far narrower than its place is a number: differences of F would drown in rounding.
    exact = (high - low <= 1e-9 * low) & np.isfinite(high)
    edges, low_at, high_at = _edges(low[~exact] / scale, high[~exact] / scale)
    return Readings(
        scale_um=scale,
        exact=0.5 * (low[exact] + high[exact]) / scale,
        exact_count=count[exact],
        low=low[~exact] / scale,
        high=high[~exact] / scale,
        count=count[~exact],
        n=n,
        missing=missing,
        largest_um=float(low.max()) if n else float("nan"),
        blank=_blank(low, high, n),
        remark=remark,
        edges=edges,
        low_at=low_at,
        high_at=high_at,
    )


def capped(readings: Readings, cut: float) -> Readings:
    """Cap readings that reach beyond `cut` (in their scaled units): nothing beyond it was kept."""
    high = np.minimum(readings.high, cut)
    edges, low_at, high_at = _edges(readings.low, high)
    return replace(readings, high=high, edges=edges, low_at=low_at, high_at=high_at)


def _edges(low: Array, high: Array) -> tuple[Array, NDArray[np.intp], NDArray[np.intp]]:
    """Every edge once, and the place of each cell's ends among them."""
    edges, at = np.unique(np.concatenate([low, high]), return_inverse=True)
    return edges, at[: low.size], at[low.size :]


def _distinct(low: Array, high: Array, count: Array) -> tuple[Array, Array, Array]:
    """Sort pairs and add up the counts of equal ones."""
    order = np.lexsort((high, low))
    low, high, count = low[order], high[order], count[order]
    first = np.ones(low.size, dtype=bool)
    first[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
    total = np.add.reduceat(count, np.flatnonzero(first)) if low.size else count
    return low[first], high[first], total


def _snapped(value: Array, other: Array) -> Array:
    """Round to even steps of the logarithm: 3,000 across the readings if exact, 300 if each is an interval.

    The step is under a fiftieth of the spread, so that the rounding adds under 0.02 % to the variance, less than
    the sampling error of the many readings that call for it.
    """
    levels = 3000 if np.array_equal(value, other) else 300
    positive = (value > 0) & np.isfinite(value)
    log_value = np.log(value[positive])
    low, high = np.quantile(log_value, [0.001, 0.999])
    step = max((high - low) / levels, 1e-12)
    snapped = value.copy()
    snapped[positive] = np.exp(np.round(log_value / step) * step)
    return snapped


def _blank(low: Array, high: Array, n: int) -> str:
    """Why these distinct readings cannot carry a law; '' if they can."""
    if n == 0:
        return "no reading yet"
    if n < 4:
        return (
            f"{n} reading{'s' if n > 1 else ''}: too few for a law; at least 4 are needed, 30 for a limit worth keeping"
        )
    if not (high > 0).any():
        return f"all {n:,} readings are 0: nothing is known of the spread; read on a finer step"
    if low.size == 1:
        if low[0] == 0:
            return (
                f"all {n:,} readings are the same 'less than' value: only an upper bound is known; read on a finer step"
            )
        if not np.isfinite(high[0]):
            return f"all {n:,} readings are the same 'or more' value: nothing above it is known"
        return f"all {n:,} readings are alike: their spread is smaller than the step can show; read on a finer step"
    if (low == 0).all():
        return f"all {n:,} readings are 'less than' values: only an upper bound is known; read on a finer step"
    if np.isinf(high).all():
        return f"all {n:,} readings are 'or more' values: nothing above them is known"
    if low.max() < high.min():
        return f"all {n:,} readings share one stretch of values: their spread is smaller than the step can show"
    return ""


def _refuse(bad: NDArray[np.bool_], rule: str, value: Array | None = None) -> None:
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        came = "" if value is None else f", got {value[i]:g}"
        raise ValueError(f"`low_um`, `high_um`: reading {i + 1}: {rule}{came}")


def _join(a: str, b: str) -> str:
    return f"{a}; {b}" if a else b
