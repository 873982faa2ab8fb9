"""Readings that remember the one before: limits widened for it, or residuals charted instead.

Write the reading as z_t = phi z_{t-1} + sqrt(1 - phi^2) e_t in standard deviations of a reading. Limits from moving
ranges then sit at width * sqrt(1 - phi), which is a flood of false alarms; the lasting spread must be used, and the
limit set for the run length it truly has.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from spc.chart.checks import choice, finite, number_in, readings_of, segment_starts
from spc.chart.markov import Chain
from spc.chart.price import in_points
from spc.chart.result import Chart
from spc.chart.rules import RULES, SIDES, rule_signals
from spc.chart.run_length import RunLength, run_length_of

__all__ = [
    "PHI_MOST",
    "dependent_chart",
    "dependent_run_length",
    "false_alarm_rate_of_moving_ranges",
    "residual_run_length",
    "residuals_of",
    "width_for_phi",
]

Array = NDArray[np.float64]
REACH = 8.5  # where a one-sided chart's open side is cut off, standard deviations
PHI_MOST = 0.99


def dependent_run_length(phi: float, width_sd: float, *, sides: str = "both", shift_sd: float = 0.0) -> RunLength:
    """Run length of single readings against fixed limits when neighbours are correlated.

    Parameters
    ----------
    phi : float
        Correlation of neighbours, -0.99 to 0.99.
    width_sd : float
        Limits in lasting standard deviations of a reading, greater than 0.
    sides : {'both', 'upper', 'lower'}
    shift_sd : float
        Lasting shift of the mean, present from the first reading.

    Returns
    -------
    RunLength

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    Integral equation over the last reading within the limits; the first reading has the lasting law.
    """
    correlation = _phi(phi)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    shift = finite(shift_sd, "shift_sd")
    towards = -shift if sides == "lower" else shift
    moved = _chain(correlation, width, sides == "both", towards)
    calm = moved if shift == 0.0 else _chain(correlation, width, sides == "both", 0.0)
    return run_length_of(
        moved,
        calm,
        shift_sd=shift,
        chart=f"single readings, limits at {width:g} lasting sd, neighbours correlated by {correlation:g}",
        method="integral equation over the last reading (first-order autoregression, normal)",
    )


@lru_cache(maxsize=256)
def width_for_phi(average: float, *, phi: float, sides: str = "both") -> float:
    """Return the limits, in lasting standard deviations, that give a wanted average run length.

    Parameters
    ----------
    average : float
        Points between false alarms, greater than 1.
    phi : float
    sides : {'both', 'upper', 'lower'}
    """
    from scipy.optimize import brentq

    wanted = math.log(number_in(average, "average", above=1.0))

    def excess(width: float) -> float:
        return math.log(dependent_run_length(phi, width, sides=sides).average) - wanted

    least, high = 0.01, 0.5
    if excess(least) > 0.0:
        gives = in_points(dependent_run_length(phi, least, sides=sides).average)
        raise ValueError(
            f"`average` must be more than the {gives} points that the nearest limits give, got {average:g}"
        )
    while excess(high) < 0.0 and high < 7.0:
        high += 0.25
    if excess(high) < 0.0:
        raise ValueError(f"`average` must be within reach of such limits, got {average:g}")
    return float(brentq(excess, least, high, xtol=1e-9))


def false_alarm_rate_of_moving_ranges(phi: float, *, width_sd: float = 3.0) -> float:
    """Per-point false-alarm rate, both sides, when limits come from moving ranges all the same.

    The moving range estimates the lasting spread times sqrt(1 - phi), so the limits are that much too near.
    """
    correlation = _phi(phi)
    width = number_in(width_sd, "width_sd", above=0.0)
    return float(2.0 * ndtr(-width * math.sqrt(1.0 - correlation)))


def residuals_of(
    z: ArrayLike, *, phi: float, segments: ArrayLike | None = None, steps: ArrayLike | None = None
) -> Array:
    """Return what each reading adds to what the one before foretold, standardised.

    Parameters
    ----------
    z : (n,) floats
        Readings minus centre over their lasting spread; NaN = not measured.
    phi : float
        Correlation one step apart.
    segments : (n,) ids, optional
        The first reading of a stretch stands for itself.
    steps : (n,) floats, optional
        Steps since the reading before (uneven times); 1 by default. A missing reading adds its step to the next.

    Returns
    -------
    (n,) floats
        Independent standard normal in control; NaN where the reading is missing.
    """
    x = readings_of(z, name="z")
    correlation = _phi(phi)
    gap = np.ones(x.size) if steps is None else readings_of(steps, name="steps")
    if gap.shape != x.shape or np.any(gap[1:] <= 0):
        raise ValueError(f"`steps` must hold one number greater than 0 per reading ({x.size})")
    if correlation < 0 and np.any(np.mod(gap[1:], 1) != 0):
        raise ValueError(f"`steps` must be whole when `phi` is negative, got phi {phi}")
    starts = segment_starts(segments, x.size)
    stretch = np.zeros(x.size, dtype=np.intp)
    stretch[starts] = 1
    stretch = np.cumsum(stretch)
    there = np.flatnonzero(~np.isnan(x))
    out = np.full(x.size, np.nan)
    if not there.size:
        return out
    clock = np.cumsum(gap)
    value, when, which = x[there], clock[there], stretch[there]
    found = value.copy()
    linked = which[1:] == which[:-1]
    memory = np.zeros(value.size)
    memory[1:][linked] = correlation ** (when[1:] - when[:-1])[linked]
    found[1:] = (value[1:] - memory[1:] * value[:-1]) / np.sqrt(1.0 - memory[1:] ** 2)
    out[there] = found
    return out


def residual_run_length(phi: float, width_sd: float, *, sides: str = "both", shift_sd: float = 0.0) -> float:
    """Average run length of a chart of residuals when the readings shift for good.

    Parameters
    ----------
    phi : float
        Correlation of neighbours.
    width_sd : float
        Limits in standard deviations of a residual, greater than 0.
    sides : {'both', 'upper', 'lower'}
    shift_sd : float
        Lasting shift of the mean, lasting standard deviations of a reading; it comes upon a running chart.

    Returns
    -------
    float

    Notes
    -----
    The first residual carries shift / sqrt(1 - phi^2), each later one (1 - phi) of that: 1 + (1 - p_first) / p_later.

    References
    ----------
    Wardell, Moskowitz and Plante (1994), Technometrics 36(1), 3-17 (formula our own from the definition).
    """
    correlation = _phi(phi)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    first = finite(shift_sd, "shift_sd") / math.sqrt(1.0 - correlation**2)

    def chance(shift: float) -> float:
        high = float(ndtr(shift - width)) if sides != "lower" else 0.0
        low = float(ndtr(-shift - width)) if sides != "upper" else 0.0
        return high + low

    later = chance((1.0 - correlation) * first)
    return 1.0 + (1.0 - chance(first)) / later if later > 0 else math.inf


def dependent_chart(
    values: ArrayLike,
    *,
    phi: float,
    centre: float,
    sigma: float,
    average: float = 370.4,
    sides: str = "both",
    segments: ArrayLike | None = None,
    steps: ArrayLike | None = None,
    residuals: bool = False,
) -> Chart:
    """Chart correlated readings against widened limits, or their residuals.

    Parameters
    ----------
    values : (n,) floats
        In order of time; NaN = not measured.
    phi : float
        Correlation of neighbours, known or estimated elsewhere.
    centre, sigma : float
        Mean and lasting standard deviation of a reading (not from moving ranges).
    average : float, default 370.4
        Points between false alarms wanted.
    sides : {'both', 'upper', 'lower'}
    segments, steps : optional
        As for `residuals_of`.
    residuals : bool
        Chart the residuals instead of the readings.

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    Residuals of positively correlated readings see a jump once, at its first reading, and a lasting shift only weakly
    after it: the shift shrinks to (1 - phi) of itself.

    References
    ----------
    ISO 7870-9, stationary processes (title); Alwan and Roberts (1988), Journal of Business and Economic Statistics 6.
    """
    x = readings_of(values)
    middle = finite(centre, "centre")
    scale = number_in(sigma, "sigma", above=0.0)
    correlation = _phi(phi)
    choice(sides, "sides", SIDES)
    z = (x - middle) / scale
    starts = segment_starts(segments, x.size)
    if residuals:
        plotted = residuals_of(z, phi=correlation, segments=segments, steps=steps)
        width = width_for_phi(average, phi=0.0, sides=sides)
        run_length = dependent_run_length(0.0, width, sides=sides)
        name, method = "residuals", f"residuals of a first-order autoregression, phi {correlation:.3g}, standardised"
        value, mid, unit = plotted, 0.0, 1.0
        notes = ("a lasting shift shows fully in one residual only, then shrinks; add the drifting average",)
    else:
        plotted = z
        width = width_for_phi(average, phi=correlation, sides=sides)
        run_length = dependent_run_length(correlation, width, sides=sides)
        name, method = (
            "individuals, correlated",
            f"single readings, limits set for neighbours correlated by {correlation:.3g}",
        )
        value, mid, unit = x, middle, scale
        notes = ("limits rest on the lasting spread, not on moving ranges",)
    upper = np.full(x.size, math.inf if sides == "lower" else mid + width * unit)
    lower = np.full(x.size, -math.inf if sides == "upper" else mid - width * unit)
    return Chart(
        name=name,
        status="ok" if x.size else "too few",
        reason="" if x.size else "no reading yet",
        value=value,
        centre=np.full(x.size, mid),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=rule_signals(plotted, rules=(RULES["beyond the limit"],), limit_z=width, sides=sides),
        method=method,
        n=int(np.count_nonzero(~np.isnan(x))),
        missing=int(np.count_nonzero(np.isnan(x))),
        sigma=scale,
        sigma_how="lasting spread, given",
        run_length=run_length,
        alarms=f"one false alarm in about {in_points(run_length.average)} points under this correlation",
        notes=notes,
    )


def _phi(phi: float) -> float:
    value = finite(phi, "phi")
    if abs(value) > PHI_MOST:
        raise ValueError(f"`phi` must lie between -{PHI_MOST} and {PHI_MOST}, got {phi}; remove the trend first")
    return value


@lru_cache(maxsize=256)
def _chain(phi: float, width: float, both: bool, shift: float) -> Chain:
    """Return the chain of the last reading, as its distance from the unshifted centre."""
    low = -width if both else min(-REACH, shift - REACH)
    fresh = math.sqrt(1.0 - phi * phi)
    nodes, weights = np.polynomial.legendre.leggauss(min(500, 40 + 6 * math.ceil((width - low) / fresh)))
    half = (width - low) / 2
    x = low + half * (nodes + 1.0) - shift
    w = half * weights / math.sqrt(2.0 * math.pi)
    start = w * np.exp(-0.5 * x * x)
    step = (x[None, :] - phi * x[:, None]) / fresh
    return Chain(start=start, matrix=np.exp(-0.5 * step * step) * (w / fresh)[None, :])
