"""Subgroup mean with range or standard deviation: faces lapped together on one plate load."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, finite, number_in, readings_of
from spc.chart.constants import c4, d2, d3, range_cdf, range_quantile
from spc.chart.price import in_points, points_between, sees
from spc.chart.result import Chart, unable
from spc.chart.rules import RULES, SIDES, RunRule, rule_signals
from spc.chart.run_length import rule_run_length
from spc.chart.signals import beyond_limits

__all__ = ["SubgroupChart", "subgroup_chart"]

Array = NDArray[np.float64]
WITHIN = ("range", "standard deviation")
LIMITS = ("textbook", "probability")


@dataclass(frozen=True, slots=True)
class SubgroupChart:
    """The chart of means and the chart of spread within, one point per subgroup."""

    mean: Chart
    within: Chart
    label: tuple[object, ...]  # the subgroup ids in the order of the points
    size: NDArray[np.intp]  # readings in each


def subgroup_chart(
    values: ArrayLike,
    groups: ArrayLike,
    *,
    within: str = "standard deviation",
    width_sd: float = 3.0,
    within_limits: str = "textbook",
    sides: str = "both",
    centre: float | None = None,
    sigma: float | None = None,
    rules: tuple[RunRule, ...] = (RULES["beyond the limit"],),
) -> SubgroupChart:
    """Chart subgroup means against the spread within subgroups; sizes may differ.

    Parameters
    ----------
    values : (n,) floats
        Readings in one unit; NaN = not measured, left out of its subgroup.
    groups : (n,) ids
        Which subgroup each reading belongs to; points come in order of first appearance.
    within : {'standard deviation', 'range'}
        The spread charted, and the one sigma is estimated from where it is not given.
    width_sd : float, default 3
    within_limits : {'textbook', 'probability'}
        Limits of the spread: `width_sd` times its own standard deviation, or the same tail chances as the chart of
        means, from the law of the spread itself (the textbook's upper limit is passed more often than that).
    sides : {'both', 'upper', 'lower'}
        Sides of the chart of means.
    centre, sigma : float, optional
        Frozen centre and spread of one reading; otherwise the grand mean of all readings and the average of R/d2 or
        s/c4 over subgroups of two or more, weighted by how well each is known.
    rules : tuple of RunRule
        Looked for on the standardised means.

    Returns
    -------
    SubgroupChart

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes, unknown words or settings out of range.

    Notes
    -----
    Faces of one part are no subgroup of parts: their spread is the part's, and limits from it are too narrow.

    References
    ----------
    ISO 7870-2; ASTM E2587 (formulas from memory); Burr (1969), Journal of Quality Technology 1, unequal sizes.
    """
    x = readings_of(values)
    choice(within, "within", WITHIN)
    choice(within_limits, "within_limits", LIMITS)
    choice(sides, "sides", SIDES)
    width = number_in(width_sd, "width_sd", above=0.0)
    ids = np.asarray(groups)
    if ids.shape != x.shape:
        raise ValueError(f"`groups` must hold one id per reading ({x.size}), got shape {ids.shape}")
    label, size, mean, spread = _by_group(x, ids, within)
    measured = size > 0
    total = int(size.sum())
    starts = np.zeros(min(1, mean.size), dtype=np.intp)
    method = f"subgroup mean with {within} (after ISO 7870-2), limits by the size of each subgroup"
    usable = size > 1
    scale, how = 0.0, "given"
    if sigma is not None:
        scale = number_in(sigma, "sigma", above=0.0)
    elif usable.sum() >= 2:
        scale = _sigma(spread[usable], size[usable], within)
        how = f"{within} within {int(usable.sum()):,} subgroups of two or more"
    status, reason = "ok", ""
    if sigma is None and usable.sum() < 2:
        status = "too few"
        reason = (
            f"{'1 subgroup holds' if usable.sum() == 1 else 'no subgroup holds'} two readings or more; at least 2 are "
            "needed before limits mean anything: chart single readings instead, or log more faces per load"
        )
    elif not scale > 0.0:
        status = "no spread"
        reason = "all readings within each subgroup are equal, so the spread cannot be seen; use a finer reading"
    elif not measured.any():
        status, reason = "too few", "no reading yet"
    if status != "ok":
        return SubgroupChart(
            mean=unable("subgroup mean", status, reason, mean, method=method, n=total, starts=starts),
            within=unable(f"subgroup {within}", status, reason, spread, method=method, n=total, starts=starts),
            label=label,
            size=size,
        )
    middle = float(np.sum(mean[measured] * size[measured]) / total) if centre is None else finite(centre, "centre")
    error = scale / np.sqrt(np.maximum(size, 1))
    run_length = rule_run_length(rules, limit_z=width, sides=sides)
    sign = -1.0 if sides == "lower" else 1.0
    alarms = (
        f"one false alarm in about {in_points(run_length.average)} subgroups if readings are normal and independent; "
        + sees(lambda shift: rule_run_length(rules, limit_z=width, sides=sides, shift_sd=sign * shift))
        + " (in standard deviations of a subgroup mean)"
    )
    mean_chart = Chart(
        name="subgroup mean",
        status="ok",
        reason="",
        value=mean,
        centre=np.full(mean.size, middle),
        lower=np.full(mean.size, -math.inf) if sides == "upper" else middle - width * error,
        upper=np.full(mean.size, math.inf) if sides == "lower" else middle + width * error,
        starts=starts,
        signals=rule_signals((mean - middle) / error, rules=rules, limit_z=width, sides=sides),
        method=method,
        n=total,
        missing=int(np.count_nonzero(np.isnan(x))),
        sigma=scale,
        sigma_how=how,
        run_length=run_length,
        alarms=alarms,
        notes=(),
    )
    return SubgroupChart(
        mean=mean_chart,
        within=_within_chart(spread, size, scale, within, width, within_limits, total, method, how, starts),
        label=label,
        size=size,
    )


def _by_group(
    x: Array, ids: NDArray[np.generic], within: str
) -> tuple[tuple[object, ...], NDArray[np.intp], Array, Array]:
    """Return label, size, mean and spread per subgroup in order of first appearance."""
    unique, first, code = np.unique(ids, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    code = rank[code.reshape(-1)]
    label = tuple(unique[order].tolist())
    there = ~np.isnan(x)
    code, kept = code[there], x[there]
    n = len(label)
    size = np.bincount(code, minlength=n).astype(np.intp)
    mean = np.full(n, np.nan)
    spread = np.full(n, np.nan)
    if not kept.size:
        return label, size, mean, spread
    shift = kept[0]
    filled = size > 0
    total = np.bincount(code, weights=kept - shift, minlength=n)
    mean[filled] = shift + total[filled] / size[filled]
    enough = size > 1
    if within == "range":
        high = np.full(n, -np.inf)
        low = np.full(n, np.inf)
        np.maximum.at(high, code, kept)
        np.minimum.at(low, code, kept)
        spread[enough] = high[enough] - low[enough]
    else:
        squares = np.bincount(code, weights=(kept - mean[code]) ** 2, minlength=n)
        spread[enough] = np.sqrt(squares[enough] / (size[enough] - 1))
    return label, size, mean, spread


def _relative(size: int, within: str) -> tuple[float, float]:
    """Return mean and standard deviation of the spread statistic for true spread 1."""
    if within == "range":
        return d2(size), d3(size)
    return c4(size), math.sqrt(max(1.0 - c4(size) ** 2, 0.0))


def _sigma(spread: Array, size: NDArray[np.intp], within: str) -> float:
    """Average the unbiased estimates of sigma, each weighted by one over its variance."""
    means, deviations = _constants(size, within)
    weight = (means / deviations) ** 2
    return float(np.sum(weight * spread / means) / np.sum(weight))


def _constants(size: NDArray[np.intp], within: str) -> tuple[Array, Array]:
    pairs = {int(n): _relative(int(n), within) for n in np.unique(size) if n > 1}
    return (
        np.array([pairs.get(int(n), (math.nan, math.nan))[0] for n in size]),
        np.array([pairs.get(int(n), (math.nan, math.nan))[1] for n in size]),
    )


def _within_chart(
    spread: Array,
    size: NDArray[np.intp],
    sigma: float,
    within: str,
    width: float,
    limits: str,
    total: int,
    method: str,
    how: str,
    starts: NDArray[np.intp],
) -> Chart:
    """Chart the spread within subgroups."""
    means, _ = _constants(np.maximum(size, 2), within)
    reach = {int(n): _reach(int(n), within, width, limits) for n in np.unique(np.maximum(size, 2))}
    lower = sigma * np.array([reach[max(int(n), 2)][0] for n in size])
    upper = sigma * np.array([reach[max(int(n), 2)][1] for n in size])
    return Chart(
        name=f"subgroup {within}",
        status="ok",
        reason="",
        value=spread,
        centre=sigma * means,
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(
            beyond_limits(
                spread, lower, upper, rule="beyond the limit", words=f"one subgroup {within} beyond the limit"
            ),
        ),
        method=method,
        n=total,
        missing=int(np.count_nonzero(size < 2)),
        sigma=sigma,
        sigma_how=how,
        run_length=None,
        alarms=_within_alarms(size, reach, within),
        notes=("a subgroup of one reading has no spread and is not plotted here",) if (size == 1).any() else (),
    )


def _reach(size: int, within: str, width: float, limits: str) -> tuple[float, float]:
    """Return the limits of the spread of one subgroup for true spread 1."""
    if limits == "textbook":
        mean, deviation = _relative(size, within)
        return max(mean - width * deviation, 0.0), mean + width * deviation
    from scipy.special import gammaincinv, ndtr

    tail = float(ndtr(-width))
    if within == "range":
        return range_quantile(tail, size), range_quantile(1.0 - tail, size)
    half = (size - 1) / 2
    low, high = (math.sqrt(float(gammaincinv(half, p)) / half) for p in (tail, 1.0 - tail))
    return low, high


def _within_alarms(size: NDArray[np.intp], reach: dict[int, tuple[float, float]], within: str) -> str:
    """Say the attained false-alarm rate for the commonest size, from the law of the statistic itself."""
    from scipy.special import gammainc, gammaincc

    spread = size[size > 1]
    if not spread.size:
        return "no subgroup of two readings or more, so no alarms"
    usual = int(np.bincount(spread).argmax())
    low, high = reach[usual]
    if within == "range":
        chance = float(1.0 - range_cdf(high, usual)[0] + range_cdf(low, usual)[0])
    else:
        half = (usual - 1) / 2
        chance = float(gammaincc(half, half * high * high) + gammainc(half, half * low * low))
    return (
        f"one false alarm in about {points_between(chance)} subgroups of {usual} if readings are normal and independent"
    )
