"""How long until the limit: the crossing of one cycle's wear path as a range whose coverage is tested."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.drawn_paths import draw_paths
from spc.wear.path_crossing import crossing_ages, share_over
from spc.wear.path_forecast import FuturePaths, of_part
from spc.wear.pooled import PooledWear, enough_words
from spc.wear.reading_ages import ages_of_readings
from spc.wear.wear_path import WearPath, wear_path

__all__ = [
    "CROSSINGS",
    "TimeToLimit",
    "WearFan",
    "range_words",
    "time_to_limit",
    "times_of_parts",
    "times_to_limit",
    "usual_band",
]

Array = NDArray[np.float64]

CROSSINGS: dict[str, str] = {
    "path": "the wear path reaches the limit",
    "next face": "the next face exceeds the limit with probability over 10 %",
    "reading": "the readings, joined by straight lines, reach the limit",
}
_GRID = 110
_FAN_PATHS = 500
_COUNTED = ("faces", "passes")  # of a lap: never told in parts of one


@dataclass(frozen=True, slots=True)
class WearFan:
    """Range of a wear path over age, in the readings' unit; of its size where it was forecast with its sign."""

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
    own_way_share: float  # of the draws, that past cycles tell neither level nor slope of this one
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
    """Forecast when a cycle's wear reaches its limit, for one crossing; see `times_of_parts`."""
    return times_to_limit(
        pooled, own, limit=limit, lower_limit=lower_limit, now=now, horizon=horizon, level=level,
        crossings=(crossing,), unit=unit, part=part, draws=draws, rng=rng,
    )[crossing]  # fmt: skip


def times_to_limit(
    pooled: PooledWear,
    own: WearPath,
    *,
    limit: float,
    lower_limit: float | None = None,
    now: float | None = None,
    horizon: float | None = None,
    level: float = 0.9,
    crossings: Sequence[str] = ("path", "next face"),
    unit: str = "faces",
    part: str = "",
    draws: int = 1500,
    rng: np.random.Generator,
) -> dict[str, TimeToLimit]:
    """Forecast when a cycle's wear reaches its limit, by one or more crossings; see `times_of_parts`."""
    return times_of_parts(
        pooled, own, limits={part: limit}, lower_limits=None if lower_limit is None else {part: lower_limit}, now=now,
        horizon=horizon, level=level, crossings=crossings, unit=unit, draws=draws, rng=rng,
    )[part]  # fmt: skip


