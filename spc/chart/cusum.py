"""Cumulative sum (CUSUM): adds up what each face says for a shift, and forgets only what speaks against it."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, finite, number_in, readings_of, segment_starts
from spc.chart.individuals import local_spread, wanting
from spc.chart.price import in_points, sees
from spc.chart.result import Chart, unable
from spc.chart.rules import SIDES
from spc.chart.run_length import RunLength, cusum_run_length
from spc.chart.signals import beyond_limits

__all__ = ["CusumChart", "cusum_chart", "cusum_values", "interval_log_ratio", "last_zero", "log_ratio_cusum"]

Array = NDArray[np.float64]
NAME = "cumulative sum"
WORDS = "the cumulative sum is beyond its decision"
RATIO_MOST = 20.0  # one reading may not say more than this (natural log) for or against a shift
FLOOR = 1e-12  # probability below which an interval counts as never seen


@dataclass(frozen=True, slots=True)
class CusumChart:
    """The high and the low sum (as far as asked) and where the last shift may have begun."""

    high: Chart | None
    low: Chart | None
    high_since: int  # first reading since the high sum last stood at 0; -1 = it stands at 0 now
    low_since: int
    run_length: RunLength | None  # of the two together
    alarms: str


def cusum_values(
    increments: ArrayLike, *, head: float = 0.0, segments: ArrayLike | None = None, restart: bool = True
) -> Array:
    """Sum of increments, held at 0 from below.

    Parameters
    ----------
    increments : (n,) floats
        What each reading says for the shift; NaN = not measured, the sum stays as it is.
    head : float, default 0
        Where each stretch starts, 0 or more.
    segments : (n,) ids, optional
    restart : bool, default True
        Whether a new stretch starts again at `head`; otherwise the sum is carried on.

    Returns
    -------
    (n,) floats
        NaN where the reading is missing.

    Notes
    -----
    Whole stretches at once: the running total minus the lowest point it has reached. To keep small sums exact under
    a long history, stretches are handled in blocks.
    """
    x = readings_of(increments, name="increments")
    first = number_in(head, "head", least=0.0)
    starts = set(segment_starts(segments, x.size).tolist()) if restart else {0}
    missing = np.isnan(x)
    filled = np.where(missing, 0.0, x)
    cuts = sorted(starts | set(range(0, x.size, 4096)))
    out = np.empty_like(x)
    carried = first
    for begin, end in pairwise([*cuts, x.size]):
        if begin in starts:
            carried = first
        total = carried + np.cumsum(filled[begin:end])
        out[begin:end] = total - np.minimum(np.minimum.accumulate(total), 0.0)
        carried = float(out[end - 1])
    out[missing] = np.nan
    return out


def last_zero(values: Array, *, starts: NDArray[np.intp], at: int | None = None) -> int:
    """Return the first reading after the sum last stood at 0: the usual estimate of where a shift began.

    Parameters
    ----------
    values : (n,) floats
        The sum; NaN is passed over, and no shift begins there.
    starts : positions
        Starts of the stretches that begin afresh; the estimate never lies before the stretch of `at`.
    at : int, optional
        Position to look back from; the last by default.

    Returns
    -------
    int
        -1 if the sum stands at 0 there, or there is nothing.
    """
    end = values.size - 1 if at is None else at
    if end < 0:
        return -1
    begin = int(starts[np.searchsorted(starts, end, side="right") - 1]) if starts.size else 0
    stretch = values[begin : end + 1]
    at_zero = np.flatnonzero(stretch == 0.0)
    since = begin if not at_zero.size else begin + int(at_zero[-1]) + 1
    measured = np.flatnonzero(~np.isnan(values[since : end + 1]))
    return since + int(measured[0]) if measured.size else -1


def cusum_chart(
    values: ArrayLike,
    *,
    reference_sd: float = 0.5,
    decision_sd: float = 4.77,
    sides: str = "both",
    head_start: float = 0.0,
    centre: float | None = None,
    sigma: float | None = None,
    segments: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    restart: bool = True,
) -> CusumChart:
    """Chart the cumulative sum of single readings, tuned to a shift of twice the reference.

    Parameters
    ----------
    values : (n,) floats
        Readings in one unit, in order of time; NaN = not measured.
    reference_sd : float, default 0.5
        Half the shift to be seen, standard deviations, 0 or more.
    decision_sd : float, default 4.77
        The sum that signals, standard deviations.
    sides : {'both', 'upper', 'lower'}
    head_start : float, default 0
        Share of the decision at which each stretch starts; 0.5 is the usual fast start after reconditioning.
    centre, sigma : float, optional
        Frozen centre and spread; estimated from the baseline's moving ranges where not given.
    segments, baseline : optional
        As for `individuals_chart`.
    restart : bool, default True
        Whether each stretch starts again.

    Returns
    -------
    CusumChart
        Sums in standard deviations; the low sum is drawn below 0.

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes, unknown words or settings out of range.

    Notes
    -----
    The sum is not reset by a signal: it goes on showing until a person has answered and a new stretch begins.

    References
    ----------
    Page (1954), Biometrika 41; Lucas and Crosier (1982), Technometrics 24(3); Hawkins and Olwell (1998).
    """
    x = readings_of(values)
    reference = number_in(reference_sd, "reference_sd", least=0.0)
    decision = number_in(decision_sd, "decision_sd", above=0.0)
    choice(sides, "sides", SIDES)
    run_length = cusum_run_length(reference, decision, sides=sides, head_start=head_start)
    starts = segment_starts(segments, x.size)
    fresh = starts if restart else starts[:1]
    fast = f", fast start at {head_start:g} of the decision" if head_start else ""
    method = (
        f"cumulative sum with reference {reference:g} and decision {decision:g} standard deviations{fast}; a new "
        f"stretch {'starts again' if restart else 'carries the sum on'}"
    )
    found = local_spread(x, segments=segments, baseline=baseline)
    status, reason = wanting(found, centre=centre, sigma=sigma)
    if status != "ok":
        chart = unable(NAME, status, reason, x, method=method, n=found.n, starts=starts)
        return CusumChart(
            high=chart if sides != "lower" else None,
            low=chart if sides != "upper" else None,
            high_since=-1,
            low_since=-1,
            run_length=None,
            alarms=chart.alarms,
        )
    middle = found.centre if centre is None else finite(centre, "centre")
    scale = found.sigma if sigma is None else number_in(sigma, "sigma", above=0.0)
    z = (x - middle) / scale

    def at(shift: float) -> RunLength:
        towards = -shift if sides == "lower" else shift
        return cusum_run_length(reference, decision, sides=sides, head_start=head_start, shift_sd=towards)

    alarms = (
        f"one false alarm in about {in_points(run_length.average)} points if readings are normal and independent; "
        f"{sees(at)}"
    )

    def one(sign: float) -> tuple[Chart, int]:
        total = cusum_values(sign * z - reference, head=head_start * decision, segments=segments, restart=restart)
        open_side = np.full(x.size, math.inf)
        limit = np.full(x.size, decision)
        value = sign * total + 0.0
        lower, upper = (-open_side, limit) if sign > 0 else (-limit, open_side)
        chart = Chart(
            name=f"{NAME}, {'high' if sign > 0 else 'low'}",
            status="ok",
            reason="",
            value=value,
            centre=np.zeros(x.size),
            lower=lower,
            upper=upper,
            starts=starts,
            signals=(beyond_limits(value, lower, upper, rule=NAME, words=WORDS),),
            method=method,
            n=found.n,
            missing=int(np.count_nonzero(np.isnan(x))),
            sigma=scale,
            sigma_how=found.how if sigma is None else "given",
            run_length=run_length,
            alarms=alarms,
            notes=("not reset by a signal",),
        )
        return chart, last_zero(total, starts=fresh)

    high, high_since = one(1.0) if sides != "lower" else (None, -1)
    low, low_since = one(-1.0) if sides != "upper" else (None, -1)
    return CusumChart(high, low, high_since, low_since, run_length, alarms)


def interval_log_ratio(
    low: ArrayLike,
    high: ArrayLike,
    *,
    in_control_cdf: Callable[[Array], Array],
    shifted_cdf: Callable[[Array], Array],
) -> Array:
    """Weigh what each interval reading says for the shifted law: natural log of the ratio of probabilities.

    Parameters
    ----------
    low, high : (n,) floats
        The interval of each reading; both NaN = not measured, `high` may be infinite ("2+").
    in_control_cdf, shifted_cdf : functions of an array, giving probabilities

    Returns
    -------
    (n,) floats
        Kept within +/- 20; NaN where not measured.

    Raises
    ------
    ValueError
        If an interval is reversed or half missing.

    Notes
    -----
    "<0.5" enters as what it is, the interval 0 to 0.5. A reading without width is taken as an interval a millionth
    of its size wide, which gives the ratio of densities. An interval that neither law can produce says nothing (0).
    """
    left = np.asarray(low, dtype=np.float64)
    right = np.asarray(high, dtype=np.float64)
    if left.shape != right.shape or left.ndim != 1:
        raise ValueError(f"`low` and `high` must be columns of one length, got shapes {left.shape} and {right.shape}")
    missing = np.isnan(left) & np.isnan(right)
    bad = ~missing & ~(left <= right)
    if bad.any():
        where = int(np.flatnonzero(bad)[0])
        raise ValueError(
            f"`low` must not lie above `high` and neither may be missing alone, got {left[where]} to {right[where]} "
            f"at position {where}"
        )
    point = left == right
    half = np.where(point, 0.5e-6 * np.maximum(np.abs(left), 1e-9), 0.0)
    a = np.where(missing, 0.0, left - half)
    b = np.where(missing, 1.0, right + half)
    floor = np.where(point, 0.0, FLOOR)
    calm = np.maximum(in_control_cdf(b) - in_control_cdf(a), floor)
    moved = np.maximum(shifted_cdf(b) - shifted_cdf(a), floor)
    tiny = np.finfo(np.float64).tiny
    ratio = np.log(np.maximum(moved, tiny)) - np.log(np.maximum(calm, tiny))
    ratio = np.where((moved <= floor) & (calm <= floor), 0.0, np.clip(ratio, -RATIO_MOST, RATIO_MOST))
    return np.where(missing, np.nan, ratio)


def log_ratio_cusum(
    increments: ArrayLike,
    *,
    decision: float,
    head_start: float = 0.0,
    segments: ArrayLike | None = None,
    run_length: RunLength | None = None,
    words: str = "the evidence for a shift is beyond its decision",
) -> Chart:
    """Chart the likelihood-ratio sum of readings whose increments are known (see `interval_log_ratio`).

    Parameters
    ----------
    increments : (n,) floats
        Natural log ratios; NaN = not measured.
    decision : float
        The sum that signals, natural log, greater than 0.
    head_start : float
        Share of the decision at which each stretch starts.
    segments : (n,) ids, optional
    run_length : RunLength, optional
        For these settings, see `step_cusum_run_length`; without it the chart says that its rate is not known.
    words : str
        The rule in words.

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        For settings out of range.

    References
    ----------
    Page (1954), Biometrika 41; Moustakides (1986), Annals of Statistics 14, for its optimality.
    """
    limit = number_in(decision, "decision", above=0.0)
    share = number_in(head_start, "head_start", least=0.0)
    if share >= 1.0:
        raise ValueError(f"`head_start` must be a share of the decision below 1, got {head_start}; 0.5 is usual")
    x = readings_of(increments, name="increments")
    total = cusum_values(x, head=share * limit, segments=segments)
    upper = np.full(x.size, limit)
    lower = np.full(x.size, -math.inf)
    alarms = "its false-alarm rate has not been computed"
    if run_length is not None:
        alarms = f"one false alarm in about {in_points(run_length.average)} points under its own model"
    return Chart(
        name="likelihood-ratio sum",
        status="ok" if x.size else "too few",
        reason="" if x.size else "no reading yet",
        value=total,
        centre=np.zeros(x.size),
        lower=lower,
        upper=upper,
        starts=segment_starts(segments, x.size),
        signals=(beyond_limits(total, lower, upper, rule="likelihood-ratio sum", words=words),),
        method=f"likelihood-ratio cumulative sum, decision {limit:g} (natural log)",
        n=int(np.count_nonzero(~np.isnan(x))),
        missing=int(np.count_nonzero(np.isnan(x))),
        sigma=0.0,
        sigma_how="none: the two laws carry the spread",
        run_length=run_length,
        alarms=alarms,
        notes=("not reset by a signal",),
    )
