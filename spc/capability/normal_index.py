"""The normal-theory index and its bounds: the reference route, right only for readings that are normal."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["NormalIndex", "normal_index"]


@dataclass(frozen=True, slots=True)
class NormalIndex:
    """One-sided index (limit - mean) / (3 sd) under a normal law."""

    index: float
    approximate_low: float  # Bissell's interval, two-sided at `level`
    approximate_high: float
    approximate_lower_bound: float  # Bissell's, one-sided at `level`
    exact_lower_bound: float  # noncentral t, one-sided at `level`
    n: int
    level: float
    method: str


def normal_index(index: float, n: int, *, level: float = 0.95) -> NormalIndex:
    """Bounds of a normal-theory one-sided index.

    Parameters
    ----------
    index : float
        Estimate (limit - mean) / (3 sd), with the sample sd over n - 1; may be negative.
    n : int
        Sample size, at least 2.
    level : float, default 0.95
        Confidence, between 0.5 and 1.

    Returns
    -------
    NormalIndex

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Readings are taken as independent and normal, without trend. Flatness is neither symmetrical nor normal: use
    `quantile_index` for it.

    References
    ----------
    Bissell (1990), How reliable is your capability index?, Applied Statistics 39. Exact bound: P(t' <= 3 sqrt(n) c)
    = level for t' noncentral with n - 1 degrees of freedom and noncentrality 3 sqrt(n) C.
    """
    if not math.isfinite(index):
        raise ValueError(f"`index` must be a finite number, got {index}")
    _check(n, level)
    from scipy import optimize, special

    def half_width(z: float) -> float:
        return float(z * math.sqrt(1 / (9 * n) + index**2 / (2 * (n - 1))))

    two_sided, one_sided = half_width(special.ndtri((1 + level) / 2)), half_width(special.ndtri(level))
    root_n = 3 * math.sqrt(n)

    def excess(candidate: float) -> float:
        return _noncentral_t_below(root_n * index, n - 1, root_n * candidate) - level

    reach = 1.0 + 4 * one_sided
    exact = float(optimize.brentq(excess, index - reach, index + reach, xtol=1e-12))
    return NormalIndex(
        index=index,
        approximate_low=index - two_sided,
        approximate_high=index + two_sided,
        approximate_lower_bound=index - one_sided,
        exact_lower_bound=exact,
        n=n,
        level=level,
        method="normal theory: Bissell's interval and the exact noncentral-t bound",
    )


@lru_cache(maxsize=1)
def _nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    node, weight = np.polynomial.legendre.leggauss(300)
    return node, weight


def _noncentral_t_below(t: float, df: int, shift: float) -> float:
    """Chance that noncentral t lies below `t`: the normal chance averaged over the law of the sample sd.

    Library routines for it give NaN for some samples of a few hundred; this sum is smooth for every sample size.
    """
    from scipy import special

    low, high = (math.sqrt(float(special.gammaincinv(df / 2, tail)) * 2 / df) for tail in (1e-15, 1 - 1e-15))
    node, weight = _nodes()
    s = (high + low) / 2 + (high - low) / 2 * node  # sample sd over sd
    log_density = math.log(2.0) + df / 2 * math.log(df / 2) - math.lgamma(df / 2) + (df - 1) * np.log(s) - df * s**2 / 2
    return float((high - low) / 2 * (weight * np.exp(log_density) * special.ndtr(t * s - shift)).sum())


def _check(n: int, level: float) -> None:
    if n < 2:
        raise ValueError(f"`n` must be at least 2, got {n}")
    if not 0.5 < level < 1:
        raise ValueError(f"`level` must lie between 0.5 and 1, got {level}; 0.95 is usual")
