"""How long until the limit: the crossing of one cycle's wear path as a range whose coverage is tested."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_forecast import FuturePaths, future_paths, update_own
from spc.wear.pooled import PooledWear
from spc.wear.wear_path import WearPath

__all__ = ["CROSSINGS", "TimeToLimit", "WearFan", "time_to_limit"]

Array = NDArray[np.float64]

CROSSINGS: dict[str, str] = {
    "path": "the wear path reaches the limit",
    "next face": "the next face exceeds the limit with probability over 10 %",
    "reading": "the readings, joined by straight lines, reach the limit",
}
_NEXT_FACE_Z = 1.2815515655446004  # upper 10 % point of the normal law
_GRID = 110
_NEVER = 20.0  # minus log of a chance too small to matter
_FAN_PATHS = 500


@dataclass(frozen=True, slots=True)
class WearFan:
    """Range of a wear path over age, in the readings' unit."""

    age: Array
    low: Array
    median: Array
    high: Array


@dataclass(frozen=True, slots=True)
class TimeToLimit:
    """When one cycle reaches its limit; ages on the cycle's clock, None = not before the horizon."""

    status: str  # 'range', 'over' (already there), 'refused'
    low: float | None  # remaining, counted from `now`
    median: float | None
    high: float | None
    horizon: float  # how far past `now` the forecast looked
    now: float  # age at which the remaining time starts
    level: float
    crossing: str  # a key of CROSSINGS
    unit: str
    sentence: str
    borrowed: str  # what the range rests on, in words
    own_readings: int
    past_cycles: int
    shape: str  # shape of greatest weight
    shape_share: float
    fan: WearFan | None
    draws: Array  # remaining time of every draw, inf = not before the horizon


