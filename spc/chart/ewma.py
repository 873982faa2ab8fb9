"""Drifting average (EWMA): remembers a little of every face since the stretch began, and sees slow drift early."""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, finite, number_in, readings_of, segment_starts
from spc.chart.individuals import local_spread, wanting
from spc.chart.price import in_points, sees
from spc.chart.result import Chart, unable
from spc.chart.rules import SIDES
from spc.chart.run_length import RunLength, ewma_run_length
from spc.chart.signals import beyond_limits

__all__ = ["RESTARTS", "ewma_chart", "ewma_values"]

NAME = "drifting average"
RESTARTS = ("centre", "carry")
WORDS = "the drifting average is beyond its limit"


def ewma_values(
    z: ArrayLike,
    *,
    weight: float,
    sides: str = "both",
    start: float = 0.0,
    segments: ArrayLike | None = None,
    restart: str = "centre",
) -> NDArray[np.float64]:
    """Exponentially weighted moving average of standardised readings.

    Parameters
    ----------
    z : (n,) floats
        Readings minus centre, over sigma; NaN = not measured: the average stays as it is.
    weight : float
        Weight of the newest reading, greater than 0 and at most 1.
    sides : {'both', 'upper', 'lower'}
        'upper' and 'lower' hold the average back at the centre (reflection), so that a good spell cannot hide a bad
        one.
    start : float
        Value before the first reading of the series (and, with restart 'centre', of each stretch).
    segments : (n,) ids, optional
    restart : {'centre', 'carry'}
        Whether a new stretch starts afresh or carries the average on.

    Returns
    -------
    (n,) floats
        NaN where the reading is missing.
    """
    x = readings_of(z, name="z")
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    choice(sides, "sides", SIDES)
    choice(restart, "restart", RESTARTS)
    starts = segment_starts(segments, x.size)
    fresh = set(starts.tolist()) if restart == "centre" else {0}
    if sides == "both" and len(fresh) * 200 < x.size and not np.isnan(x).any():
        return _filtered(x, lam, finite(start, "start"), sorted(fresh))
    sign = -1.0 if sides == "lower" else 1.0
    held = sides != "both"
    out = np.full(x.size, math.nan)
    first = sign * finite(start, "start")
    average = first
    keep = 1.0 - lam
    for place, value in enumerate((sign * x).tolist()):
        if place in fresh:
            average = first
        if value == value:
            average = keep * average + lam * value
            if held and average < 0.0:
                average = 0.0
            out[place] = average
    return np.asarray(sign * out + 0.0)


def ewma_chart(
    values: ArrayLike,
    *,
    weight: float = 0.2,
    width_sd: float = 2.86,
    sides: str = "both",
    exact_limits: bool = True,
    centre: float | None = None,
    sigma: float | None = None,
    segments: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    restart: str = "centre",
) -> Chart:
    """Chart the drifting average of single readings.

    Parameters
    ----------
    values : (n,) floats
        Readings in one unit, in order of time; NaN = not measured.
    weight : float, default 0.2
        Weight of the newest reading, greater than 0 and at most 1; small weights see small drifts.
    width_sd : float, default 2.86
        Limits in standard deviations of the average; `ewma_width_for` finds the one for a wanted alarm rate.
    sides : {'both', 'upper', 'lower'}
        One-sided averages are held back at the centre.
    exact_limits : bool, default True
        Narrower limits while the average is young, by its exact spread.
    centre, sigma : float, optional
        Frozen centre and spread of one reading; estimated from the baseline's moving ranges where not given.
    segments, baseline : optional
        As for `individuals_chart`.
    restart : {'centre', 'carry'}
        What a new stretch does: start afresh (a recharge or reconditioning) or carry on (a night).

    Returns
    -------
    Chart
        Values, centre and limits in the unit of the readings.

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes, unknown words or settings out of range.

    Notes
    -----
    Limits centre +/- width sigma sqrt(w / (2 - w) [1 - (1 - w)^(2 i)]), i counted within the stretch.

    References
    ----------
    Roberts (1959), Technometrics 1(3); Lucas and Saccucci (1990), Technometrics 32(1), 1-29.
    """
    x = readings_of(values)
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    choice(restart, "restart", RESTARTS)
    starts = segment_starts(segments, x.size)
    fresh = starts if restart == "centre" else starts[:1]
    method = (
        f"exponentially weighted moving average, newest reading weighs {lam:g}, limits at {width:g} sd of the average"
        f"{' by its exact early spread' if exact_limits else ', settled'}; a new stretch "
        f"{'starts afresh at the centre' if restart == 'centre' else 'carries the average on'}"
    )
    found = local_spread(x, segments=segments, baseline=baseline)
    status, reason = wanting(found, centre=centre, sigma=sigma)
    if status != "ok":
        return unable(NAME, status, reason, x, method=method, n=found.n, starts=starts)
    middle = found.centre if centre is None else finite(centre, "centre")
    scale = found.sigma if sigma is None else number_in(sigma, "sigma", above=0.0)
    z = (x - middle) / scale
    average = ewma_values(z, weight=lam, sides=sides, segments=segments, restart=restart)
    settled = width * math.sqrt(lam / (2.0 - lam))
    reach = np.full(x.size, settled)
    if exact_limits:
        age = _age(x, fresh)
        reach = settled * np.sqrt(-np.expm1(2.0 * age * math.log1p(-lam))) if lam < 1.0 else reach
    value = middle + scale * average
    lower = np.full(x.size, -math.inf) if sides == "upper" else middle - scale * reach
    upper = np.full(x.size, math.inf) if sides == "lower" else middle + scale * reach
    beyond = beyond_limits(
        average,
        np.full(x.size, -math.inf) if sides == "upper" else -reach,
        np.full(x.size, math.inf) if sides == "lower" else reach,
        rule=NAME,
        words=WORDS,
    )

    def at(shift: float) -> RunLength:
        return ewma_run_length(
            lam, width, sides=sides, exact_limits=exact_limits, shift_sd=-shift if sides == "lower" else shift
        )

    run_length = ewma_run_length(lam, width, sides=sides, exact_limits=exact_limits)
    return Chart(
        name=NAME,
        status="ok",
        reason="",
        value=value,
        centre=np.full(x.size, middle),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(beyond,),
        method=method,
        n=found.n,
        missing=int(np.count_nonzero(np.isnan(x))),
        sigma=scale,
        sigma_how=found.how if sigma is None else "given",
        run_length=run_length,
        alarms=(
            f"one false alarm in about {in_points(run_length.average)} points if readings are normal and independent; "
            + sees(at)
        ),
        notes=(),
    )


def _filtered(x: NDArray[np.float64], lam: float, start: float, fresh: list[int]) -> NDArray[np.float64]:
    """Average each stretch by a compiled linear filter."""
    from scipy.signal import lfilter

    out = np.empty_like(x)
    for first, last in pairwise([*fresh, x.size]):
        out[first:last], _ = lfilter([lam], [1.0, lam - 1.0], x[first:last], zi=np.array([(1.0 - lam) * start]))
    return out


def _age(x: NDArray[np.float64], fresh: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return how many measured readings each place has behind it in its stretch, itself included, at least 1."""
    measured = np.cumsum(~np.isnan(x))
    if x.size == 0:
        return np.zeros(0)
    before = np.repeat(measured[fresh] - ~np.isnan(x[fresh]), np.diff(np.append(fresh, x.size)))
    return np.asarray(np.maximum(measured - before, 1), dtype=np.float64)
