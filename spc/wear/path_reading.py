"""Readings as intervals, outliers and unknown signs turned into a working value and an error multiplier each.

A closed interval gives its middle and a variance of width squared / 12 (Sheppard's correction); it is not moved towards
what its neighbours predict, since readings so moved would look as if the path itself wandered. An open one ("2+") and a
bow of unknown sign are put against what the other readings of the pool predict for them (their leave-one-out law): the
matched normal contribution replaces them. An outlier loses weight.
"""

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import error_variance_of
from spc.wear.path_gram import RATIO_GRID
from spc.wear.path_posterior import LineDraws
from spc.wear.path_scale import PathScale, PathStack

__all__ = ["columns_of", "first_working", "refined_working"]

Array = NDArray[np.float64]

_OUTLIER_SD = 2.75  # leave-one-out residuals beyond this lose weight; 0.6 % of sound normal readings; our own rule
_MOST = 400.0  # largest error multiplier
_LEAST = 1e-3  # smallest one
_TOLD = 1e-11  # of the variance of the paths, an error below which their covariance cannot be inverted in 16 digits


def first_working(stack: PathStack) -> tuple[Array, Array]:
    """Middle of each interval (its closed end where it is open) and an error multiplier, 1 where the sign is known."""
    open_below, open_above = ~np.isfinite(stack.low), ~np.isfinite(stack.high)
    middle = np.where(open_above, stack.low, np.where(open_below, stack.high, (stack.low + stack.high) / 2))
    return np.where(stack.live, middle, 0.0), np.where(stack.sign_known, 1.0, _MOST)


def columns_of(stack: PathStack, working: Array, parts: int) -> Array:
    """Columns of the filter: 1, g, one per part, the reading; (U, N, C)."""
    units, longest = working.shape
    columns = np.zeros((units, longest, 3 + parts))
    columns[..., 0] = 1.0
    columns[..., 1] = stack.age_scaled
    if parts:
        columns[..., 2:-1] = stack.part[..., None] == np.arange(parts)
    columns[..., -1] = working
    return columns


def refined_working(
    scale: PathScale, stack: PathStack, working: Array, multiplier: Array, draws: LineDraws
) -> tuple[Array, Array] | None:
    """Working values and multipliers after a first fit; None where the first were good enough."""
    parts = len(scale.parts)
    spreads = np.median(draws.spreads, axis=0)
    error = float(np.sqrt(error_variance_of(spreads[None, :])[0]))
    mean, variance = _left_out(stack, working, multiplier, spreads, draws, parts)
    beyond = np.maximum(variance - error**2 * multiplier, 0.0)  # of the path, the reading's own error apart
    width = np.where(stack.live, stack.high - stack.low, 0.0)
    away = np.abs(working - mean) / np.sqrt(variance)
    matched = stack.live & (~np.isfinite(width) | ~stack.sign_known)
    closed = width[stack.live & np.isfinite(width)]
    uneven = bool(closed.size) and float(np.ptp(closed)) > 0.2 * error
    if not scale.error_power and not matched.any() and not uneven and not (stack.live & (away > _OUTLIER_SD)).any():
        return None
    rounding = np.where(np.isfinite(width), width, 0.0) ** 2 / 12
    usual = float(rounding[stack.live].mean())  # what the error of the first fit already holds
    least = max(error**2 - usual, 0.1 * error**2)
    own = least * scale.error_share(mean)
    value, site = _matched(stack, mean, beyond + own, working, rounding)
    value, site = np.where(matched, value, working), np.where(matched, site, rounding)
    multiplier = (own + site) / (least + usual)
    away = np.abs(value - mean) / np.sqrt(beyond + own + site)
    excess = np.where(away > _OUTLIER_SD, (away / _OUTLIER_SD) ** 2, 1.0)
    multiplier = np.clip(multiplier * excess, _LEAST, _MOST)
    return np.where(stack.live, value, 0.0), np.where(stack.live, multiplier, 1.0)


