"""What share of cycles still cuts good at a given age: Kaplan-Meier, and Turnbull where some were found late."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.wear.lifetime import LEAST_EVENTS, Array, check_lifetimes, worn_words

__all__ = ["SurvivalCurve", "kaplan_meier", "survival_curve", "turnbull"]

_LUMPY = 1.15  # set by simulation, see `turnbull`
_ROUNDING = 1e-7  # of a share: a product of steps, or shares iterated until they stand still, may miss one half by less


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A step curve: the share surviving from each age on."""

    status: str  # 'curve' or 'counts only'
    reason: str  # why only counts; '' otherwise
    method: str  # 'Kaplan-Meier' or 'Turnbull'
    age: Array  # where the curve steps
    at_risk: Array  # lives still under watch just before each step; NaN for Turnbull
    events: Array  # worn at each step; expected number for Turnbull
    survival: Array  # after the step
    standard_error: Array  # Greenwood, NaN for Turnbull
    low: Array  # pointwise band, from each step on until the next
    high: Array
    low_before: float  # its lower end before the first step; the upper one is 1
    level: float
    n: int
    worn: int

    def at(self, age: ArrayLike) -> Array:
        """Share surviving beyond each age."""
        place = np.searchsorted(self.age, np.asarray(age, np.float64), side="right")
        return np.concatenate(([1.0], self.survival))[place]

    def median(self) -> float:
        """Age at which half are worn; NaN while the curve stays above one half."""
        below = np.flatnonzero(self.survival <= 0.5 + _ROUNDING)
        return float(self.age[below[0]]) if below.size else math.nan


def survival_curve(low: ArrayLike, high: ArrayLike, *, level: float = 0.95, rng: np.random.Generator) -> SurvivalCurve:
    """Survival curve by the method the lives ask for.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Each life lies in (low, high]; equal = seen exactly, high inf = not worn yet.
    level : float, default 0.95
        Pointwise coverage of the band.
    rng : numpy.random.Generator
        Used only for the band of Turnbull's curve.

    Returns
    -------
    SurvivalCurve
        'counts only' under five events.
    """
    a, b = check_lifetimes(low, high)
    if np.all((a == b) | np.isinf(b)):
        return kaplan_meier(a, b, level=level)
    return turnbull(a, b, level=level, rng=rng)


def kaplan_meier(low: ArrayLike, high: ArrayLike, *, level: float = 0.95) -> SurvivalCurve:
    """Kaplan-Meier curve with Greenwood's error and log-log bands.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Equal = seen at that age, high inf = censored there.
    level : float, default 0.95
        Pointwise coverage of the band.

    Returns
    -------
    SurvivalCurve

    Raises
    ------
    ValueError
        If a life is an interval; `turnbull` takes those.

    Notes
    -----
    Censoring must tell nothing about the life to come: a lap taken off because it looked bad breaks that.

    References
    ----------
    Kaplan and Meier (1958), JASA 53; Greenwood (1926); log-log band: Kalbfleisch and Prentice (1980), section 1.3.
    """
    a, b = check_lifetimes(low, high)
    if not np.all((a == b) | np.isinf(b)):
        raise ValueError(
            "`low` and `high` must be equal or `high` infinite for Kaplan-Meier; use `turnbull` for intervals"
        )
    seen = a == b
    worn = int(seen.sum())
    if worn < LEAST_EVENTS:
        return _counts_only("Kaplan-Meier", a.size, worn, level)
    age, events = np.unique(a[seen], return_counts=True)
    at_risk = a.size - np.searchsorted(np.sort(a), age, side="left")
    survival = np.asarray(np.cumprod(1 - events / at_risk), np.float64)
    left = at_risk - events
    term = np.divide(events, at_risk * left, out=np.full(age.size, np.inf), where=left > 0)
    greenwood = np.cumsum(term)
    error = np.where(survival > 0, survival * np.sqrt(np.where(np.isfinite(greenwood), greenwood, 0.0)), np.nan)
    from scipy.special import ndtri

    z = float(ndtri(0.5 + level / 2))
    inside = (survival > 0) & (survival < 1)
    s = np.where(inside, survival, 0.5)
    width = np.where(inside, z * np.sqrt(np.where(inside, greenwood, 0.0)) / np.abs(np.log(s)), 0.0)
    band_low = np.where(inside, s ** np.exp(width), np.where(survival == 0, 0.0, 1.0))
    band_high = np.where(inside, s ** np.exp(-width), np.nan)
    if not inside[-1] and survival[-1] == 0:
        band_high[-1] = band_high[-2] if age.size > 1 else 1.0
    return SurvivalCurve(
        "curve", "", "Kaplan-Meier", age, at_risk.astype(np.float64), events.astype(np.float64), survival, error,
        band_low, band_high, 1.0, level, a.size, worn,
    )  # fmt: skip


