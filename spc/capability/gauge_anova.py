"""A balanced gauge study by analysis of variance, in closed form, each component with an interval.

The second road beside restricted maximum likelihood: sums of squares of a table in which every cell holds the same
number of readings. Where it does not, this road is closed and says so. Sums of squares are exact: only the last
division is rounded.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.one_way import OneWay, one_way

__all__ = ["AnovaComponent", "GaugeAnova", "MeanSquare", "gauge_anova"]

Array = NDArray[np.float64]

_REST = "reading to reading"


@dataclass(frozen=True, slots=True)
class MeanSquare:
    """One row of the table of mean squares."""

    source: str
    df: int
    mean_square: float  # squared unit of the readings


@dataclass(frozen=True, slots=True)
class AnovaComponent:
    """One source of spread; sd in the readings' unit, 0 where the closed form came out below zero."""

    name: str
    variance: float  # as the closed form gives it, below zero where chance had it so
    sd: float
    low_sd: float
    high_sd: float


@dataclass(frozen=True, slots=True)
class GaugeAnova:
    """The table and its components."""

    status: str  # 'split' or 'refused'
    design: str  # 'crossed', 'nested' or 'one reader'
    sentence: str
    table: tuple[MeanSquare, ...]
    components: tuple[AnovaComponent, ...]  # the last one is from reading to reading
    level: float


def gauge_anova(
    values: ArrayLike, face: ArrayLike, reader: ArrayLike, *, design: str, level: float = 0.95
) -> GaugeAnova:
    """Split a balanced gauge study by its mean squares.

    Parameters
    ----------
    values : array-like, (n,)
        Readings.
    face, reader : array-like of int, (n,)
        Codes; in a nested study every face has a code of its own.
    design : str
        'crossed' (every reader reads every face), 'nested' (every reader reads faces of his own) or 'one reader'.
    level : float
        Coverage of the intervals.

    Returns
    -------
    GaugeAnova
        'refused' when the cells do not hold the same number of readings, one factor has one level, or the readings
        of a cell never differ: the closed form would call that no spread at all.

    Raises
    ------
    ValueError
        For an unknown design, or columns of different lengths.

    Notes
    -----
    Intervals: chi-square for the last component; for a difference of two mean squares the modified large-sample
    interval, which keeps its coverage near nominal at small degrees of freedom.

    References
    ----------
    Searle, Casella and McCulloch (1992), Variance Components, chapter 4 (closed forms). Ting, Burdick, Graybill,
    Jeyaratnam and Lu (1990), Journal of Statistical Computation and Simulation 35 (intervals; formulas from memory).
    """
    if design not in ("crossed", "nested", "one reader"):
        raise ValueError(f"`design` must be 'crossed', 'nested' or 'one reader', got {design!r}")
    y = np.asarray(values, dtype=np.float64).ravel()
    f, r = (np.unique(np.asarray(c).ravel(), return_inverse=True)[1] for c in (face, reader))
    if not y.size == f.size == r.size:
        raise ValueError(f"every column must have one entry per reading, got {y.size}, {f.size} and {r.size}")
    faces, readers = int(f.max(initial=-1)) + 1, int(r.max(initial=-1)) + 1
    if design == "one reader":
        return _one_reader(y, f, faces, level)
    if readers < 2:
        return _refused(design, "there is one reader: read the faces by a second one", level)
    return _nested(y, f, r, faces, readers, level) if design == "nested" else _crossed(y, f, r, faces, readers, level)


def _crossed(y: Array, f: NDArray[np.intp], r: NDArray[np.intp], faces: int, readers: int, level: float) -> GaugeAnova:
    cell = np.bincount(f * readers + r, minlength=faces * readers)
    if faces < 2:
        return _refused("crossed", "there is one face: read a second one", level)
    if cell.min() != cell.max():
        return _refused("crossed", _uneven(cell), level)
    k = int(cell[0])
    by_face, by_reader, by_cell = one_way(y, f), one_way(y, r), one_way(y, f * readers + r)
    rows = [_between("face", by_face), _between("reader", by_reader)]
    df_both = (faces - 1) * (readers - 1)
    ms_both = float((by_cell.between_ss - by_face.between_ss - by_reader.between_ss) / df_both)
    if k == 1:
        rest = MeanSquare(_REST, df_both, ms_both)
        parts = [
            _difference("face", rows[0], rest, readers, level),
            _difference("reader", rows[1], rest, faces, level),
            _last(rest, level),
        ]
        return _done("crossed", [*rows, rest], parts, level)
    rest = _within(by_cell)
    both = MeanSquare("face by reader", df_both, ms_both)
    parts = [
        _difference("face", rows[0], both, readers * k, level),
        _difference("reader", rows[1], both, faces * k, level),
        _difference("face by reader", both, rest, k, level),
        _last(rest, level),
    ]
    return _done("crossed", [*rows, both, rest], parts, level)


