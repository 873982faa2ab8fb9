"""Six laws for readings that cannot be negative, each written for a unit scale and one free shape.

Every family is a scale family: x = scale * z, with z of unit scale. Its shape rides on an unconstrained number (a
logarithm, or the inverse hyperbolic sine for the folded normal), so that a search needs no walls and many fits
can run side by side in one array. Where a probability is tiny it is computed from its own tail, never as one
minus nearly one.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["FAMILIES", "Array", "Family", "family_named", "log_cell_probability"]

Array = NDArray[np.float64]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, slots=True)
class Family:
    """One law at unit scale; functions take z and the unconstrained shape, broadcast together."""

    name: str
    free: int  # parameters: 1 = scale only, 2 = scale and shape
    shape_low: float  # box of the unconstrained shape
    shape_high: float
    # (z, shape) -> (g, upper): g = F(z) where not upper, -S(z) where upper
    half_tail: Callable[[Array, Array], tuple[Array, NDArray[np.bool_]]]
    log_density: Callable[[Array, Array], Array]
    isf: Callable[[Array, Array], Array]  # z with P(Z > z) = p
    ppf: Callable[[Array, Array], Array]  # z with P(Z <= z) = p
    start: Callable[[Array, Array], tuple[tuple[float, float], ...]]  # (mid values, weights) -> (log scale, shape)
    named: Callable[[float, float], tuple[tuple[str, float], ...]]  # (scale, shape) -> textbook parameters

    def cdf(self, z: Array, shape: Array) -> Array:
        """P(Z <= z)."""
        g, upper = self.half_tail(z, shape)
        return np.where(upper, 1 + g, g)

    def sf(self, z: Array, shape: Array) -> Array:
        """P(Z > z)."""
        g, upper = self.half_tail(z, shape)
        return np.where(upper, -g, 1 - g)


def family_named(name: str) -> Family:
    """Return the family of that name.

    Raises
    ------
    ValueError
        If the name is none of ours; the sentence lists them.
    """
    if name not in FAMILIES:
        raise ValueError(f"`family` must be one of {', '.join(FAMILIES)}, got {name!r}")
    return FAMILIES[name]


def log_cell_probability(
    family: Family, edges: Array, low_at: NDArray[np.intp], high_at: NDArray[np.intp], shape: Array
) -> Array:
    """Log P(low < Z <= high) of cells given by their places in a row of edges; finite however far out a cell lies.

    Parameters
    ----------
    family : Family
    edges : array (..., edges)
        At unit scale, 0 to inf.
    low_at, high_at : integer array (cells,)
        Which edges bound each cell.
    shape : array, broadcast with `edges`
        Unconstrained shape.

    Returns
    -------
    array (..., cells)

    Notes
    -----
    Where the probability underflows, the log density just inside the cell stands in (times the width if finite):
    a search then still feels which way the cell lies.
    """
    g, upper = family.half_tail(edges, shape)
    low_upper, high_upper = upper[..., low_at], upper[..., high_at]
    p = g[..., high_at] - g[..., low_at] + (high_upper & ~low_upper)
    lost = ~(p > 1e-280)
    log_p: Array = np.log(np.where(lost, 1.0, p))
    if lost.any():
        low, high = edges[..., low_at], edges[..., high_at]
        inside = np.where(low > 0, low, np.where(np.isfinite(high), high, 1.0))
        width = np.where(np.isfinite(high), np.maximum(high - low, 1e-300), 1.0)
        stand_in = family.log_density(inside, shape) + np.log(width)
        log_p = np.where(lost, np.maximum(stand_in, -1e12), log_p)
    return log_p


def _weighted(mid: Array, weight: Array) -> tuple[float, float]:
    mean = float(np.average(mid, weights=weight))
    reach = max(float(np.max(np.abs(mid - mean), initial=0.0)), 1e-300)  # taken out, so that no square overflows
    sd = reach * math.sqrt(float(np.average(((mid - mean) / reach) ** 2, weights=weight)))
    return mean, max(sd, 1e-6 * abs(mean))


# --- lognormal: z = exp(s * N), shape = log s -----------------------------------------------------------------


def _lognormal_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    y = np.log(z) / np.exp(shape)
    upper = y > 0
    g = special.ndtr(-np.abs(y))
    return np.where(upper, -g, g), upper


def _lognormal_density(z: Array, shape: Array) -> Array:
    log_z = np.log(z)
    return np.asarray(-0.5 * (log_z / np.exp(shape)) ** 2 - shape - log_z - _HALF_LOG_2PI)


def _lognormal_start(mid: Array, weight: Array) -> tuple[tuple[float, float], ...]:
    mean, sd = _weighted(np.log(mid), weight)
    return ((mean, float(np.log(max(sd, 1e-6)))),)


# --- Weibull: S = exp(-z**k), shape = log k ---------------------------------------------------------------------


def _weibull_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    h = z ** np.exp(shape)
    upper = h > 1
    return np.where(upper, -np.exp(-h), -np.expm1(-h)), upper


def _weibull_density(z: Array, shape: Array) -> Array:
    k = np.exp(shape)
    log_z = np.log(z)
    return np.asarray(shape + (k - 1) * log_z - np.exp(k * log_z))


def _weibull_start(mid: Array, weight: Array) -> tuple[tuple[float, float], ...]:
    mean, sd = _weighted(np.log(mid), weight)
    k = np.pi / np.sqrt(6) / max(sd, 1e-6)
    return ((mean + 0.5772 / k, float(np.log(k))),)


# --- gamma: mean 1, shape = log a ----------------------------------------------------------------------------------


def _gamma_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    a = np.exp(shape)
    z, a = np.broadcast_arrays(z, a)
    upper = z > 1
    g = np.empty(z.shape)
    g[~upper] = special.gammainc(a[~upper], (a * z)[~upper])
    g[upper] = -special.gammaincc(a[upper], (a * z)[upper])
    return g, upper


def _gamma_density(z: Array, shape: Array) -> Array:
    a = np.exp(shape)
    log_z = np.log(z)
    plain = a * shape + (a - 1) * log_z - a * z - special.gammaln(a)
    # Stirling's series for a large shape, where the plain terms cancel (remainder below 3e-15 from a = 1,000).
    large = 0.5 * shape - _HALF_LOG_2PI + a * (np.log1p(z - 1) - (z - 1)) - log_z - 1 / (12 * a) + 1 / (360 * a**3)
    return np.asarray(np.where(a > 1000, large, plain))


def _gamma_start(mid: Array, weight: Array) -> tuple[tuple[float, float], ...]:
    mean, sd = _weighted(mid, weight)
    return ((float(np.log(mean)), float(2 * np.log(mean / sd))),)


# --- folded normal: |N(mu, s)| with root mean square 1, shape = asinh(mu / s) -----------------------------------------


def _folded_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    r = np.abs(np.sinh(shape))
    v = z * np.cosh(shape)  # sqrt(1 + r**2): x in units of s
    upper = v > np.maximum(r, 0.7)
    near, far = np.where(upper, r - v, v - r), -v - r
    g = special.ndtr(near)
    other = special.ndtr(far)
    return np.where(upper, -g - other, g - other), upper


def _folded_density(z: Array, shape: Array) -> Array:
    r = np.abs(np.sinh(shape))
    c = np.cosh(shape)
    v = z * c
    return np.asarray(np.log(c) - 0.5 * (v - r) ** 2 + np.log1p(np.exp(-2 * r * v)) - _HALF_LOG_2PI)


def _folded_isf(p: Array, shape: Array) -> Array:
    # log S is concave: Newton from the right never overshoots (S <= 2 * normal tail gives the start).
    p, r = np.broadcast_arrays(p, np.abs(np.sinh(shape)))
    v = r - special.ndtri(p / 2)
    for _ in range(60):
        s = special.ndtr(r - v) + special.ndtr(-v - r)
        density = np.exp(-0.5 * (v - r) ** 2 - _HALF_LOG_2PI) * (1 + np.exp(-2 * r * v))
        move = np.log(s / p) * s / density
        v = np.maximum(v + move, 0.0)
        if np.all(np.abs(move) <= 1e-14 * (1 + v)):
            break
    return np.asarray(v / np.cosh(shape))


def _folded_ppf(p: Array, shape: Array) -> Array:
    p, r = np.broadcast_arrays(p, np.abs(np.sinh(shape)))
    v = np.maximum(p * np.sqrt(np.pi / 2), r + special.ndtri(p))  # both lie left of the root; log F is concave
    for _ in range(60):
        f = special.ndtr(v - r) - special.ndtr(-v - r)
        density = np.exp(-0.5 * (v - r) ** 2 - _HALF_LOG_2PI) * (1 + np.exp(-2 * r * v))
        move = np.where(v > 0, np.log(p / np.maximum(f, 1e-300)) * f / np.maximum(density, 1e-300), 0.0)
        v = v + move
        if np.all(np.abs(move) <= 1e-14 * (1 + v)):
            break
    return np.asarray(v / np.cosh(shape))


def _folded_start(mid: Array, weight: Array) -> tuple[tuple[float, float], ...]:
    mean, sd = _weighted(mid, weight)
    log_rms = float(0.5 * np.log(mean**2 + sd**2))
    return (log_rms, float(np.arcsinh(mean / sd))), (log_rms, 0.6)


# --- Rayleigh and half-normal: scale only --------------------------------------------------------------------------


def _rayleigh_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    h = 0.5 * z**2 + 0 * shape
    upper = h > 1
    return np.where(upper, -np.exp(-h), -np.expm1(-h)), upper


def _rms_start(divisor: float) -> Callable[[Array, Array], tuple[tuple[float, float], ...]]:
    def start(mid: Array, weight: Array) -> tuple[tuple[float, float], ...]:
        return ((float(0.5 * np.log(np.average(mid**2, weights=weight) / divisor)), 0.0),)

    return start


def _half_normal_tail(z: Array, shape: Array) -> tuple[Array, NDArray[np.bool_]]:
    y = z / np.sqrt(2) + 0 * shape
    upper = y > 0.5
    return np.where(upper, -special.erfc(y), special.erf(y)), upper


FAMILIES: dict[str, Family] = {
    "lognormal": Family(
        name="lognormal",
        free=2,
        shape_low=-14.0,
        shape_high=2.3,
        half_tail=_lognormal_tail,
        log_density=_lognormal_density,
        isf=lambda p, shape: np.exp(-special.ndtri(p) * np.exp(shape)),
        ppf=lambda p, shape: np.exp(special.ndtri(p) * np.exp(shape)),
        start=_lognormal_start,
        named=lambda scale, shape: (("median_um", scale), ("log_sd", float(np.exp(shape)))),
    ),
    "gamma": Family(
        name="gamma",
        free=2,
        shape_low=-4.0,
        shape_high=26.0,
        half_tail=_gamma_tail,
        log_density=_gamma_density,
        isf=lambda p, shape: special.gammainccinv(np.exp(shape), p) / np.exp(shape),
        ppf=lambda p, shape: special.gammaincinv(np.exp(shape), p) / np.exp(shape),
        start=_gamma_start,
        named=lambda scale, shape: (("shape", float(np.exp(shape))), ("scale_um", scale / float(np.exp(shape)))),
    ),
    "Weibull": Family(
        name="Weibull",
        free=2,
        shape_low=-3.0,
        shape_high=14.0,
        half_tail=_weibull_tail,
        log_density=_weibull_density,
        isf=lambda p, shape: (-np.log(p)) ** np.exp(-shape),
        ppf=lambda p, shape: (-np.log1p(-p)) ** np.exp(-shape),
        start=_weibull_start,
        named=lambda scale, shape: (("shape", float(np.exp(shape))), ("scale_um", scale)),
    ),
    "Rayleigh": Family(
        name="Rayleigh",
        free=1,
        shape_low=0.0,
        shape_high=0.0,
        half_tail=_rayleigh_tail,
        log_density=lambda z, shape: np.log(z) - 0.5 * z**2 + 0 * shape,
        isf=lambda p, shape: np.sqrt(-2 * np.log(p)) + 0 * shape,
        ppf=lambda p, shape: np.sqrt(-2 * np.log1p(-p)) + 0 * shape,
        start=_rms_start(2.0),
        named=lambda scale, shape: (("scale_um", scale),),
    ),
    "folded normal": Family(
        name="folded normal",
        free=2,
        shape_low=-14.0,
        shape_high=14.0,
        half_tail=_folded_tail,
        log_density=_folded_density,
        isf=_folded_isf,
        ppf=_folded_ppf,
        start=_folded_start,
        named=lambda scale, shape: (
            ("mean_um", scale * abs(float(np.tanh(shape)))),
            ("sd_um", scale / float(np.cosh(shape))),
        ),
    ),
    "half-normal": Family(
        name="half-normal",
        free=1,
        shape_low=0.0,
        shape_high=0.0,
        half_tail=_half_normal_tail,
        log_density=lambda z, shape: 0.5 * np.log(2 / np.pi) - 0.5 * z**2 + 0 * shape,
        isf=lambda p, shape: -special.ndtri(p / 2) + 0 * shape,
        ppf=lambda p, shape: np.sqrt(2) * special.erfinv(p) + 0 * shape,
        start=_rms_start(1.0),
        named=lambda scale, shape: (("scale_um", scale),),
    ),
}
