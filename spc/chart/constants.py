"""Control chart constants for normal readings, computed by integration and kept once computed."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

from spc.chart.checks import count_in, number_in

__all__ = ["c4", "d2", "d3", "moving_range_spread_variance", "range_cdf", "range_quantile"]

REACH_SD = 9.0  # half-width of the integration; the normal tail beyond is 2e-19


@lru_cache(maxsize=512)
def c4(size: int) -> float:
    """Mean of the sample standard deviation of `size` normal readings, in true standard deviations.

    Closed form of the mean of the chi law: sqrt(2/(n-1)) gamma(n/2) / gamma((n-1)/2).
    """
    n = count_in(size, "size", least=2)
    return math.sqrt(2.0 / (n - 1)) * math.exp(float(gammaln(n / 2) - gammaln((n - 1) / 2)))


@lru_cache(maxsize=512)
def d2(size: int) -> float:
    """Mean range of `size` normal readings, in true standard deviations."""
    return _range_moments(count_in(size, "size", least=2))[0]


@lru_cache(maxsize=512)
def d3(size: int) -> float:
    """Spread (standard deviation) of the range of `size` normal readings, in true standard deviations."""
    mean, square = _range_moments(count_in(size, "size", least=2))
    return math.sqrt(square - mean * mean)


def range_cdf(range_sd: NDArray[np.float64] | float, size: int) -> NDArray[np.float64]:
    """Probability that the range of `size` normal readings is at most `range_sd` standard deviations.

    Notes
    -----
    n times the integral of phi(x) [Phi(x + w) - Phi(x)]^(n-1) over x, by the trapezoid rule on the whole line,
    which converges faster than any power of the step for such an integrand.
    """
    n = count_in(size, "size", least=2)
    width = np.atleast_1d(np.asarray(range_sd, dtype=np.float64))[:, None]
    x = np.linspace(-REACH_SD, REACH_SD, 361)
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    inside = np.clip(ndtr(x + width) - ndtr(x), 0.0, 1.0)
    probability = n * (x[1] - x[0]) * np.sum(density * inside ** (n - 1), axis=1)
    return np.where(width[:, 0] <= 0, 0.0, np.minimum(probability, 1.0))


@lru_cache(maxsize=512)
def range_quantile(probability: float, size: int) -> float:
    """Range, in standard deviations, that `size` normal readings exceed with probability 1 - `probability`."""
    from scipy.optimize import brentq

    p = number_in(probability, "probability", above=0.0)
    if p >= 1.0:
        raise ValueError(f"`probability` must be below 1, got {probability}")
    return float(brentq(lambda w: float(range_cdf(w, size)[0]) - p, 0.0, 2 * REACH_SD, xtol=1e-12))


def moving_range_spread_variance(pairs: int, adjacent: int) -> float:
    """Variance of (mean moving range / d2) for readings of spread 1.

    Parameters
    ----------
    pairs : int
        Moving ranges averaged, at least 1.
    adjacent : int
        Pairs of neighbouring moving ranges that share a reading (pairs minus the number of stretches).

    Notes
    -----
    Neighbouring moving ranges share a reading; the mean of |U V| for two normal differences with correlation -1/2
    follows from the bivariate normal absolute moment 2/pi (sqrt(1 - r^2) + r asin r).
    """
    m = count_in(pairs, "pairs", least=1)
    shared = count_in(adjacent, "adjacent", least=0)
    own = 2.0 - 4.0 / math.pi
    common = (4.0 / math.pi) * (math.sqrt(0.75) + 0.5 * math.asin(0.5) - 1.0)
    return (m * own + 2.0 * shared * common) / (m * m) / (4.0 / math.pi)


@lru_cache(maxsize=512)
def _range_moments(size: int) -> tuple[float, float]:
    """Return the mean and the mean square of the range by Gauss-Legendre integration of its upper tail."""
    nodes, weights = np.polynomial.legendre.leggauss(120)
    width = REACH_SD * (nodes + 1.0)
    tail = 1.0 - range_cdf(width, size)
    scaled = weights * REACH_SD
    return float(np.sum(scaled * tail)), float(np.sum(scaled * 2.0 * width * tail))
