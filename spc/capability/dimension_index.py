"""Index of a dimension with limits on two sides, or on one: normal theory, and only where the readings bear it.

A dimension (thickness, a deviation from nominal) may lie on either side of its target and below zero, so the laws of
flatness do not serve. The normal law is fitted to the readings as intervals and tested on their own steps; if it is
rejected, or neighbours depend on each other, there is no index.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.capability.normal_index import normal_index
from spc.model.autocorrelation import serial_correlation
from spc.model.fit_test import check_fit
from spc.model.interval_fit import fit_intervals

__all__ = ["LEAST_PHI", "LEAST_READINGS", "DimensionIndex", "dimension_index", "written"]

LEAST_READINGS = 30  # as for flatness; our rule
LEAST_PHI = 0.1  # below this, what a reading takes from the one before moves a bound by less than a tenth; our rule
_FAR = 50.0  # standard deviations from zero: there the folded normal law is the normal one to the last digit


@dataclass(frozen=True, slots=True)
class DimensionIndex:
    """What may be said of a dimension against its limits."""

    status: str  # 'computed' or 'refused'
    word: str  # 'performance', '' when refused: the spread is the whole one, and no frozen chart watched the readings
    index: float  # the smaller of the two sides; NaN when refused
    lower_bound: float  # one-sided at `level`
    to_upper: float  # (upper - mean) / (3 sd); NaN without that limit, or refused
    to_lower: float
    mean_um: float
    sd_um: float  # of all readings
    n: int
    beyond: int  # readings that lie wholly beyond a limit
    fit_p_value: float  # of the normal law; NaN = not tested
    phi: float  # correlation of neighbours; NaN = not known
    level: float
    sentence: str


def written(length_um: float, sd_um: float) -> str:
    """Write a dimension to a hundredth of its spread, however large it is itself."""
    decimals = max(0, 2 - math.floor(math.log10(sd_um))) if 0 < sd_um < math.inf else 3
    return f"{length_um:,.{min(decimals, 6)}f}"


def dimension_index(
    low_um: ArrayLike,
    high_um: ArrayLike,
    *,
    lower_um: float = math.nan,
    upper_um: float = math.nan,
    chain: ArrayLike | None = None,
    level: float = 0.95,
) -> DimensionIndex:
    """Index of readings in order of time against their limits.

    Parameters
    ----------
    low_um, high_um : array_like, shape (n,)
        Ends of each reading, micrometres, finite; either sign.
    lower_um, upper_um : float
        Limits; NaN = none on that side.
    chain : array_like, shape (n,), optional
        Cycles: neighbours are not compared across two.
    level : float, default 0.95
        One-sided confidence of the bound, between 0.5 and 1.

    Returns
    -------
    DimensionIndex

    Raises
    ------
    ValueError
        If a reading is not finite, the ends differ in length or order, no limit is given, or they are crossed.

    Notes
    -----
    Mean and spread are those of the middles of the readings; rounding to a step w adds w^2/12 to the variance, which
    makes the index smaller, never larger. The smaller of two one-sided bounds at `level` holds the smaller index with
    at least that confidence, as one of the two sides is the smaller one.

    References
    ----------
    Bound: see `spc.capability.normal_index`. Rounding: Sheppard's correction (from memory).
    """
    low, high = (np.asarray(end, dtype=np.float64) for end in (low_um, high_um))
    if low.ndim != 1 or low.shape != high.shape:
        raise ValueError(f"`high_um` must have the shape of `low_um`, a line, got {high.shape} and {low.shape}")
    if not (np.isfinite(low).all() and np.isfinite(high).all() and (low <= high).all()):
        raise ValueError("`low_um` and `high_um` must be finite, the low end first; leave open readings out")
    if math.isnan(lower_um) and math.isnan(upper_um):
        raise ValueError("`lower_um` or `upper_um` must be given; a dimension without limits has no index")
    if lower_um >= upper_um:
        raise ValueError(f"`lower_um` must be less than `upper_um`, got {lower_um:g} and {upper_um:g}")
    middle = (low + high) / 2
    n = middle.size
    mean, sd = (float(middle.mean()), float(middle.std(ddof=1))) if n > 1 else (math.nan, math.nan)
    beyond = int(np.count_nonzero((low > upper_um) | (high < lower_um)))
    counted = f"{beyond:,} of {n:,} readings lie beyond a limit"
    nan = math.nan

    def refused(why: str, *, p: float = nan, phi: float = nan) -> DimensionIndex:
        said = f"{why}; {counted}"
        return DimensionIndex("refused", "", nan, nan, nan, nan, mean, sd, n, beyond, p, phi, level, said)

    if n < LEAST_READINGS:
        return refused(f"no index: {n:,} readings, {LEAST_READINGS} are needed")
    if sd <= 1e-9 * abs(mean):
        return refused("no index: all readings are alike, so their spread is smaller than the step can show")
    after = serial_correlation(middle, chain=chain)
    if after.status == "correlated" and abs(after.phi) > LEAST_PHI:
        why = f"no index: each reading takes after the one before (phi {after.phi:.2f}), and a bound needs fresh ones"
        return refused(why, phi=after.phi)
    shift = _FAR * sd - mean
    fit = fit_intervals(low + shift, high + shift, family="folded normal")
    checked = check_fit(fit)
    if checked.status == "rejected":
        why = f"no index: the readings do not follow the normal law (p {checked.p_value:.3f}), and no tail is invented"
        return refused(why, p=checked.p_value, phi=after.phi)
    if checked.status != "agrees":
        return refused("no index: the readings fill too few steps to hold a law against them", phi=after.phi)
    sides = [
        (side, normal_index(side, n, level=level).exact_lower_bound)
        for side in ((upper_um - mean) / (3 * sd), (mean - lower_um) / (3 * sd))
        if not math.isnan(side)
    ]
    index, bound = min(s for s, _ in sides), min(b for _, b in sides)
    sentence = (
        f"performance index {index:.2f}, at least {bound:.2f} with {100 * level:g}% confidence (normal law, p "
        f"{checked.p_value:.3f}; {n:,} readings, mean {written(mean, sd)} um, sd {sd:.3g} um); {counted}"
    )
    return DimensionIndex(
        "computed", "performance", index, bound, (upper_um - mean) / (3 * sd), (mean - lower_um) / (3 * sd), mean, sd,
        n, beyond, checked.p_value, after.phi, level, sentence,
    )  # fmt: skip