def time_to_limit(
    pooled: PooledWear,
    own: WearPath,
    *,
    limit: float,
    lower_limit: float | None = None,
    now: float | None = None,
    horizon: float | None = None,
    level: float = 0.9,
    crossing: str = "path",
    unit: str = "faces",
    part: str = "",
    draws: int = 1500,
    rng: np.random.Generator,
) -> TimeToLimit:
    """Forecast when a cycle's wear reaches its limit.

    Parameters
    ----------
    pooled : PooledWear
        From `fit_pooled` on the past cycles of this lap and its sisters (this cycle not among them).
    own : WearPath
        The cycle's readings so far; none is allowed, then all is borrowed.
    limit : float
        In the readings' unit; NaN = no limit, refused.
    lower_limit : float, optional
        The other side for a signed bow (concave side, negative).
    now : float, optional
        Age from which the remaining time counts; default the last reading's age.
    horizon : float, optional
        How far past `now` to look; default three times the longest path seen.
    level : float
        Coverage of the range, between 0.5 and 1.
    crossing : str
        A key of `CROSSINGS`.
    unit : str
        Unit of the clock, for the sentence.
    part : str
        Part number whose wear is asked.
    draws : int
    rng : numpy.random.Generator

    Raises
    ------
    ValueError
        If `crossing` is unknown, `level` outside 0.5 to 1 or `horizon` not above 0.

    Notes
    -----
    The spreads and the mean line are drawn, not plugged in, and every shape of the pooled fit takes part with its
    share. Assumes that the cycle wears like those it is pooled with: a change of load, slurry or part mix breaks that.

    References
    ----------
    Lu and Meeker (1993), Using degradation measures to estimate a time-to-failure distribution, Technometrics 35(2).
    """
    if crossing not in CROSSINGS:
        raise ValueError(f"`crossing` must be one of {', '.join(CROSSINGS)}, got {crossing!r}")
    if horizon is not None and not 0 < horizon < np.inf:
        raise ValueError(f"`horizon` must be greater than 0 and finite, got {horizon}")
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    last = float(own.age[-1]) if own.age.size else 0.0
    start = last if now is None else max(float(now), last)
    longest = max([start, *(float(p.age[-1]) for p in pooled.past)])
    ahead = (3.0 * longest or 1.0) if horizon is None else float(horizon)

    def refused(why: str) -> TimeToLimit:
        return _answer("refused", why, own, pooled, start, ahead, level, crossing, unit)

    if not np.isfinite(limit):
        return refused("no limit is set for this part: enter its limit, then the forecast follows")
    if pooled.refused:
        return refused(f"cannot say: {pooled.refused}; log this cycle to its end and one more past cycle will do")
    if own.age.size and _is_over(own, limit, lower_limit):
        return _answer(
            "over", "the last reading is at or over the limit", own, pooled, start, ahead, level, crossing, unit
        )
    own = replace(own, limit=limit)
    least = min(float(own.low.min(initial=np.inf)), limit)
    updates = [
        (update_own(s.scale, s.lines, own, alone=pooled.alone), s)
        for s in pooled.shapes
        if not (s.scale.shape.needs_positive and (least <= 0 or lower_limit is not None))
    ]
    if not updates:
        return refused("cannot say: the readings of this cycle do not go with any shape fitted to the past cycles")
    log_density = np.array([0.0 if pooled.alone else u.log_density for u, _ in updates])
    share = np.array([s.share for _, s in updates]) * np.exp(log_density - log_density.max())
    share = share / share.sum()
    ages = _future_ages(pooled.past, own, start, start + ahead, crossing)
    futures = [
        future_paths(u, ages, draws=int(np.ceil(draws * part_of)), part=part, rng=rng)
        for (u, _), part_of in zip(updates, share, strict=True)
        if part_of >= 0.005
    ]
    best = int(share.argmax())
    remaining = (
        np.concatenate([_crossing_ages(f, own.limit, limit, lower_limit, crossing, rng) for f in futures]) - start
    )
    remaining = np.where(remaining > ahead, np.inf, np.maximum(remaining, 0.0))
    tail = (1 - level) / 2
    low, median, high = (float(q) for q in np.quantile(remaining, [tail, 0.5, 1 - tail], method="inverted_cdf"))
    return TimeToLimit(
        "range",
        low if np.isfinite(low) else None,
        median if np.isfinite(median) else None,
        high if np.isfinite(high) else None,
        ahead, start, level, crossing, unit,
        _range_words(low, high, ahead, unit), _borrowed_words(own, pooled, unit),
        own.age.size, len(pooled.past), updates[best][1].name, float(share[best]),
        _fan(futures, own.limit, level), remaining,
    )  # fmt: skip


def _is_over(own: WearPath, limit: float, lower_limit: float | None) -> bool:
    middle = own.low[-1] if not np.isfinite(own.high[-1]) else (own.low[-1] + own.high[-1]) / 2
    if not own.sign_known[-1]:
        middle = abs(middle)
    return bool(middle >= limit or (lower_limit is not None and middle <= lower_limit))


def _answer(
    status: str, sentence: str, own: WearPath, pooled: PooledWear, now: float, ahead: float, level: float,
    crossing: str, unit: str,
) -> TimeToLimit:  # fmt: skip
    none = 0.0 if status == "over" else None
    return TimeToLimit(
        status, none, none, none, ahead, now, level, crossing, unit, sentence, _borrowed_words(own, pooled, unit),
        own.age.size, len(pooled.past), "", 0.0, None, np.empty(0),
    )  # fmt: skip


def _range_words(low: float, high: float, ahead: float, unit: str) -> str:
    if not np.isfinite(low):
        return f"more than {_figure(ahead, ahead)} {unit} left"
    if not np.isfinite(high):
        return f"{_figure(low, ahead)} to more than {_figure(ahead, ahead)} {unit} left"
    least, most = _figure(low, ahead), _figure(high, ahead)
    if least == most:
        return f"about {least} {unit} left" if high > 0 else f"no {unit} left: the wear path is at the limit"
    return f"{least} to {most} {unit} left"