def times_of_parts(
    pooled: PooledWear,
    own: WearPath,
    *,
    limits: Mapping[str, float],
    lower_limits: Mapping[str, float] | None = None,
    now: float | None = None,
    horizon: float | None = None,
    level: float = 0.9,
    crossings: Sequence[str] = ("path", "next face"),
    unit: str = "faces",
    draws: int = 1500,
    rng: np.random.Generator,
) -> dict[str, dict[str, TimeToLimit]]:
    """Forecast when a cycle's wear reaches the limit of each part number, over the same drawn paths.

    Parameters
    ----------
    pooled : PooledWear
        From `fit_pooled` on the past cycles of this lap and its sisters (this cycle not among them).
    own : WearPath
        The cycle's readings so far; none is allowed, then all is borrowed.
    limits : mapping of str to float
        Of each part number whose wear is asked ('' = of none), in the readings' unit; NaN = no limit, refused.
    lower_limits : mapping of str to float, optional
        The other side for a signed bow (concave side, negative), of the same part numbers.
    now : float, optional
        Age from which the remaining time counts; default the last reading's age.
    horizon : float, optional
        How far past `now` to look; default three times the longest path seen.
    level : float
        Coverage of the range, between 0.5 and 1.
    crossings : sequence of str
        Keys of `CROSSINGS`; "reading" goes by the steps of the readings and cannot be mixed with the others.
    unit : str
        Unit of the clock, for the sentence.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to dict of str to TimeToLimit
        By part number and crossing.

    Raises
    ------
    ValueError
        If a crossing is unknown or cannot be mixed, `level` outside 0.5 to 1 or `horizon` not above 0.

    Notes
    -----
    The spreads and the mean line are drawn, not plugged in, and every shape of the pooled fit takes part with its
    share. Assumes that the cycle wears like those it is pooled with: a change of load, slurry or part mix breaks that.
    One reading at the limit does not put the path there: "over" is said when the drawn paths are at or over the limit
    at `now` with probability over one half. For the crossing "reading" the last reading decides.

    References
    ----------
    Lu and Meeker (1993), Using degradation measures to estimate a time-to-failure distribution, Technometrics 35(2).
    """
    for crossing in crossings:
        if crossing not in CROSSINGS:
            raise ValueError(f"`crossing` must be one of {', '.join(CROSSINGS)}, got {crossing!r}")
    if "reading" in crossings and len(crossings) > 1:
        raise ValueError("`crossings` must be 'reading' alone or leave it out, got both: ask for it by itself")
    if horizon is not None and not 0 < horizon < np.inf:
        raise ValueError(f"`horizon` must be greater than 0 and finite, got {horizon}")
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    last = float(own.age[-1]) if own.age.size else 0.0
    start = last if now is None else max(float(now), last)
    longest = max([start, *(float(p.age[-1]) for p in pooled.past)])
    ahead = (3.0 * longest or 1.0) if horizon is None else float(horizon)

    borrowed = _borrowed_words(own, pooled, unit)
    tail = (1 - level) / 2

    def told(status: str, why: str) -> dict[str, TimeToLimit]:
        none = 0.0 if status == "over" else None
        return {
            c: TimeToLimit(
                status, none, none, none, ahead, start, level, c, unit, why, borrowed, own.age.size, len(pooled.past),
                "", 0.0, 0.0, None, np.empty(0),
            )
            for c in crossings
        }  # fmt: skip

    if not np.isfinite(list(limits.values())).all():
        return dict.fromkeys(
            limits, told("refused", "no limit is set for this part: enter its limit, then the forecast follows")
        )
    if pooled.refused:
        why = f"cannot say: {pooled.refused}; {enough_words(pooled, own)}"
        return dict.fromkeys(limits, told("refused", why))
    lower = {part: None if lower_limits is None else lower_limits[part] for part in limits}
    by_readings = "reading" in crossings
    read_over = {
        part for part in limits if by_readings and own.age.size and _reads_over(own, limits[part], lower[part])
    }
    if len(read_over) == len(limits):
        return dict.fromkeys(limits, told("over", "the last reading is at or over the limit"))
    own = replace(own, limit=min(limits.values()))
    ages, together = _future_ages(pooled.past, own, start, start + ahead, by_readings=by_readings)
    signed = lower_limits is not None
    drawn = draw_paths(pooled, own, ages, signed=signed, draws=draws, parts=tuple(limits), rng=rng)
    if drawn is None:
        why = "cannot say: the readings of this cycle do not go with any shape of the past cycles"
        return dict.fromkeys(limits, told("refused", why))
    borrowed = _borrowed_words(own, pooled, unit, own_way=drawn.own_way_share)

    def of(part: str) -> dict[str, TimeToLimit]:
        first = part == next(iter(limits))
        futures = drawn.futures if first else tuple(of_part(future, part) for future in drawn.futures)
        over = not by_readings and share_over(futures, limits[part], lower[part]) > 0.5
        fan = _fan(futures, level, sizes=signed)
        out = {}
        for crossing in crossings:
            reached = [crossing_ages(f, limits[part], lower[part], crossing, rng, together=together) for f in futures]
            remaining = np.concatenate(reached) - start
            remaining = np.where(remaining > ahead, np.inf, np.maximum(remaining, 0.0))
            ends = np.quantile(remaining, [tail, 0.5, 1 - tail], method="inverted_cdf")
            low, median, high = (float(q) for q in ends)
            words = _over_words(high, ahead, unit) if over else range_words(low, high, ahead, unit, crossing)
            out[crossing] = TimeToLimit(
                "over" if over else "range",
                low if np.isfinite(low) else None,
                median if np.isfinite(median) else None,
                high if np.isfinite(high) else None,
                ahead, start, level, crossing, unit, words, borrowed, own.age.size, len(pooled.past),
                drawn.shape, drawn.shape_share, drawn.own_way_share, fan, remaining,
            )  # fmt: skip
        return out

    return {
        part: told("over", "the last reading is at or over the limit") if part in read_over else of(part)
        for part in limits
    }