def _nested(y: Array, f: NDArray[np.intp], r: NDArray[np.intp], faces: int, readers: int, level: float) -> GaugeAnova:
    of_face = np.zeros(faces, dtype=np.int64)
    of_face[f] = r
    if (of_face[f] != r).any():
        raise ValueError("`face` must have codes of its own for every reader in a nested study")
    each, per = np.bincount(f, minlength=faces), np.bincount(of_face, minlength=readers)
    if each.min() != each.max():
        return _refused("nested", _uneven(each), level)
    if per.min() != per.max():
        return _refused("nested", "readers read different numbers of faces; only the likelihood road is open", level)
    k, b = int(each[0]), int(per[0])
    if k < 2 or b < 2:
        return _refused("nested", "each reader must read at least two faces, each at least twice", level)
    by_reader, by_face = one_way(y, r), one_way(y, f)
    df_face = readers * (b - 1)
    rows = [
        _between("reader", by_reader),
        MeanSquare("face", df_face, float((by_face.between_ss - by_reader.between_ss) / df_face)),
        _within(by_face),
    ]
    parts = [
        _difference("reader", rows[0], rows[1], b * k, level),
        _difference("face", rows[1], rows[2], k, level),
        _last(rows[2], level),
    ]
    return _done("nested", rows, parts, level)


def _one_reader(y: Array, f: NDArray[np.intp], faces: int, level: float) -> GaugeAnova:
    each = np.bincount(f, minlength=faces)
    if faces == 0 or each.min() != each.max():
        return _refused("one reader", _uneven(each) if faces else "there is no reading", level)
    k = int(each[0])
    if k < 2:
        return _refused("one reader", "no face was read twice", level)
    by_face = one_way(y, f)
    rest = _within(by_face)
    if faces < 2:
        return _done("one reader", [rest], [_last(rest, level)], level)
    between = _between("face", by_face)
    parts = [_difference("face", between, rest, k, level), _last(rest, level)]
    return _done("one reader", [between, rest], parts, level)


def _between(source: str, split: OneWay) -> MeanSquare:
    return MeanSquare(source, split.between_df, float(split.between_ss / split.between_df))


def _within(split: OneWay) -> MeanSquare:
    return MeanSquare(_REST, split.within_df, float(split.within_ss / split.within_df))


def _uneven(cell: NDArray[np.int64]) -> str:
    return (
        f"the cells hold {cell.min()} to {cell.max():,} readings: the closed form needs the same number in each; "
        "only the likelihood road is open"
    )


def _difference(name: str, upper: MeanSquare, lower: MeanSquare, size: int, level: float) -> AnovaComponent:
    """(upper - lower) / size with the modified large-sample interval."""
    from scipy.stats import chi2, f

    tail = (1 - level) / 2
    n1, n2, s1, s2 = upper.df, lower.df, upper.mean_square, lower.mean_square
    g1, g2 = (1 - n / float(chi2.ppf(1 - tail, n)) for n in (n1, n2))
    h1, h2 = (n / float(chi2.ppf(tail, n)) - 1 for n in (n1, n2))
    f_low, f_high = float(f.ppf(1 - tail, n1, n2)), float(f.ppf(tail, n1, n2))
    g12 = ((f_low - 1) ** 2 - g1**2 * f_low**2 - h2**2) / f_low
    h12 = ((1 - f_high) ** 2 - h1**2 * f_high**2 - g2**2) / f_high
    below = g1**2 * s1**2 + h2**2 * s2**2 + g12 * s1 * s2
    above = h1**2 * s1**2 + g2**2 * s2**2 + h12 * s1 * s2
    estimate = s1 - s2 if abs(s1 - s2) > 1e-12 * max(s1, s2) else 0.0
    low, high = estimate - math.sqrt(max(below, 0.0)), estimate + math.sqrt(max(above, 0.0))
    return AnovaComponent(
        name=name,
        variance=estimate / size,
        sd=math.sqrt(max(estimate, 0.0) / size),
        low_sd=math.sqrt(max(low, 0.0) / size),
        high_sd=math.sqrt(max(high, 0.0) / size),
    )


def _last(row: MeanSquare, level: float) -> AnovaComponent:
    from scipy.stats import chi2

    tail, ss = (1 - level) / 2, row.df * row.mean_square
    low, high = (math.sqrt(ss / float(chi2.ppf(p, row.df))) for p in (1 - tail, tail))
    return AnovaComponent(row.source, row.mean_square, math.sqrt(row.mean_square), low, high)


def _done(design: str, rows: list[MeanSquare], parts: list[AnovaComponent], level: float) -> GaugeAnova:
    if not rows[-1].mean_square > 0:
        return _refused(design, "repeated readings never differ: the closed form would call that no spread", level)
    told = ", ".join(f"{p.name} {p.sd:.3g} ({p.low_sd:.3g} to {p.high_sd:.3g})" for p in parts)
    return GaugeAnova("split", design, f"standard deviations: {told}", tuple(rows), tuple(parts), level)


def _refused(design: str, why: str, level: float) -> GaugeAnova:
    return GaugeAnova("refused", design, why, (), (), level)
