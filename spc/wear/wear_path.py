"""One wear path: the readings of one cycle (or of one unit) against its age, each reading an interval."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["MOST_READINGS", "WearPath", "half_way_to", "taken", "thinned", "until_limit", "wear_path"]

MOST_READINGS = 600  # of one cycle that a fit takes; the cost grows with them, what they tell hardly does; our own rule
_NEWEST = 200  # of these, all that are newest: they say where the path stands now

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WearPath:
    """Readings of one cycle in order of age; arrays have one length."""

    label: str
    age: Array  # on the chosen clock, 0 or more, not falling
    low: Array  # of the reading, any one unit, signed where the sign is known
    high: Array  # inf where the reading is open above
    sign_known: NDArray[np.bool_]  # False: only the size of the reading is known, its sign is not
    parts: tuple[str, ...]  # part number of each reading; empty = one part
    limit: float  # limit of this unit, NaN = none of its own
    covariates: tuple[float, ...]  # of the unit: load, feed, ...


def wear_path(
    label: str,
    age: ArrayLike,
    low: ArrayLike,
    high: ArrayLike | None = None,
    *,
    sign_known: ArrayLike | None = None,
    parts: Sequence[str] = (),
    limit: float = float("nan"),
    covariates: Sequence[float] = (),
) -> WearPath:
    """Check and make a wear path; readings that were not measured (NaN) are left out.

    Parameters
    ----------
    label : str
        Name of the cycle or unit, used in messages.
    age : array_like, (n,)
        Age at each reading, 0 or more, not falling.
    low, high : array_like, (n,)
        The reading as an interval; `high` left out means exact readings.
    sign_known : array_like of bool, (n,), optional
        False where only the size of a signed bow is known.
    parts : sequence of str, (n,), optional
    limit : float
    covariates : sequence of float

    Raises
    ------
    ValueError
        If lengths differ, an age is missing, negative or jumps back, or an interval is upside down.
    """
    ages = np.asarray(age, dtype=np.float64)
    lows = np.asarray(low, dtype=np.float64)
    highs = lows if high is None else np.asarray(high, dtype=np.float64)
    known = np.ones(ages.size, dtype=bool) if sign_known is None else np.asarray(sign_known, dtype=bool)
    if ages.ndim != 1 or lows.shape != ages.shape or highs.shape != ages.shape or known.shape != ages.shape:
        raise ValueError(f"`age`, `low` and `high` of {label} must be of one length, got {ages.size}, {lows.size}")
    if parts and len(parts) != ages.size:
        raise ValueError(f"`parts` of {label} must name every reading ({ages.size}), got {len(parts)}")
    measured = ~(np.isnan(lows) | np.isnan(highs))
    chosen = tuple(p for p, m in zip(parts, measured, strict=True) if m) if parts else ()
    ages, lows, highs, known = ages[measured], lows[measured], highs[measured], known[measured]
    if ages.size and (not np.isfinite(ages).all() or ages.min() < 0):
        raise ValueError(f"`age` of {label} must be 0 or more at every reading, got {ages.min()}")
    back = np.flatnonzero(np.diff(ages) < 0)
    if back.size:
        at = int(back[0])
        raise ValueError(
            f"`age` of {label} must not jump back: reading {at + 2} has age {ages[at + 1]:g} after {ages[at]:g}; "
            "a clock that restarts begins a new cycle"
        )
    if (highs < lows).any() or not np.isfinite(lows).all():
        at = int(np.flatnonzero((highs < lows) | ~np.isfinite(lows))[0])
        raise ValueError(
            f"`low` of {label} must be finite and not above `high`, "
            f"got {lows[at]:g} to {highs[at]:g} in reading {at + 1}"
        )
    return WearPath(label, ages, lows, highs, known, chosen, float(limit), tuple(float(c) for c in covariates))


def thinned(path: WearPath) -> WearPath:
    """Leave out readings of a path that has more than `MOST_READINGS`, by their place alone, whatever they read.

    The newest stay all, of the older ones every second, every fourth and so on: where the path stands and how it went
    are both still told, and a range from fewer readings covers what it states.
    """
    older = path.age.size - _NEWEST
    if path.age.size <= MOST_READINGS:
        return path
    step = 2 ** math.ceil(math.log2(older / (MOST_READINGS - _NEWEST)))
    return taken(path, np.concatenate([np.arange(0, older, step), np.arange(older, path.age.size)]))


def taken(path: WearPath, kept: slice | NDArray[np.int64]) -> WearPath:
    """Take some readings of a path, in their order."""
    return replace(
        path,
        age=path.age[kept],
        low=path.low[kept],
        high=path.high[kept],
        sign_known=path.sign_known[kept],
        parts=tuple(np.array(path.parts, dtype=object)[kept]) if path.parts else (),
    )


def until_limit(path: WearPath, limit: float, lower: float | None = None) -> WearPath:
    """Cut the path after the first two readings in a row at or over the limit, or beyond the lower one of a signed bow.

    The rest says nothing about the crossing; one reading alone may be there by its error.
    """
    over = path.low >= limit
    if lower is not None:
        over |= path.high <= lower
    twice = np.flatnonzero(over[1:] & over[:-1])
    if not twice.size:
        return path
    return taken(path, slice(None, int(twice[0]) + 2))


def half_way_to(path: WearPath, limit: float) -> float:
    """Find the age at which a path first read half way to its limit; inf = it has not, NaN = no limit."""
    if not np.isfinite(limit):
        return float("nan")
    over = np.flatnonzero(path.low - path.low[0] >= (limit - path.low[0]) / 2)
    return float(path.age[over[0]]) if over.size else np.inf
