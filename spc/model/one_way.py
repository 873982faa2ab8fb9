"""One-way analysis of variance to the last digit.

Readings are decimals that a person or a device wrote down. Each is taken back to its shortest decimal form and summed
in whole numbers, so that nothing is lost to a large offset or to many readings.
"""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["OneWay", "one_way"]


@dataclass(frozen=True, slots=True)
class OneWay:
    """Sums of squares of one grouping, exact, in the squared unit of the readings."""

    between_df: int
    within_df: int
    between_ss: Fraction
    within_ss: Fraction


def one_way(values: ArrayLike, groups: ArrayLike) -> OneWay:
    """Split the squares of readings about their mean into those between groups and those within.

    Parameters
    ----------
    values : (n,) floats
        Finite, one or more.
    groups : (n,) ids

    Returns
    -------
    OneWay

    Raises
    ------
    ValueError
        If there is no reading, one is not finite, or the columns differ in length.

    References
    ----------
    NIST Statistical Reference Datasets, analysis of variance.
    """
    x, ids = np.asarray(values, dtype=np.float64).ravel(), np.asarray(groups).ravel()
    if ids.size != x.size or x.size == 0:
        raise ValueError(f"`groups` must hold one id per reading, of which there must be any: {x.size} and {ids.size}")
    if not np.isfinite(x).all():
        where = int(np.flatnonzero(~np.isfinite(x))[0])
        raise ValueError(f"`values` must be finite, got {x[where]} at position {where}; leave it out")
    code = np.unique(ids, return_inverse=True)[1].reshape(-1)
    whole, exponent = _whole_numbers(x)
    size = np.bincount(code).tolist()
    sums = [0] * len(size)
    for value, group in zip(whole, code.tolist(), strict=True):
        sums[group] += value
    squared: dict[int, int] = {}  # squared sums of the groups, by their size
    for total, n in zip(sums, size, strict=True):
        squared[n] = squared.get(n, 0) + total * total
    by_group = sum((Fraction(square, n) for n, square in squared.items()), Fraction(0))
    unit = Fraction(10) ** (2 * exponent)
    return OneWay(
        between_df=len(size) - 1,
        within_df=x.size - len(size),
        between_ss=(by_group - Fraction(sum(sums) ** 2, x.size)) * unit,
        within_ss=(sum(value * value for value in whole) - by_group) * unit,
    )


def _whole_numbers(values: NDArray[np.float64]) -> tuple[list[int], int]:
    """Return whole numbers and the power of ten they count: each reading is number * 10 ** exponent, exactly."""
    written = [Decimal(repr(value)) for value in values.tolist()]
    exponent = min(int(value.as_tuple().exponent) for value in written)
    return [int(value.scaleb(-exponent)) for value in written], exponent
