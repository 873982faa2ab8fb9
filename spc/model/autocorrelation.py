"""How much each face takes after the one before, when faces are unevenly spaced and cycles end.

Positions count faces (or hours); a correlation of `phi` at one step is `phi ** gap` across a gap. Chains are broken
where the lap was reconditioned or recharged: readings on the two sides are not neighbours.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.p_words import p_words

__all__ = [
    "LOW_POWER_N",
    "LagCorrelation",
    "SerialCorrelation",
    "lag_correlation",
    "moving_range_alarm_rate",
    "one_step_residuals",
    "serial_correlation",
]

Array = NDArray[np.float64]

LOW_POWER_N = 50  # below this a portmanteau test finds little (Ljung and Box 1978 show sizes from 30 up)
FEWEST = 8  # our rule: below this phi is not estimated at all
_LEAST_SQUARE = 1e-12  # of residuals of readings of order one: below it the sums hold rounding alone
PHI_LIMIT = 0.995  # the search ends here; nearer to 1 the mean itself is no longer estimable


@dataclass(frozen=True, slots=True)
class LagCorrelation:
    """Correlations of readings a whole number of steps apart; all arrays of one length."""

    lag: NDArray[np.int64]  # steps
    correlation: Array
    pairs: NDArray[np.int64]  # pairs of readings that far apart, within one chain
    portmanteau: float  # Ljung-Box Q over these lags
    p_value: float  # chi-square tail, NaN when no lag has enough pairs


@dataclass(frozen=True, slots=True)
class SerialCorrelation:
    """First-order autocorrelation with its interval, and what it does to limits."""

    status: str  # 'independent', 'correlated', 'low power' or 'refused'
    phi: float  # correlation of neighbours, NaN if refused
    phi_low: float
    phi_high: float
    level: float  # of the interval
    mean: float  # generalised least squares
    sd: float  # of the readings, not of the steps
    n: int
    lags: LagCorrelation  # of the readings
    residual_lags: LagCorrelation  # of the one-step residuals: is first order enough?
    alarm_rate_moving_range: float  # two-sided, of 3-sigma limits drawn from moving ranges at this phi
    sentence: str


def lag_correlation(
    values: ArrayLike, position: ArrayLike, *, chain: ArrayLike | None = None, max_lag: int = 10, fitted: int = 0
) -> LagCorrelation:
    """Correlation at whole-step lags and the Ljung-Box test, counting only pairs that exist.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings or z-scores, in the order of `position` within each chain.
    position : array_like, shape (n,)
        Place of each reading, steps (faces or hours); gaps are allowed.
    chain : array_like, shape (n,), optional
        Labels; pairs across two labels do not count. Default: one chain.
    max_lag : int, default 10
        Largest lag tried, steps.
    fitted : int, default 0
        Parameters already fitted to the correlation, taken off the degrees of freedom.

    Returns
    -------
    LagCorrelation

    Notes
    -----
    Without gaps this is exactly the statistic of Ljung and Box: Q = n (n + 2) sum r_k^2 / (n - k). With gaps the
    number of pairs m_k takes the place of n - k. Lags with fewer than 5 pairs are left out.

    References
    ----------
    Ljung and Box (1978), Biometrika 65(2), 297-303.
    """
    x, t, label, _ = _checked(values, position, chain)
    centred = x - x.mean() if x.size else x
    total = float(centred @ centred)
    lags: list[int] = []
    r: list[float] = []
    pairs: list[int] = []
    if total > 0:
        for k in range(1, max_lag + 1):
            first, second = _pairs_at(t, label, float(k))
            if first.size >= 5:
                lags.append(k)
                pairs.append(int(first.size))
                r.append(float(centred[first] @ centred[second]) / total)
    lag = np.asarray(lags, dtype=np.int64)
    corr, count = np.asarray(r, dtype=np.float64), np.asarray(pairs, dtype=np.int64)
    freedom = lag.size - fitted
    if freedom < 1:
        return LagCorrelation(lag, corr, count, math.nan, math.nan)
    from scipy.special import chdtrc

    q = float(x.size * (x.size + 2) * np.sum(corr**2 / count))
    return LagCorrelation(lag, corr, count, q, float(chdtrc(freedom, q)))


def serial_correlation(
    values: ArrayLike, position: ArrayLike | None = None, *, chain: ArrayLike | None = None, level: float = 0.95
) -> SerialCorrelation:
    """Correlation of neighbours by restricted likelihood, with a likelihood-ratio interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings or z-scores, structure (wear, part) already removed.
    position : array_like, shape (n,), optional
        Place of each reading in steps; default 0, 1, 2, ... Readings that share a place are averaged.
    chain : array_like, shape (n,), optional
        Labels of the cycles; neighbours never reach across two.
    level : float, default 0.95
        Coverage of the interval, between 0 and 1.

    Returns
    -------
    SerialCorrelation
        `status` 'refused' below 8 readings or when all are equal, 'low power' below 50.

    Raises
    ------
    ValueError
        If lengths differ, a value is not finite, or `level` is not between 0 and 1.

    Notes
    -----
    Model: stationary normal AR(1) read at uneven places, correlation phi^gap. Negative phi has a meaning only where
    all gaps are whole steps; otherwise phi is sought between 0 and 1. Restricted likelihood takes out most of the
    downward bias that an estimated mean causes. A wear trend left in the readings shows up as phi near 1.

    References
    ----------
    Box and Jenkins (1970); Jones (1980), Technometrics 22(3), 389-395 (missing observations); Cheang and Reinsel
    (2000), Journal of the American Statistical Association 95, 1173-1184 (restricted likelihood for AR models).
    """
    if not 0 < level < 1:
        raise ValueError(f"`level` must be between 0 and 1, got {level}; 0.95 is usual")
    x, t, label, merged = _checked(values, position, chain)
    lags = lag_correlation(x, t, chain=label)
    spread = float(np.ptp(x)) if x.size else 0.0
    if x.size < FEWEST or spread == 0:
        why = f"only {x.size:,} readings" if x.size < FEWEST else f"all {x.size:,} readings are equal"
        nothing = lag_correlation(np.zeros(0), np.zeros(0))
        mean = float(x.mean()) if x.size else math.nan
        return SerialCorrelation(
            "refused", math.nan, math.nan, math.nan, level, mean, math.nan, int(x.size), lags, nothing, math.nan,
            f"Whether faces take after the one before cannot be said: {why}; at least {FEWEST} that differ are needed.",
        )  # fmt: skip
    scale = spread  # work on values of order one, so that 1e-12 and 1e9 behave alike
    link = _Links((x - x.mean()) / scale, t, label)
    low_edge = -PHI_LIMIT if link.whole_steps else 0.0
    phi, low, high = _profile(link, low_edge, level)
    mean_scaled, sd_scaled = link.moments(phi)
    mean, sd = float(x.mean() + scale * mean_scaled), float(scale * sd_scaled)
    residual = one_step_residuals(x, t, chain=label, phi=phi, mean=mean, sd=sd)
    residual_lags = lag_correlation(residual, t, chain=label, fitted=1)
    rate = moving_range_alarm_rate(phi)
    status = "low power" if x.size < LOW_POWER_N else ("independent" if low <= 0 <= high else "correlated")
    sentence = _sentence(status, phi, low, high, level, int(x.size), rate, lags.p_value, merged)
    return SerialCorrelation(status, phi, low, high, level, mean, sd, int(x.size), lags, residual_lags, rate, sentence)


def one_step_residuals(
    values: ArrayLike,
    position: ArrayLike | None = None,
    *,
    chain: ArrayLike | None = None,
    phi: float,
    mean: float = 0.0,
    sd: float = 1.0,
) -> Array:
    """Each reading against what its neighbour foretold, in standard deviations; independent if the model holds.

    Parameters
    ----------
    values, position, chain : array_like, shape (n,)
        As in `serial_correlation`, places increasing within a chain.
    phi : float
        Correlation one step apart, between -1 and 1.
    mean, sd : float
        Of the readings.

    Returns
    -------
    ndarray, shape (m,)
        Standard normal under the model, in order of chain and place; the first of each chain is judged against
        `mean` alone. m = n unless places are shared (those readings are averaged first).
    """
    if not -1 < phi < 1:
        raise ValueError(f"`phi` must be between -1 and 1, got {phi}")
    if not (math.isfinite(sd) and sd > 0):
        raise ValueError(f"`sd` must be a finite number greater than 0, got {sd}")
    x, t, label, _ = _checked(values, position, chain)
    link = _Links((x - mean) / sd, t, label)
    r = link.carry(phi)[link.gap_of]
    return np.asarray((link.x - r * link.before) / np.sqrt(1.0 - r**2), dtype=np.float64)


def moving_range_alarm_rate(phi: float, *, width_sd: float = 3.0) -> float:
    """Two-sided false-alarm rate of limits drawn from moving ranges when neighbours correlate by `phi`.

    The mean moving range / 1.128 estimates sd sqrt(1 - phi), so limits sit at `width_sd` sqrt(1 - phi) true
    standard deviations (large sample, normal readings).
    """
    if not -1 < phi < 1:
        raise ValueError(f"`phi` must be between -1 and 1, got {phi}")
    return math.erfc(width_sd * math.sqrt(1.0 - phi) / math.sqrt(2.0))


class _Links:
    """Readings with their neighbour before, if they have one, and how far away it is.

    The likelihood hangs on the readings only through sums over those that are equally far from their neighbour: few
    such gaps differ, so it is told as soon for ten thousand readings as for ten.
    """

    __slots__ = ("before", "gap", "gap_of", "n", "sums", "whole_steps", "x")

    def __init__(self, x: Array, t: Array, label: NDArray[np.int64]) -> None:
        first = np.ones(x.size, dtype=bool)
        first[1:] = label[1:] != label[:-1]
        self.x, self.n = x, x.size
        self.before = np.where(first, 0.0, np.concatenate(([0.0], x[:-1])))
        gap = np.where(first, 0.0, np.concatenate(([0.0], np.diff(t))))
        self.whole_steps = bool(np.all(gap == np.round(gap)))
        self.gap, self.gap_of = np.unique(gap, return_inverse=True)  # 0 = no neighbour: places within a chain differ
        each = (np.ones(x.size), x, self.before, x * x, x * self.before, self.before**2)
        self.sums = tuple(np.bincount(self.gap_of, weights=one, minlength=self.gap.size) for one in each)

    def carry(self, phi: ArrayLike) -> Array:
        """Correlation with the neighbour before at each gap, 0 for the first of a chain, (..., gaps)."""
        each = np.asarray(phi, dtype=np.float64)[..., None]
        sign = np.where((each < 0) & (self.gap % 2 == 1), -1.0, 1.0)
        return np.where(self.gap == 0.0, 0.0, sign * np.abs(each) ** self.gap)

    def moments(self, phi: float) -> tuple[float, float]:
        """Mean and standard deviation at this phi, by generalised least squares."""
        mean, square, _, _ = self._told(phi)
        return float(mean), math.sqrt(square / (self.n - 1))

    def criterion(self, phi: float) -> float:
        """Minus twice the restricted log-likelihood, constants dropped."""
        return float(self.criteria(phi))

    def criteria(self, phi: ArrayLike) -> Array:
        """Give the same at each phi, of their shape."""
        _, square, information, log_variance = self._told(phi)
        return np.asarray((self.n - 1) * np.log(square) + log_variance + np.log(information))

    def _told(self, phi: ArrayLike) -> tuple[Array, Array, Array, Array]:
        """Mean, sum of squares of the residuals about it, information on the mean, sum of the logs of variances."""
        n, x, before, xx, xb, bb = self.sums
        r = self.carry(phi)
        v = 1.0 - r**2
        b = 1.0 - r
        information = np.sum(n * b * b / v, axis=-1)
        along = np.sum((x - r * before) * b / v, axis=-1)
        mean = along / information
        square = np.sum((xx - 2.0 * r * xb + r**2 * bb) / v, axis=-1) - mean * along
        return mean, np.maximum(square, _LEAST_SQUARE), information, np.sum(n * np.log(v), axis=-1)


def _profile(link: _Links, low_edge: float, level: float) -> tuple[float, float, float]:
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import chdtri

    grid = np.linspace(low_edge, PHI_LIMIT, 41)
    at = link.criteria(grid)
    k = int(np.argmin(at))
    bounds = (float(grid[max(k - 1, 0)]), float(grid[min(k + 1, grid.size - 1)]))
    best = minimize_scalar(link.criterion, bounds=bounds, method="bounded", options={"xatol": 1e-7})
    phi, least = (float(best.x), float(best.fun)) if best.fun <= at[k] else (float(grid[k]), float(at[k]))
    target = least + float(chdtri(1, 1.0 - level))

    def beyond(p: float) -> float:
        return link.criterion(p) - target

    low = brentq(beyond, low_edge, phi) if beyond(low_edge) > 0 else low_edge
    high = brentq(beyond, phi, PHI_LIMIT) if beyond(PHI_LIMIT) > 0 else 1.0
    return phi, float(low), float(high)


def _checked(
    values: ArrayLike, position: ArrayLike | None, chain: ArrayLike | None
) -> tuple[Array, Array, NDArray[np.int64], int]:
    """Sort by chain and place, average readings that share a place; also how many were merged."""
    x = np.asarray(values, dtype=np.float64)
    t = np.arange(x.size, dtype=np.float64) if position is None else np.asarray(position, dtype=np.float64)
    raw = np.zeros(x.size, dtype=np.int64) if chain is None else np.asarray(chain)
    if x.ndim != 1 or t.shape != x.shape or raw.shape != x.shape:
        raise ValueError(
            f"`values`, `position` and `chain` must be one-dimensional and of one length, "
            f"got shapes {x.shape}, {t.shape} and {raw.shape}"
        )
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(t))):
        raise ValueError("`values` and `position` must be finite numbers; leave out readings that are missing")
    label = np.unique(raw, return_inverse=True)[1].astype(np.int64)
    order = np.lexsort((t, label))
    x, t, label = x[order], t[order], label[order]
    new = np.ones(x.size, dtype=bool)
    new[1:] = (label[1:] != label[:-1]) | (t[1:] != t[:-1])
    merged = int(x.size - new.sum())
    if merged:
        group = np.cumsum(new) - 1
        x = np.bincount(group, weights=x) / np.bincount(group)
        t, label = t[new], label[new]
    return x, t, label, merged


def _pairs_at(t: Array, label: NDArray[np.int64], lag: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the pairs exactly `lag` apart in one chain (rows sorted by label, then t)."""
    reach = float(t.max() - t.min()) + lag + 1.0 if t.size else 1.0
    key = label * (2 * reach) + (t - (t.min() if t.size else 0.0))
    second = np.searchsorted(key, key + lag)
    inside = second < key.size
    first = np.flatnonzero(inside)
    second = second[inside]
    same = np.abs(key[second] - key[first] - lag) <= 1e-9 * (1.0 + np.abs(key[second]))
    return first[same].astype(np.int64), second[same].astype(np.int64)


def _sentence(
    status: str, phi: float, low: float, high: float, level: float, n: int, rate: float, p: float, merged: int
) -> str:
    span = f"phi {phi:.2f}, {level:.0%} interval {low:.2f} to {high:.2f}"
    if status == "low power":
        text = f"With {n:,} readings a test would miss most real dependence: {span}."
    elif status == "independent":
        text = f"No sign that faces take after the one before ({span}, {n:,} readings)."
    else:
        text = (
            f"Faces take after the one before ({span}, {n:,} readings): 3-sigma limits drawn from moving ranges "
            f"would call about 1 face in {max(1, round(1 / rate)):,} for nothing."
        )
    if math.isfinite(p):
        text += f" Ljung-Box {p_words(p)}."
    return text + (f" {merged:,} readings at a place already taken were averaged into it." if merged else "")
