"""Mean, standard deviation, first autocorrelation and one-way analysis of variance to the last digit.

Readings are decimals that a person or a device wrote down. Each is taken back to its shortest decimal form and summed
in whole numbers, so nothing is lost to large offsets or long series; only the last division is rounded.
"""

import math
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["OneWay", "Summary", "one_way", "summarise"]

Array = NDArray[np.float64]
EXACT_MOST = 50_000  # readings up to which whole numbers are used
PRECISION = 60  # decimal digits of the last steps


@dataclass(frozen=True, slots=True)
class Summary:
    """Plain figures of one series."""

    n: int  # measured readings
    missing: int
    mean: float  # 0 when n is 0
    sd: float  # n - 1 in the denominator; 0 when it cannot be said
    lag1: float  # correlation of neighbours, both measured; 0 when it cannot be said
    low: float
    median: float
    high: float
    status: str  # 'ok', 'too few' or 'no spread'
    reason: str
    method: str


@dataclass(frozen=True, slots=True)
class OneWay:
    """Analysis of variance of one grouping."""

    groups: int
    n: int
    between_df: int
    within_df: int
    between_ss: float
    within_ss: float
    between_ms: float
    within_ms: float
    f: float
    p_value: float
    r_squared: float
    residual_sd: float
    status: str  # 'ok', 'too few' or 'no spread'
    reason: str


def summarise(values: ArrayLike) -> Summary:
    """Return the plain figures of a series.

    Parameters
    ----------
    values : (n,) floats
        In order of time; NaN = not measured.

    Returns
    -------
    Summary

    Raises
    ------
    ValueError
        For infinite readings or more than one column.

    Notes
    -----
    Up to 50,000 readings in whole numbers; beyond, by compensated sums about the mean (two passes).

    References
    ----------
    NIST Statistical Reference Datasets, univariate summary statistics.
    """
    x = _readings(values)
    there = ~np.isnan(x)
    kept = x[there]
    n = int(kept.size)
    missing = int(x.size - n)
    if n == 0:
        return Summary(0, missing, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, "too few", "no reading yet", "none")
    linked = there[1:] & there[:-1]
    exact = n <= EXACT_MOST
    mean, sd, lag1 = _exact(x, there, linked) if exact else _compensated(kept, x, linked)
    status, reason = "ok", ""
    if n == 1:
        status, reason = "too few", "one reading has no spread"
    elif sd == 0.0:
        status, reason = "no spread", f"all {n:,} readings are equal"
    return Summary(
        n=n,
        missing=missing,
        mean=mean,
        sd=sd,
        lag1=lag1,
        low=float(kept.min()),
        median=float(np.median(kept)),
        high=float(kept.max()),
        status=status,
        reason=reason,
        method="whole-number sums of the decimals as written" if exact else "compensated sums in two passes",
    )