def usual_band(
    pooled: PooledWear,
    *,
    horizon: float,
    signed: bool = False,
    level: float = 0.9,
    part: str = "",
    draws: int = 1500,
    rng: np.random.Generator,
) -> WearFan | None:
    """Range of the wear paths of a new cycle of the group from age 0 to `horizon`; None where nothing is pooled.

    Paths pooled with their sign (`signed`) give the range of their size. A group with covariates gives that of a new
    cycle with those of any past one.

    Shapes that take the readings as shares of a limit have no common unit and take no part.
    """
    absolute = tuple(s for s in pooled.shapes if not s.scale.relative)
    if not absolute or not horizon > 0:
        return None
    seen = Counter(p.covariates for p in pooled.past)
    alone = (0.0,) * len(absolute[0].scale.covariate_range)  # from one cycle only covariates have no say
    futures: list[FuturePaths] = []
    for covariates, cycles in (seen or {alone: 1}).items():
        new = wear_path("a usual cycle", (), (), covariates=covariates)
        ages, _ = _future_ages((), new, 0.0, horizon, by_readings=False)
        share = -(-draws * cycles // max(len(pooled.past), 1))
        drawn = draw_paths(
            replace(pooled, shapes=absolute), new, ages, signed=signed, draws=share, parts=(part,), rng=rng
        )  # fmt: skip
        futures += drawn.futures if drawn is not None else ()
    return _fan(futures, level, sizes=signed) if futures else None


def _reads_over(own: WearPath, limit: float, lower_limit: float | None) -> bool:
    middle = float(middle_of(own.low[-1], own.high[-1]))
    if not own.sign_known[-1]:
        middle = abs(middle)
    return bool(middle >= limit or (lower_limit is not None and middle <= lower_limit))


def _over_words(high: float, ahead: float, unit: str) -> str:
    if high == 0:
        return f"no {unit} left: the wear path is at the limit"
    likely = "the wear path is more likely than not at the limit already"
    if not np.isfinite(high):
        return f"{likely}; an unknown number of {unit} left"
    most = _figure(high, ahead, unit)
    return f"no {unit} left: {likely}" if most == "0" else f"{likely}; at most {_counted(most, unit)} left"


def range_words(low: float, high: float, ahead: float, unit: str, crossing: str) -> str:
    """Say a range of what is left, inf = beyond the horizon `ahead`: '8 to 14 faces left'."""
    if not np.isfinite(low):
        return f"more than {_figure(ahead, ahead, unit)} {unit} left"
    if not np.isfinite(high):
        return f"{_figure(low, ahead, unit)} to more than {_figure(ahead, ahead, unit)} {unit} left"
    least, most = _figure(low, ahead, unit), _figure(high, ahead, unit)
    if most == "0":
        return f"no {unit} left: {CROSSINGS[crossing]}"
    return f"about {_counted(least, unit)} left" if least == most else f"{least} to {most} {unit} left"


def _counted(figure: str, unit: str) -> str:
    one = unit.removesuffix("es" if unit.endswith("sses") else "s") if len(unit) > 2 else unit  # 's', 'ms': symbols
    return f"{figure} {one if figure == '1' else unit}"


def _figure(value: float, scale: float, unit: str) -> str:
    """Whole numbers of what is counted and where they carry enough, else three figures; four of a large one.

    No range is told closer than that.
    """
    whole = scale >= 20 or unit in _COUNTED
    return f"{float(f'{value:.4g}') if value >= 1e4 else value:.0f}" if whole else f"{value:.3g}"


def _borrowed_words(own: WearPath, pooled: PooledWear, unit: str, *, own_way: float = 0.0) -> str:
    noun = "face" if unit == "faces" else "reading"
    mine, cycles = own.age.size, len(pooled.past)
    first = f"{mine} {noun}{'' if mine == 1 else 's'} of its own" if mine else f"no {noun} of its own yet"
    if pooled.alone or not cycles:
        return f"{first}, {pooled.lacking}"
    past = f"{cycles} past cycle{'' if cycles == 1 else 's'}"
    told = f"{first}, little from {past}: {pooled.lacking}" if own_way > 0.5 else f"{first}, the rest from {past}"
    error = pooled.shapes[0].scale.error_words if pooled.shapes else ""
    return f"{told}; {error}, as past ones tell" if error else told


def _future_ages(
    past: Sequence[WearPath], own: WearPath, start: float, end: float, *, by_readings: bool
) -> tuple[Array, int]:
    """Ages to draw the paths at, steps as those of the paths, and how many readings fall to each."""
    if by_readings:
        return ages_of_readings(past, own, start, end)
    return np.asarray(start + (end - start) * np.linspace(0, 1, _GRID) ** 1.5, dtype=np.float64), 1


def _fan(futures: Sequence[FuturePaths], level: float, *, sizes: bool) -> WearFan:
    every = max(sum(f.path.shape[0] for f in futures) // _FAN_PATHS, 1)
    paths = np.concatenate([f.scale.reading_back(f.path[::every], f.own_limit) for f in futures])
    paths = np.abs(paths) if sizes else paths
    tail = (1 - level) / 2
    low, median, high = np.quantile(paths, [tail, 0.5, 1 - tail], axis=0, method="inverted_cdf")
    return WearFan(futures[0].age, low, median, high)