def _figure(value: float, scale: float) -> str:
    """Whole numbers where they carry enough, else three figures."""
    return f"{value:.0f}" if scale >= 20 else f"{value:.3g}"


def _borrowed_words(own: WearPath, pooled: PooledWear, unit: str) -> str:
    noun = "face" if unit == "faces" else "reading"
    mine, cycles = own.age.size, len(pooled.past)
    first = f"{mine} {noun}{'' if mine == 1 else 's'} of its own" if mine else f"no {noun} of its own yet"
    if pooled.alone or not cycles:
        return f"{first}, no past cycle to borrow from"
    return f"{first}, the rest from {cycles} past cycle{'' if cycles == 1 else 's'}"


def _future_ages(past: Sequence[WearPath], own: WearPath, start: float, end: float, crossing: str) -> Array:
    if crossing != "reading":
        return np.asarray(start + (end - start) * np.linspace(0, 1, _GRID) ** 1.5, dtype=np.float64)
    before = np.concatenate([p.age[:-1] for p in (*past, own) if p.age.size > 1])
    gaps = np.concatenate([np.diff(p.age) for p in (*past, own) if p.age.size > 1])
    before, gaps = before[gaps > 0], gaps[gaps > 0]
    ages = [start]
    while ages[-1] < end and len(ages) < 400:
        near = np.argsort(np.abs(before - ages[-1]), kind="stable")[: max(5, len(past))]
        ages.append(ages[-1] + float(np.median(gaps[near])))
    return np.array(ages)


def _crossing_ages(
    future: FuturePaths, own_limit: float, limit: float, lower: float | None, crossing: str, rng: np.random.Generator
) -> Array:
    """Age at which each drawn path first reaches a limit, inf = not within its ages."""
    scale = future.scale
    reach = _first(future, float(scale.reading_scaled(np.array([limit]), own_limit)[0]), 1.0, crossing, rng)
    if lower is None:
        return reach
    other = _first(future, float(scale.reading_scaled(np.array([lower]), own_limit)[0]), -1.0, crossing, rng)
    return np.minimum(reach, other)


def _first(future: FuturePaths, limit: float, side: float, crossing: str, rng: np.random.Generator) -> Array:
    gap = side * (future.path - limit)  # 0 or more = there
    age = future.age
    if crossing == "next face":
        gap = gap + _NEXT_FACE_Z * future.error_sd[:, None]
    elif crossing == "reading":
        gap[:, 1:] += future.error_sd[:, None] * rng.standard_normal(gap[:, 1:].shape)
        gap[:, 0] = np.minimum(side * (future.newest - limit), -1e-12)
    there = gap >= 0
    if crossing != "reading":  # a wandering path may touch the limit between two ages and turn back
        on_age = future.scale.age_scaled(age)
        spread = future.wander_variance[:, None] * np.maximum(np.diff(on_age), 1e-300)
        both = (gap[:, 1:] < 0) & (gap[:, :-1] < 0)
        far = 2 * gap[:, 1:] * gap[:, :-1] / spread
        near = both & (far < _NEVER)
        there[:, 1:][near] = rng.random(int(near.sum())) < np.exp(-far[near])
    first = there.argmax(axis=1)
    row = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    rise = gap[row, first] - gap[row, before]
    share = np.where(rise > 0, np.clip(-gap[row, before] / np.where(rise > 0, rise, 1.0), 0, 1), 0.5)
    at = age[before] + share * (age[first] - age[before])
    return np.where(there[row, first], np.where(first == 0, age[0], at), np.inf)


def _fan(futures: Sequence[FuturePaths], own_limit: float, level: float) -> WearFan:
    every = max(sum(f.path.shape[0] for f in futures) // _FAN_PATHS, 1)
    paths = np.concatenate([f.scale.reading_back(f.path[::every], own_limit) for f in futures])
    tail = (1 - level) / 2
    low, median, high = np.quantile(paths, [tail, 0.5, 1 - tail], axis=0, method="inverted_cdf")
    return WearFan(futures[0].age, low, median, high)
