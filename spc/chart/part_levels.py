"""The level of each part number and whether the parts scatter alike: what short runs need before they share a chart."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import readings_of
from spc.model.p_words import p_words

__all__ = ["EqualSpread", "PartLevels", "equal_spread", "part_levels", "positive_readings"]

Array = NDArray[np.float64]
MEDIAN_COST = math.pi / 2  # variance of a median over that of a mean, normal readings
TEST_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class EqualSpread:
    """Whether the parts' readings scatter alike."""

    p_value: float  # 1 when nothing could be tested
    parts: int  # parts with three readings or more
    status: str  # 'equal', 'unequal' or 'untested'
    sentence: str


@dataclass(frozen=True, slots=True)
class PartLevels:
    """The level of each part number, drawn towards the family as far as its own readings are few."""

    part: tuple[object, ...]
    median: Array  # own median, in the unit given
    level: Array  # shrunk level, in the unit given
    weight: Array  # of the own median, 0 to 1
    level_sd: Array  # uncertainty of the shrunk level, on the scale of logarithms
    n: NDArray[np.intp]
    family: float  # family median, in the unit given
    within_sd: float  # spread of readings about their part's level, natural logarithms
    between_sd: float  # spread of part levels, natural logarithms


def equal_spread(values: ArrayLike, parts: ArrayLike) -> EqualSpread:
    """Test whether the parts scatter alike, before they share a chart.

    Parameters
    ----------
    values : (n,) floats
        Logarithms of readings for the ratio chart, readings otherwise; NaN = not measured.
    parts : (n,) ids

    Returns
    -------
    EqualSpread

    Notes
    -----
    Levene's test about the median (Brown and Forsythe 1974) on parts with three readings or more.
    """
    from scipy.special import fdtrc

    x, ids = _matched(values, parts)
    groups = [x[ids == part] for part in np.unique(ids)]
    groups = [group for group in groups if group.size >= 3]
    if len(groups) < 2:
        return EqualSpread(1.0, len(groups), "untested", "fewer than two parts with three readings: spread not tested")
    scores = [np.abs(group - np.median(group)) for group in groups]
    total = sum(score.size for score in scores)
    grand = float(np.concatenate(scores).mean())
    between = sum(score.size * (float(score.mean()) - grand) ** 2 for score in scores)
    within = sum(float(np.sum((score - score.mean()) ** 2)) for score in scores)
    if within <= 0.0:
        alike = "the readings of each part lie all equally far from its median: spread not tested"
        return EqualSpread(1.0, len(groups), "untested", alike)
    statistic = (between / (len(groups) - 1)) / (within / (total - len(groups)))
    p_value = float(fdtrc(len(groups) - 1, total - len(groups), statistic))
    if p_value < TEST_LEVEL:
        return EqualSpread(
            p_value,
            len(groups),
            "unequal",
            f"the parts scatter differently ({p_words(p_value)}, {len(groups):,} parts): standardise each by its own "
            "spread instead",
        )
    return EqualSpread(
        p_value, len(groups), "equal", f"no sign that the parts scatter differently ({p_words(p_value)})"
    )


def part_levels(values: ArrayLike, parts: ArrayLike, *, baseline: ArrayLike | None = None) -> PartLevels:
    """Estimate part levels by shrunk medians on the scale of logarithms.

    Parameters
    ----------
    values : (n,) floats
        Readings greater than 0; NaN = not measured.
    parts : (n,) ids
    baseline : (n,) bools, optional
        Readings that count; all by default.

    Returns
    -------
    PartLevels

    Raises
    ------
    ValueError
        If a reading is 0 or less ("<0.5" has no logarithm: chart z-scores of a fitted family instead).

    Notes
    -----
    Own weight tau^2 / (tau^2 + (pi/2) s^2 / n), with s^2 from deviations about part medians and tau^2 by moments.
    """
    x, ids, used = positive_readings(values, parts, baseline)
    log = np.log(x)
    names, code = np.unique(ids, return_inverse=True)
    code = code.reshape(-1)
    n = np.bincount(code[used], minlength=names.size).astype(np.intp)
    own = np.array([np.median(log[used & (code == k)]) if n[k] else np.nan for k in range(names.size)])
    known = n > 0
    squares = float(np.sum((log[used] - own[code[used]]) ** 2))
    freedom = int(n.sum()) - int(known.sum())
    within = squares / freedom if freedom > 0 else 0.0
    # A pair's median is its mean, so a sum about medians has slightly more than its degrees of freedom: negligible.
    error = MEDIAN_COST * within / np.maximum(n, 1)
    family = float(np.median(own[known])) if known.any() else 0.0
    between = 0.0
    if known.sum() >= 2:
        between = max(float(np.var(own[known], ddof=1)) - float(np.mean(error[known])), 0.0)
    weight = np.zeros(names.size)
    if between > 0.0:
        weight[known] = between / (between + error[known])
    level = np.where(known, weight * np.where(known, own, 0.0) + (1.0 - weight) * family, family)
    level_sd = np.sqrt(np.where(known & (between > 0), weight * error, between))
    if known.sum() == 1:  # one part only: there is no family to lean on
        level = np.where(known, np.where(known, own, 0.0), family)
        weight = known.astype(np.float64)
        level_sd = np.where(known, np.sqrt(error), 0.0)
    return PartLevels(
        part=tuple(names.tolist()),
        median=np.exp(own),
        level=np.exp(level),
        weight=weight,
        level_sd=level_sd,
        n=n,
        family=math.exp(family),
        within_sd=math.sqrt(within),
        between_sd=math.sqrt(between),
    )


def _matched(values: ArrayLike, parts: ArrayLike) -> tuple[Array, NDArray[np.generic]]:
    x = readings_of(values)
    ids = np.asarray(parts)
    if ids.shape != x.shape:
        raise ValueError(f"`parts` must hold one id per reading ({x.size}), got shape {ids.shape}")
    there = ~np.isnan(x)
    return x[there], ids[there]


def positive_readings(
    values: ArrayLike, parts: ArrayLike, baseline: ArrayLike | None
) -> tuple[Array, NDArray[np.generic], NDArray[np.bool_]]:
    """Return readings, part ids and which readings count, once all readings are known to be greater than 0."""
    x = readings_of(values)
    ids = np.asarray(parts)
    if ids.shape != x.shape:
        raise ValueError(f"`parts` must hold one id per reading ({x.size}), got shape {ids.shape}")
    if np.any(x <= 0):
        where = int(np.flatnonzero(x <= 0)[0])
        raise ValueError(
            f"`values` must be greater than 0 for a ratio, got {x[where]:g} at position {where}; chart the z-scores of "
            "a family fitted to intervals instead"
        )
    used = ~np.isnan(x)
    if baseline is not None:
        mask = np.asarray(baseline)
        if mask.dtype != np.bool_ or mask.shape != x.shape:
            raise ValueError(f"`baseline` must hold one True or False per reading ({x.size}), got {mask.shape}")
        used &= mask
    return x, ids, used
