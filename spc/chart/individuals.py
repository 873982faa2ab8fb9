"""Individuals and moving range: one reading per face, local differences that never bridge a break."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, finite, number_in, readings_of, segment_starts
from spc.chart.constants import d2, d3, moving_range_spread_variance
from spc.chart.price import in_points, points_between, sees
from spc.chart.result import Chart, unable
from spc.chart.rules import RULES, SIDES, RunRule, rule_signals
from spc.chart.run_length import rule_run_length
from spc.chart.signals import beyond_limits

__all__ = ["IndividualsChart", "LocalSpread", "individuals_chart", "local_spread", "moving_ranges", "wanting"]

SPREADS = ("mean moving range", "median moving range", "standard deviation")
LEAST_RANGES = 2
EQUAL_SHARE_NOTED = 0.25  # of moving ranges exactly 0: the step is coarse against the spread
NAME = "individuals"
METHOD = "individuals with moving range (after ISO 7870-2), differences within unbroken stretches only"


@dataclass(frozen=True, slots=True)
class LocalSpread:
    """Centre and local spread of readings taken one at a time."""

    centre: float
    sigma: float  # 0 when it cannot be said
    n: int  # readings used
    ranges: int  # moving ranges used
    zero_share: float  # of them exactly 0, 0 to 1 (0 when there are none)
    sigma_relative_error: float  # standard error of sigma over sigma, normal readings
    how: str
    status: str  # 'ok', 'too few', 'no spread'
    reason: str


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """The two charts of individuals, with the spread both rest on."""

    individuals: Chart
    moving_range: Chart
    spread: LocalSpread


def moving_ranges(values: ArrayLike, *, segments: ArrayLike | None = None) -> NDArray[np.float64]:
    """Absolute differences of neighbouring readings.

    Parameters
    ----------
    values : (n,) floats
        NaN = not measured; no difference is taken to or across it.
    segments : (n,) ids, optional
        No difference is taken across a change of id (recharge, reconditioning, grit or part change, night).

    Returns
    -------
    (n,) floats
        NaN where there is none: at the first reading of each stretch and beside a missing one.
    """
    x = readings_of(values)
    ranges = np.full(x.size, np.nan)
    if x.size > 1:
        ranges[1:] = np.abs(np.diff(x))
    ranges[segment_starts(segments, x.size)] = np.nan
    return ranges


def local_spread(
    values: ArrayLike,
    *,
    segments: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    spread: str = "mean moving range",
) -> LocalSpread:
    """Centre and spread from a baseline of single readings.

    Parameters
    ----------
    values : (n,) floats
        NaN = not measured.
    segments : (n,) ids, optional
        Stretches; see `moving_ranges`.
    baseline : (n,) bools, optional
        Which readings count; all by default. A difference counts when both its readings do.
    spread : {'mean moving range', 'median moving range', 'standard deviation'}

    Returns
    -------
    LocalSpread
        With status 'too few' or 'no spread' where nothing can be said.

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes or an unknown word.

    Notes
    -----
    Mean moving range over d2(2) = 2/sqrt(pi); median over 0.954. The median gives 0 as soon as half the differences
    are 0, which half-band readings do: that is 'no spread', not a wall of alarms.
    """
    x = readings_of(values)
    choice(spread, "spread", SPREADS)
    used = _baseline_mask(baseline, x.size) & ~np.isnan(x)
    ranges = moving_ranges(np.where(used, x, np.nan), segments=segments)
    there = ~np.isnan(ranges)
    kept = ranges[there]
    n = int(np.count_nonzero(used))
    zero_share = float(np.mean(kept == 0)) if kept.size else 0.0
    centre = float(_safe_mean(x[used])) if n else 0.0
    adjacent = int(np.count_nonzero(there[1:] & there[:-1]))
    if spread == "standard deviation":
        sigma = _safe_deviation(x[used], centre) if n > 1 else 0.0
        error = 1.0 / math.sqrt(2.0 * (n - 1)) if n > 1 else math.inf
        how = f"standard deviation of {n:,} readings"
    elif spread == "median moving range":
        from scipy.special import ndtri

        sigma = float(np.median(kept)) / (math.sqrt(2.0) * float(ndtri(0.75))) if kept.size else 0.0
        error = _median_error(kept.size, adjacent) if kept.size else math.inf
        how = f"median of {kept.size:,} moving ranges over 0.954"
    else:
        sigma = float(_safe_mean(kept)) / d2(2) if kept.size else 0.0
        error = math.sqrt(moving_range_spread_variance(kept.size, adjacent)) if kept.size else math.inf
        how = f"mean of {kept.size:,} moving ranges over {d2(2):.3f}"
    status, reason = "ok", ""
    if kept.size < LEAST_RANGES:
        status = "too few"
        readings = "1 reading gives" if n == 1 else f"{n} readings give"
        differences = "1 local difference" if kept.size == 1 else f"{kept.size} local differences"
        reason = (
            f"{readings} {differences}; at least {LEAST_RANGES} are needed before limits mean anything: go on logging"
        )
    elif not sigma > 0.0:
        status = "no spread"
        reason = (
            f"{zero_share:.0%} of neighbouring readings are equal, so the spread cannot be seen: the reading step is "
            "too coarse, or the same value was written down each time; use the limits fitted to intervals, or a finer "
            "reading"
        )
    return LocalSpread(
        centre=centre,
        sigma=sigma if status == "ok" else 0.0,
        n=n,
        ranges=int(kept.size),
        zero_share=zero_share,
        sigma_relative_error=error,
        how=how,
        status=status,
        reason=reason,
    )


def wanting(found: LocalSpread, *, centre: float | None, sigma: float | None) -> tuple[str, str]:
    """Status and reason of a chart for which readings and given figures do not suffice; ('ok', '') if they do."""
    if sigma is None and found.status != "ok":
        return found.status, found.reason
    if centre is None and not found.n:
        return "too few", "no reading counts for the centre: give a centre, or go on logging"
    return "ok", ""


def individuals_chart(
    values: ArrayLike,
    *,
    segments: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    width_sd: float = 3.0,
    sides: str = "both",
    spread: str = "mean moving range",
    rules: tuple[RunRule, ...] = (RULES["beyond the limit"],),
) -> IndividualsChart:
    """Chart single readings and their moving range.

    Parameters
    ----------
    values : (n,) floats
        Readings in one unit, in order of time; NaN = not measured.
    segments : (n,) ids, optional
        Stretches that no difference and no run crosses.
    baseline : (n,) bools, optional
        Readings from which centre and spread are estimated; all by default.
    centre, sigma : float, optional
        Frozen centre and spread; estimated from the baseline where not given.
    width_sd : float, default 3
        Distance from centre to limit, standard deviations.
    sides : {'both', 'upper', 'lower'}
    spread : {'mean moving range', 'median moving range', 'standard deviation'}
    rules : tuple of RunRule
        Looked for on the readings; one beyond the limit by default.

    Returns
    -------
    IndividualsChart

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes, unknown words or settings out of range.

    Notes
    -----
    Symmetric limits suit readings that are near normal. For bounded, skewed or stepped readings chart the z-scores of
    a fitted family instead, or take its probability limits.

    References
    ----------
    ISO 7870-2; ASTM E2587 (formulas from memory of both).
    """
    x = readings_of(values)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    found = local_spread(x, segments=segments, baseline=baseline, spread=spread)
    middle = found.centre if centre is None else finite(centre, "centre")
    scale = number_in(sigma, "sigma", above=0.0) if sigma is not None else found.sigma
    starts = segment_starts(segments, x.size)
    ranges = moving_ranges(x, segments=segments)
    status, reason = wanting(found, centre=centre, sigma=sigma)
    if status != "ok":
        return IndividualsChart(
            individuals=unable(NAME, status, reason, x, method=METHOD, n=found.n, starts=starts),
            moving_range=unable("moving range", status, reason, ranges, method=METHOD, n=found.n, starts=starts),
            spread=found,
        )
    given = sigma is not None
    how = "given" if given else found.how
    notes = _notes(found, given)
    run_length = rule_run_length(rules, limit_z=width, sides=sides)
    alarms = (
        f"one false alarm in about {in_points(run_length.average)} points if readings are normal and independent; "
        + sees(lambda shift: rule_run_length(rules, limit_z=width, sides=sides, shift_sd=_towards(shift, sides)))
    )
    individuals = Chart(
        name=NAME,
        status="ok",
        reason="",
        value=x,
        centre=np.full(x.size, middle),
        lower=np.full(x.size, -math.inf if sides == "upper" else middle - width * scale),
        upper=np.full(x.size, math.inf if sides == "lower" else middle + width * scale),
        starts=starts,
        signals=rule_signals((x - middle) / scale, rules=rules, limit_z=width, sides=sides, segments=segments),
        method=METHOD,
        n=found.n,
        missing=int(np.count_nonzero(np.isnan(x))),
        sigma=scale,
        sigma_how=how,
        run_length=run_length,
        alarms=alarms,
        notes=notes,
    )
    return IndividualsChart(
        individuals=individuals,
        moving_range=_range_chart(ranges, starts, scale, width, found.n, how, notes),
        spread=found,
    )


def _range_chart(
    ranges: NDArray[np.float64],
    starts: NDArray[np.intp],
    sigma: float,
    width: float,
    n: int,
    how: str,
    notes: tuple[str, ...],
) -> Chart:
    """Chart the moving ranges against the limit that their law gives."""
    middle = d2(2) * sigma
    upper = np.full(ranges.size, middle + width * d3(2) * sigma)
    chance = math.erfc((d2(2) + width * d3(2)) / 2.0)  # |x - y| is half-normal with spread sqrt(2)
    alarms = (
        f"one false alarm in about {points_between(chance)} moving ranges if readings are normal and independent; adds "
        "little to the individuals, and helps to see a change of spread"
    )
    lower = np.full(ranges.size, -math.inf)
    return Chart(
        name="moving range",
        status="ok",
        reason="",
        value=ranges,
        centre=np.full(ranges.size, middle),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(
            beyond_limits(ranges, lower, upper, rule="beyond the limit", words="one moving range beyond the limit"),
        ),
        method=METHOD,
        n=n,
        missing=int(np.count_nonzero(np.isnan(ranges))),
        sigma=sigma,
        sigma_how=how,
        run_length=None,
        alarms=alarms,
        notes=notes,
    )


def _notes(found: LocalSpread, given: bool) -> tuple[str, ...]:
    """Say what a person should know about the readings."""
    notes = []
    if found.zero_share >= EQUAL_SHARE_NOTED:
        unsure = "" if given or "moving ranges" not in found.how else ", so limits from moving ranges are unsure"
        notes.append(
            f"{found.zero_share:.0%} of neighbouring readings are equal: the reading step is coarse against the "
            f"spread{unsure}"
        )
    if not given:
        notes.append(
            f"the spread is known to about {found.sigma_relative_error:.0%} (one standard error), from the {found.how}"
        )
    return tuple(notes)


def _median_error(ranges: int, adjacent: int) -> float:
    """Return the relative standard error of the spread from the median of moving ranges, large samples.

    The share of ranges below the median of their law, over their density there times that median. Two neighbouring
    differences have correlation -1/2, so both lie within it with probability 0.2766 (bivariate normal integral).
    """
    own, shared = 0.25, 0.2766 - 0.25
    slope = 2.0 * 0.6744898 * math.exp(-0.5 * 0.6744898**2) / math.sqrt(2.0 * math.pi)
    return math.sqrt(ranges * own + 2.0 * adjacent * shared) / ranges / slope


def _towards(shift: float, sides: str) -> float:
    return -shift if sides == "lower" else shift


def _baseline_mask(baseline: ArrayLike | None, n: int) -> NDArray[np.bool_]:
    if baseline is None:
        return np.ones(n, dtype=bool)
    mask = np.asarray(baseline)
    if mask.dtype != np.bool_ or mask.shape != (n,):
        raise ValueError(f"`baseline` must hold one True or False per reading ({n}), got {mask.dtype} {mask.shape}")
    return mask


def _safe_mean(values: NDArray[np.float64]) -> float:
    """Return the mean without overflow and exact for a constant series."""
    first = float(values[0])
    return first + float(np.mean(values - first))


def _safe_deviation(values: NDArray[np.float64], centre: float) -> float:
    """Return the sample standard deviation by two passes."""
    return float(np.sqrt(np.sum((values - centre) ** 2) / (values.size - 1)))