def _left_out(
    stack: PathStack, working: Array, multiplier: Array, spreads: Array, draws: LineDraws, parts: int
) -> tuple[Array, Array]:
    """Mean and variance that the other readings predict for each reading, at the middle of the drawn spreads."""
    error2 = float(error_variance_of(spreads[None, :])[0])
    ratio = np.clip(np.exp(spreads[1]), RATIO_GRID[0], RATIO_GRID[-1])
    level, slope = np.exp(spreads[2]), np.exp(spreads[3])
    both = np.tanh(spreads[4]) * level * slope
    mean_fixed, cov_fixed = draws.mean.mean(axis=0), draws.covariance.mean(axis=0)
    columns = columns_of(stack, working, parts)[..., :-1]
    fixed = columns @ stack.design
    g = stack.age_scaled
    spread = level**2 + both * (g[:, :, None] + g[:, None, :]) + slope**2 * g[:, :, None] * g[:, None, :]
    spread = spread + ratio * error2 * np.minimum(g[:, :, None], g[:, None, :])
    spread = spread + fixed @ cov_fixed @ fixed.swapaxes(1, 2)
    pair = stack.live[:, :, None] & stack.live[:, None, :]
    spread = np.where(pair, spread, 0.0)
    diagonal = np.arange(g.shape[1])
    error = np.maximum(error2 * multiplier, _TOLD * spread[:, diagonal, diagonal].max(axis=1, keepdims=True))
    spread[:, diagonal, diagonal] += np.where(stack.live, error, 1.0)
    inverse = np.linalg.inv(spread)
    residual = np.where(stack.live, working - fixed @ mean_fixed, 0.0)
    strength = inverse[:, diagonal, diagonal]
    strength = np.where(strength > 0, strength, np.inf)  # lost to rounding: as the others predict it
    left = working - (inverse @ residual[..., None])[..., 0] / strength
    return left, np.maximum(1 / strength, error2 * multiplier)


def _matched(stack: PathStack, mean: Array, variance: Array, working: Array, rounding: Array) -> tuple[Array, Array]:
    """Value and variance of the normal contribution that matches each interval's effect on its left-out law."""
    sd = np.sqrt(variance)
    low, high = (stack.low - mean) / sd, (stack.high - mean) / sd
    mass, first, second = _interval_moments(low, high)
    unknown = ~stack.sign_known
    if unknown.any():
        other = _interval_moments((-stack.high - mean) / sd, (-stack.low - mean) / sd)
        both = mass + other[0]
        mass, first, second = (
            np.where(unknown, both, mass),
            np.where(unknown, first + other[1], first),
            np.where(unknown, second + other[2], second),
        )
    narrow = (stack.high - stack.low) < 0.02 * sd
    usable = stack.live & (~narrow | unknown) & (mass > 1e-8) & np.isfinite(mean)
    safe = np.where(usable, mass, 1.0)
    centre = np.where(usable, first / safe, 0.0)
    spread = np.clip(np.where(usable, second / safe, 0.5) - centre**2, 1e-9, 0.999)
    site = 1 / (1 / spread - 1)
    value = mean + sd * centre * (1 + site)  # site (centre / spread)
    return np.where(usable, value, working), np.where(usable, site * variance, rounding)


def _interval_moments(low: Array, high: Array) -> tuple[Array, Array, Array]:
    """Mass of a standard normal between two points, and its first and second moments there."""
    from scipy.special import ndtr

    low, high = np.minimum(low, high), np.maximum(low, high)
    flip = low > 0  # work in the tail that keeps digits
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    mass = ndtr(b) - ndtr(a)
    root = np.sqrt(2 * np.pi)
    density_a, density_b = np.exp(-0.5 * a**2) / root, np.exp(-0.5 * b**2) / root
    first = density_a - density_b
    end_a = np.where(np.isfinite(a), a, 0.0) * density_a
    end_b = np.where(np.isfinite(b), b, 0.0) * density_b
    return mass, np.where(flip, -first, first), mass + end_a - end_b