def one_way(values: ArrayLike, groups: ArrayLike) -> OneWay:
    """Return the one-way analysis of variance.

    Parameters
    ----------
    values : (n,) floats
        NaN = not measured, left out.
    groups : (n,) ids

    Returns
    -------
    OneWay
        With status 'too few' when there are fewer than two groups or no group of two, 'no spread' when all readings
        within each group are equal.

    Raises
    ------
    ValueError
        For infinite readings or wrong shapes.

    References
    ----------
    NIST Statistical Reference Datasets, analysis of variance.
    """
    from scipy.special import fdtrc

    x = _readings(values)
    ids = np.asarray(groups)
    if ids.shape != x.shape:
        raise ValueError(f"`groups` must hold one id per reading ({x.size}), got shape {ids.shape}")
    there = ~np.isnan(x)
    names, code = np.unique(ids[there], return_inverse=True)
    code = code.reshape(-1)
    n, k = int(there.sum()), int(names.size)
    if k < 2 or n - k < 1:
        reason = f"{n:,} readings in {k} groups; two groups are needed, one of them with two readings or more"
        return OneWay(k, n, max(k - 1, 0), max(n - k, 0), *(0.0,) * 8, status="too few", reason=reason)
    whole, exponent = _whole_numbers(x[there])
    sums, squares, sizes = [0] * k, 0, [0] * k
    for value, group in zip(whole, code.tolist(), strict=True):
        sums[group] += value
        sizes[group] += 1
        squares += value * value
    total = sum(sums)
    by_group = sum((Fraction(s * s, m) for s, m in zip(sums, sizes, strict=True)), Fraction(0))
    between = by_group - Fraction(total * total, n)
    within = squares - by_group
    unit = Fraction(10 ** (2 * exponent)) if exponent >= 0 else Fraction(1, 10 ** (-2 * exponent))
    between_ms, within_ms = between / (k - 1), within / (n - k)
    flat = within == 0
    f = 0.0 if flat else float(between_ms / within_ms)
    whole_ss = between + within
    return OneWay(
        groups=k,
        n=n,
        between_df=k - 1,
        within_df=n - k,
        between_ss=float(between * unit),
        within_ss=float(within * unit),
        between_ms=float(between_ms * unit),
        within_ms=float(within_ms * unit),
        f=f,
        p_value=1.0 if flat else float(fdtrc(k - 1, n - k, f)),
        r_squared=float(between / whole_ss) if whole_ss else 0.0,
        residual_sd=_root(within_ms * unit),
        status="no spread" if flat else "ok",
        reason="all readings within each group are equal, so nothing can be compared with chance" if flat else "",
    )


def _readings(values: ArrayLike) -> Array:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1:
        raise ValueError(f"`values` must be one column of readings, got {x.ndim} dimensions")
    if np.isinf(x).any():
        where = int(np.flatnonzero(np.isinf(x))[0])
        raise ValueError(f"`values` must be finite, got infinity at position {where}; leave it out")
    return x


def _whole_numbers(values: Array) -> tuple[list[int], int]:
    """Return whole numbers and the power of ten they count: each reading is number * 10 ** exponent, exactly."""
    written = [Decimal(repr(value)) for value in values.tolist()]
    exponent = min((int(value.as_tuple().exponent) for value in written), default=0)
    return [int(value.scaleb(-exponent)) for value in written], exponent


def _exact(x: Array, there: NDArray[np.bool_], linked: NDArray[np.bool_]) -> tuple[float, float, float]:
    whole, exponent = _whole_numbers(x[there])
    n = len(whole)
    total = sum(whole)
    unit = Fraction(10**exponent) if exponent >= 0 else Fraction(1, 10**-exponent)
    mean = float(Fraction(total, n) * unit)
    if n < 2:
        return mean, 0.0, 0.0
    # n * deviations are whole as well: n x - total.
    away = [n * value - total for value in whole]
    squares = sum(value * value for value in away)
    if squares == 0:
        return mean, 0.0, 0.0
    sd = _root(Fraction(squares, n * n * (n - 1)) * unit * unit)
    place = np.cumsum(there) - 1
    first = place[:-1][linked].tolist()
    products = sum(away[i] * away[i + 1] for i in first)
    return mean, sd, float(Fraction(products, squares))


def _compensated(kept: Array, x: Array, linked: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return mean, standard deviation and first autocorrelation of a long series."""
    first = float(kept[0])
    mean = first + math.fsum(kept - first) / kept.size
    away = kept - mean
    rest = math.fsum(away)  # what rounding left of the deviations' sum
    squares = math.fsum(away * away) - rest * rest / kept.size
    if squares <= 0.0:
        return mean, 0.0, 0.0
    centred = x - mean
    products = math.fsum(centred[1:][linked] * centred[:-1][linked])
    return mean, math.sqrt(squares / (kept.size - 1)), products / squares


def _root(square: Fraction) -> float:
    """Return the square root of a fraction, rounded once."""
    with localcontext() as context:
        context.prec = PRECISION
        context.Emax, context.Emin = 999_999, -999_999
        return float((Decimal(square.numerator) / Decimal(square.denominator)).sqrt())