def turnbull(
    low: ArrayLike, high: ArrayLike, *, level: float = 0.95, rng: np.random.Generator, resamples: int = 100
) -> SurvivalCurve:
    """Turnbull's curve for lives known only as intervals, with a bootstrap band.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Each life lies in (low, high]; equal = seen exactly, high inf = not worn yet.
    level : float, default 0.95
        Pointwise coverage of the band.
    rng : numpy.random.Generator
    resamples : int, default 100
        Bootstrap resamples of the band; 0 leaves it out.

    Returns
    -------
    SurvivalCurve

    Notes
    -----
    Where inside its innermost intervals the curve falls cannot be known; it steps at their upper ends, and between two
    steps the band reaches down to the lower end of the next. The band is the bootstrap error on the log-log scale,
    widened by `_LUMPY`: the curve falls in lumps, and the plain bootstrap was seen to cover 0.85 to 0.93 in place of
    0.95. It is nowhere narrower than the exact binomial bound where none is worn, or all are.

    References
    ----------
    Turnbull (1976), JRSS B 38; self-consistency iterated to convergence.
    """
    a, b = check_lifetimes(low, high)
    worn = int(np.isfinite(b).sum())
    if worn < LEAST_EVENTS:
        return _counts_only("Turnbull", a.size, worn, level)
    upper, first, last, weight = _innermost(a, b)
    finite = np.isfinite(upper)
    age = upper[finite]
    mass = _self_consistent(first, last, weight, upper.size, 1e-8)[finite]
    survival = np.clip(1 - np.cumsum(mass), 0.0, 1.0)
    band_low, band_high = np.full(age.size, np.nan), np.full(age.size, np.nan)
    if resamples:
        drawn = rng.multinomial(a.size, weight / a.size, resamples).astype(np.float64)
        parts = np.array([_self_consistent(first, last, w, upper.size, 1e-4)[finite] for w in drawn])
        band_low, band_high = _log_log_band(survival, 1 - np.cumsum(parts, axis=1), level, a.size)
    nan = np.full(age.size, np.nan)
    return SurvivalCurve(
        "curve", "", "Turnbull", age, nan, mass * a.size, survival, nan, np.append(band_low[1:], band_low[-1]),
        band_high, float(band_low[0]), level, a.size, worn,
    )  # fmt: skip


def _log_log_band(survival: Array, resampled: Array, level: float, n: int) -> tuple[Array, Array]:
    """Band of each step from the spread of resampled curves; where none is worn, or all are, the binomial bound."""
    from scipy.special import ndtri

    edge = 0.5 / n
    height = np.log(-np.log(np.clip(survival, edge, 1 - edge)))
    spread = np.std(np.log(-np.log(np.clip(resampled, edge, 1 - edge))), axis=0)
    reach = _LUMPY * float(ndtri(0.5 + level / 2)) * spread
    low, high = np.exp(-np.exp(height + reach)), np.exp(-np.exp(height - reach))
    none_worn = ((1 - level) / 2) ** (1 / n)
    return np.minimum(low, np.minimum(survival, none_worn)), np.maximum(high, np.maximum(survival, 1 - none_worn))


def _innermost(low: Array, high: Array) -> tuple[Array, NDArray[np.int64], NDArray[np.int64], Array]:
    """Upper ends of the innermost intervals; the first and last of them inside each distinct life, and its count."""
    pairs, weight = np.unique(np.stack([low, high]), axis=1, return_counts=True)
    # Order of ends at one age: just before it (exact lives begin), at it (intervals end), just after it (others begin).
    begin = np.stack([pairs[0], np.where(pairs[0] == pairs[1], 0.0, 2.0)])
    end = np.stack([pairs[1], np.ones(weight.size)])
    keys, place = np.unique(np.concatenate([begin, end], axis=1), axis=1, return_inverse=True)
    begins, ends = place.ravel()[: weight.size], place.ravel()[weight.size :]
    is_end = keys[1] == 1.0
    inner = np.flatnonzero(~is_end[:-1] & is_end[1:])
    first = np.searchsorted(inner, begins, side="left")
    last = np.searchsorted(inner + 1, ends, side="right") - 1
    return keys[0, inner + 1], first.astype(np.int64), last.astype(np.int64), weight.astype(np.float64)


def _self_consistent(
    first: NDArray[np.int64], last: NDArray[np.int64], weight: Array, m: int, tolerance: float
) -> Array:
    """Probability of each innermost interval; squared extrapolation of the self-consistency map.

    References
    ----------
    Varadhan and Roland (2008), Scandinavian Journal of Statistics 35 (the extrapolation).
    """
    total = weight.sum()

    def step(p: Array) -> tuple[Array, float]:
        cumulative = np.concatenate(([0.0], np.cumsum(p)))
        inside = np.maximum(cumulative[last + 1] - cumulative[first], 1e-300)
        share = weight / inside
        slope = np.bincount(first, share, m + 1) - np.bincount(last + 1, share, m + 1)
        return p * np.maximum(np.cumsum(slope)[:m], 0.0) / total, float(weight @ np.log(inside))

    p = np.full(m, 1 / m)
    for _ in range(5_000):
        one, height = step(p)
        two, _ = step(one)
        r, v = one - p, two - 2 * one + p
        if np.max(np.abs(two - one)) < tolerance:
            return two
        norm = float(np.linalg.norm(v))
        length = max(1.0, float(np.linalg.norm(r)) / norm) if norm > 0 else 1.0
        far = np.maximum(p + 2 * length * r + length**2 * v, 0.0)
        jumped, there = step(far / far.sum())
        p = jumped if there >= height else two
    return p


def _counts_only(method: str, n: int, worn: int, level: float) -> SurvivalCurve:
    empty = np.empty(0)
    reason = f"{worn_words(worn, n)}; a curve needs at least {LEAST_EVENTS}, so there are counts only"
    return SurvivalCurve(
        "counts only", reason, method, empty, empty, empty, empty, empty, empty, empty, math.nan, level, n, worn
    )  # fmt: skip
