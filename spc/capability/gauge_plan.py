"""How many faces, readers and repeats a gauge study needs before its answer is as narrow as wanted."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GaugePlan", "GaugePlanning", "plan_gauge", "step_efficiency"]

Array = NDArray[np.float64]

FACES = (5, 8, 10, 12, 15, 20, 25, 30, 40, 60)
REPEATS = (2, 3, 4, 5)
_LISTED = 6  # plans shown, the smallest first


@dataclass(frozen=True, slots=True)
class GaugePlan:
    """One way to lay out a study; each reader reads each face `repeats` times."""

    faces: int
    readers: int
    repeats: int
    readings: int
    df: float  # degrees of freedom of the repeatability, lessened by what the step hides
    low: float  # expected interval of the repeatability, as a multiple of it
    high: float
    reader_high: float  # the same upper end for the spread from reader to reader, as a multiple of it


@dataclass(frozen=True, slots=True)
class GaugePlanning:
    """The plans that reach what is wanted, the smallest first."""

    status: str  # 'planned' or 'out of reach'
    plans: tuple[GaugePlan, ...]
    width: float
    level: float
    step_ratio: float  # step over the expected repeatability
    efficiency: float  # share of what exact readings would tell
    identical_share: float  # of pairs of readings of one face, to be expected; 0 for exact readings
    sentence: str


def step_efficiency(sd_over_step: float) -> float:
    """Share of the information on a standard deviation that pairs in steps keep, 0 to 1.

    Parameters
    ----------
    sd_over_step : float
        Greater than 0.

    Notes
    -----
    Fisher information on log sd of the difference of a pair, over the 2 of an exact difference.
    """
    if not (math.isfinite(sd_over_step) and sd_over_step > 0):
        raise ValueError(f"`sd_over_step` must be a finite number greater than 0, got {sd_over_step}")
    if sd_over_step > _KINDS / 8:
        return 1.0
    h = 1e-3
    below, here, above = (_pair_chances(np.asarray(sd_over_step * math.exp(d))) for d in (-h, 0.0, h))
    slope = (above - below) / (2 * h)
    there = here > 1e-12
    return min(1.0, float((slope[there] ** 2 / here[there]).sum()) / 2)


def plan_gauge(
    *, width: float = 0.5, level: float = 0.95, step_ratio: float = 0.0, readers: tuple[int, ...] = (2, 3, 4)
) -> GaugePlanning:
    """List the smallest studies whose interval of the repeatability is expected to be narrow enough.

    Parameters
    ----------
    width : float, default 0.5
        Wanted width of the interval over the standard deviation, greater than 0.
    level : float, default 0.95
        Coverage of the interval.
    step_ratio : float, default 0
        Step of the readings over the repeatability expected; 0 = exact readings.
    readers : tuple of int
        Numbers of readers that can be had.

    Returns
    -------
    GaugePlanning

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Degrees of freedom readings - faces - readers + 1 (faces and readers additive), times `step_efficiency`; then the
    chi-square interval of a standard deviation. The spread from reader to reader has readers - 1 degrees of freedom
    whatever the number of faces: with two readers its upper end is some thirty times the estimate. Two readings of one
    face whose errors differ by d fall in one step with chance max(0, 1 - |d|/step).
    """
    if not (math.isfinite(width) and width > 0):
        raise ValueError(f"`width` must be a finite number greater than 0, got {width}")
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    if not (math.isfinite(step_ratio) and step_ratio >= 0):
        raise ValueError(f"`step_ratio` must be a finite number, 0 or more, got {step_ratio}")
    if not readers or min(readers) < 1:
        raise ValueError(f"`readers` must name numbers of 1 or more, got {readers}")
    stepped = step_ratio > 0
    efficiency = step_efficiency(1 / step_ratio) if stepped else 1.0
    same = float(_pair_chances(np.asarray(1 / step_ratio))[_KINDS]) if stepped else 0.0
    every = [_plan(f, r, k, level, efficiency) for f in FACES for r in readers for k in REPEATS]
    enough = sorted((p for p in every if p.high - p.low <= width), key=lambda p: (p.readings, -p.faces))
    found = tuple(enough[:_LISTED])
    seen = (
        f" (the step leaves {efficiency:.0%} of what exact readings tell: {same:.0%} of the pairs of readings of one "
        "face will be identical)"
        if stepped
        else ""
    )
    if not found:
        best = min(every, key=lambda p: p.high - p.low)
        sentence = (
            f"No study of up to {best.readings:,} readings gets an interval as narrow as {width:g} times the "
            f"repeatability{seen}; the largest looked at gets {best.high - best.low:.2g}. Read in finer steps."
        )
        return GaugePlanning("out of reach", (), width, level, step_ratio, efficiency, same, sentence)
    least = found[0]
    between = (
        f"the spread from reader to reader is then known up to {least.reader_high:.3g} times its estimate"
        if math.isfinite(least.reader_high)
        else "one reader says nothing of the spread from reader to reader"
    )
    sentence = (
        f"{least.faces:,} faces read {least.repeats} times by each of {least.readers:,} "
        f"reader{'s' if least.readers > 1 else ''} ({least.readings:,} readings): the repeatability is expected within "
        f"{least.low:.2f} to {least.high:.2f} times its value{seen}; {between}."
    )
    return GaugePlanning("planned", found, width, level, step_ratio, efficiency, same, sentence)


_KINDS = 40  # differences of up to so many steps


def _pair_chances(ratio: Array) -> Array:
    """P(two readings differ by k steps), k = -_KINDS.._KINDS, errors of sd `ratio` steps; (..., kinds)."""
    from scipy.special import ndtr

    if not (np.isfinite(ratio) & (ratio > 0)).all():
        raise ValueError(f"`sd_over_step` must be greater than 0 everywhere, got {np.min(ratio)}")
    s = math.sqrt(2) * ratio[..., None]
    edge = np.arange(-_KINDS - 1, _KINDS + 2, dtype=np.float64)
    loss = s * np.exp(-0.5 * (edge / s) ** 2) / math.sqrt(2 * math.pi) - edge * ndtr(-edge / s)  # E max(0, d - edge)
    return np.maximum(loss[..., :-2] - 2 * loss[..., 1:-1] + loss[..., 2:], 0.0)


def _plan(faces: int, readers: int, repeats: int, level: float, efficiency: float) -> GaugePlan:
    n = faces * readers * repeats
    df = max((n - faces - readers + 1) * efficiency, 1e-6)
    low, high = _ends(df, level)
    between = _ends(readers - 1, level)[1] if readers > 1 else math.inf
    return GaugePlan(faces, readers, repeats, n, df, low, high, between)


def _ends(df: float, level: float) -> tuple[float, float]:
    from scipy.stats import chi2

    tail = (1 - level) / 2
    least = float(chi2.ppf(tail, df))
    return math.sqrt(df / float(chi2.ppf(1 - tail, df))), math.sqrt(df / least) if least > 0 else math.inf
