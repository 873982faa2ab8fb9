"""Faces left for every lap: past cycles of a lap and its sisters pooled, each lap's own cycle added on top."""

import math
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from spc.board.bow_signals import running_bow
from spc.board.cell_view import CellView
from spc.board.kept import digest_of_values, kept
from spc.board.lap_paths import PastPaths, RunningCycle, past_paths, running_cycle, values_of
from spc.board.lives import NEVER
from spc.board.remembered import Remembered
from spc.board.results import CycleFan, FacesLeft, PartLeft
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.board.size_or_sign import WayOfReading, way_of_reading
from spc.wear.past_lives import PastLives, draws_left, past_lives, taken_in
from spc.wear.path_shape import SHAPES
from spc.wear.path_slips import slips
from spc.wear.pooled import PooledWear, fit_alone, fit_pooled
from spc.wear.pooled_apart import fit_apart, with_own_way
from spc.wear.signed_path import many_go_through_flat, way_of
from spc.wear.time_to_limit import TimeToLimit, WearFan, times_of_parts, usual_band
from spc.wear.wear_path import WearPath, taken

__all__ = [
    "POOLS",
    "STRAIGHT",
    "LapForecast",
    "PoolCache",
    "forecast_cycle",
    "forecast_lap",
    "forecast_laps",
    "told_in",
    "without_faces_left",
]

_NO_PART = (
    "cannot say: no part number is known on it, and no limit is set for all parts; log a face with its part number, or "
    "set that limit"
)
_FEW_FACES = 5  # in a cycle, of which one that was lapped again is not often; our own rule
_OFTEN_AGAIN = 1.2  # passes a face from which on a cycle is told in passes; our own rule
_FITS_HELD = 64
_FORECASTS_KEPT = 400  # those of every lap as it is now, and some that the next faces have outdated
STRAIGHT = tuple(shape for shape in SHAPES if not shape.needs_positive)  # a signed bow goes below zero


@dataclass(frozen=True, slots=True)
class LapForecast:
    """The forecast of one lap, with what the cycle picture needs."""

    lap: str
    part: str  # the part number whose limit comes first; '' none
    limit_um: float  # NaN = none set
    limit_text: str
    faces_left: FacesLeft
    next_face: FacesLeft  # when one face in ten is expected over the limit
    fan: CycleFan | None
    band: CycleFan | None  # how a usual cycle of this group goes
    borrowed: str
    shape: str
    turns_before: tuple[int, int] = (0, 0)  # past cycles that turned through flat the way this one goes, of how many
    past_moves: bool = False  # in some past cycle not all readings are equal: it tells how the lap wears


class PoolCache:
    """Pooled fits, usual bands and forecasts by the readings they rest on.

    A new face of a running cycle changes the forecast of its own lap only.
    """

    def __init__(self) -> None:
        self._fits: Remembered[str, PooledWear] = Remembered(_FITS_HELD)
        self._bands: Remembered[tuple[str, str, float], WearFan | None] = Remembered(4 * _FITS_HELD)
        self._forecasts: Remembered[str, LapForecast] = Remembered(_FORECASTS_KEPT)

    def fit(self, name: str, past: tuple[WearPath, ...], *, signed: bool = False) -> PooledWear:
        """Fit these past cycles, or give the fit made before under the name, the digest of what they hold."""
        labels = tuple(p.label for p in past)

        def compute() -> PooledWear:
            shapes = STRAIGHT if signed else SHAPES
            return fit_pooled(past, shapes=shapes, rng=np.random.default_rng(_seed(*labels)))

        return self._fits.get(name, lambda: kept("pool", name, compute))

    def band(self, name: str, pooled: PooledWear, part: str, horizon: float, *, signed: bool = False) -> WearFan | None:
        """Range of a usual cycle of a fit for one part number."""

        def compute() -> WearFan | None:
            rng = np.random.default_rng(_seed(*(p.label for p in pooled.past), part))
            return usual_band(pooled, horizon=horizon, signed=signed, part=part, rng=rng)

        return self._bands.get((name, part, horizon), compute)

    def forecast(self, lap: str, name: str, compute: Callable[[], "LapForecast"]) -> "LapForecast":
        """Give the forecast of these readings and limits of a lap, or the one made before."""

        def make() -> "LapForecast":
            return kept("forecast", name, compute, place=lap, most=_FORECASTS_KEPT)

        return self._forecasts.get(name, make)


POOLS = PoolCache()


def forecast_laps(view: CellView, *, cache: PoolCache = POOLS) -> dict[str, LapForecast]:
    """Forecast every lap of the cell; see `forecast_lap`."""
    return {str(lap): forecast_lap(view, str(lap), cache=cache) for lap in view.laps["lap"]}


def forecast_lap(
    view: CellView,
    lap: str,
    *,
    room: RoomOfLap = NO_ROOM,
    since_age: float = 0.0,
    until: Mapping[tuple[str, int], float] = NEVER,
    missed: tuple[str, ...] = (),
    cache: PoolCache = POOLS,
) -> LapForecast:
    """Faces left on one lap under the flatness limit that the part numbers it laps reach first.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomOfLap, default NO_ROOM
        Readings of the running cycle that it sets aside do not count.
    since_age : float, default 0
        Age in faces at which the running cycle is taken to begin: a reconditioning may not be logged.
    until : mapping of (str, int) to float, default none
        Of a lap and one of its past cycles, the age in faces from which its readings may be of another cycle.
    missed : tuple of str, default ()
        How past cycles came out beyond ranges by readings, where too few came out within (`past_held.ranges_doubt`).
    cache : PoolCache
        Shared pooled fits.

    Returns
    -------
    LapForecast

    Notes
    -----
    First readings of finished faces against faces since reconditioning. Cycles pool within the lap's group (register),
    by default its material and grit, and only readings under the grit that runs on the lap now: a change of grit is no
    wear. A lap without any past cycle is forecast from its own readings once it has enough. Where the form goes through
    flat or may do so, all runs on the signed bow with a limit on either side (`way_of_reading`).
    Seeds follow from the data, so that the same log always gives the same range.
    """
    now = running_cycle(view, lap, room, since_age=since_age)
    past = past_paths(view, lap, now.grit, now.widest_um, until=until)
    turning = bool(now.own.carries_signs and running_bow(view, lap, room).turning)
    return view.memo.once(
        lap, f"forecast from {since_age} {missed}", (now, past, turning, missed, cache),
        lambda: forecast_cycle(lap, now, past, turning=turning, missed=missed, cache=cache),
    )  # fmt: skip


def forecast_cycle(
    lap: str,
    now: RunningCycle,
    past: PastPaths,
    *,
    turning: bool = False,
    missed: tuple[str, ...] = (),
    cache: PoolCache = POOLS,
) -> LapForecast:
    """Forecast one running cycle from its readings and past cycles; see `forecast_lap`.

    Parameters
    ----------
    lap : str
    now : RunningCycle
    past : PastPaths
    turning : bool, default False
        Whether its form is said to be turning.
    missed : tuple of str, default ()
        How past cycles came out beyond ranges by readings, where too few came out within: how long past cycles lasted
        is then taken in, of each part number that enough of them reached the limit of.
    cache : PoolCache

    Returns
    -------
    LapForecast
    """
    how = way_of_reading(now.own, past, turning=turning)
    name, paths = past.pool(signed=how.signed)
    own = past.usual(now.own.signed if how.signed else now.own.sizes, signed=how.signed)
    slipped = slips((*paths, own))[-1]  # one mistyped reading is no wear
    own, count = taken(own, np.flatnonzero(~slipped)), int(slipped.sum())
    newest = now.rows["age_faces"].iloc[-1:].tolist()
    limits = [value for limit in now.limits for value in (limit.part, limit.limit_um, limit.text)]
    about = (lap, *limits, len(now.rows), *newest, count, how.signed, how.apart, how.refused, *past.ways, *missed)
    asked = digest_of_values(name, *about, *values_of(own))

    def compute() -> LapForecast:
        found = _forecast(cache, past, own, now, how, lap, missed)
        if count and found.borrowed:
            out = f"{count} more of its own {'lies' if count == 1 else 'lie'} far beyond those on either side: left out"
            found = replace(found, borrowed=f"{found.borrowed}; {out}")
        why = _NO_PART if not now.limits[0].part and math.isnan(now.widest_um) else how.refused
        return without_faces_left(found, why) if why else found

    return cache.forecast(lap, asked, compute)


def told_in(rows: pd.DataFrame) -> str:
    """Say what the age of a cycle is told in, by its finished faces: 'pass' where they are often lapped again."""
    passes = float(rows["age_faces"].iloc[-1]) + 1.0 if len(rows) else 0.0
    return "pass" if passes > _OFTEN_AGAIN * max(len(rows), _FEW_FACES) else "face"


def without_faces_left(forecast: LapForecast, why: str) -> LapForecast:
    """Take the faces left out of a forecast whose readings cannot tell them, and say why."""
    nothing: dict[str, Any] = {
        "status": "refused",
        "low": None,
        "median": None,
        "high": None,
        "sentence": why,
        "others": (),
    }
    left, soon = (replace(each, **nothing) for each in (forecast.faces_left, forecast.next_face))
    return replace(forecast, faces_left=left, next_face=soon, fan=None)


def _forecast(
    cache: PoolCache,
    past: PastPaths,
    own: WearPath,
    running: RunningCycle,
    how: WayOfReading,
    lap: str,
    missed: tuple[str, ...],
) -> LapForecast:
    rows = running.rows
    now = float(rows["age_faces"].iloc[-1]) + 1.0 if len(rows) else 0.0
    rng = np.random.default_rng(_seed(lap, str(len(rows)), repr(now)))
    name, paths = past.pool(signed=how.signed)
    fit = cache.fit(name, paths, signed=how.signed)
    if how.apart:
        pooled = fit_apart(fit, own, lacking=past.few_through_flat, rng=rng)
    elif fit.refused and np.isfinite(running.widest_um):
        pooled = fit_alone(own, rng=rng)
    else:
        pooled = with_own_way(fit, own, rng=rng)
    limits = {limit.part: limit.limit_um for limit in running.limits}
    factors = {part: past.factor(part, signed=how.signed) for part in limits}
    usual = {part: limit_um / factors[part] for part, limit_um in limits.items()}
    lower = {part: -limit_um for part, limit_um in usual.items()} if how.signed else None
    counted = told_in(rows)
    unit = "passes" if counted == "pass" else "faces"
    told = times_of_parts(pooled, own, limits=usual, lower_limits=lower, now=now, unit=unit, rng=rng)
    lives = _lives_of(past, limits) if missed else {}
    age = float(own.age[-1]) if own.age.size else 0.0
    told = {part: _by_lives(told[part], lives.get(part), age, missed, rng) for part in told}
    first, *others = sorted(running.limits, key=lambda limit: _when(told[limit.part]["path"]))
    answer, soon, band = told[first.part]["path"], told[first.part]["next face"], None
    if not fit.refused:
        longest = max(float(p.age[-1]) for p in fit.past)
        band = cache.band(name, fit, first.part, _steps_up(longest, now), signed=how.signed)
    beside = {other.part: told[other.part]["path"] for other in others}
    return LapForecast(
        lap=lap,
        part=first.part,
        limit_um=first.limit_um,
        limit_text=first.text,
        faces_left=replace(
            _faces_left(first.part, answer, beside, counted),
            by_lives=first.part in lives and answer.status == "range",
        ),
        next_face=_faces_left(first.part, soon, {}, counted),
        fan=_fan(answer.fan, factors[first.part]),
        band=_fan(band, factors[first.part]),
        borrowed=f"{answer.borrowed}; convex and concave told apart" if how.signed else answer.borrowed,
        shape=answer.shape,
        turns_before=_turns_before(own, past) if how.signed and not how.apart else (0, 0),
        past_moves=any(np.ptp(each.low) > 0 or np.unique(each.high).size > 1 for each in paths),
    )


def _lives_of(past: PastPaths, limits: Mapping[str, float]) -> dict[str, PastLives]:
    """Give how long past cycles were good for each part number, as far as enough of them reached its limit."""
    told = {part: past_lives(past.sizes, limit_um, part=part) for part, limit_um in limits.items()}
    return {part: lives for part, lives in told.items() if lives is not None}


def _by_lives(
    told: Mapping[str, TimeToLimit],
    lives: PastLives | None,
    age: float,
    missed: tuple[str, ...],
    rng: np.random.Generator,
) -> dict[str, TimeToLimit]:
    """Take how long past cycles lasted into what is told of one part number; its next face is over no later."""
    path, soon = told["path"], told["next face"]
    if lives is None or path.status != "range":
        return {"path": path, "next face": soon}
    path = taken_in(path, draws_left(lives, path, age=age, rng=rng), missed)
    soon = taken_in(soon, path.draws, ("faster",)) if soon.status == "range" else soon
    return {"path": path, "next face": soon}


def _turns_before(own: WearPath, past: PastPaths) -> tuple[int, int]:
    """Count the past cycles that turned through flat the way this one goes; (0, 0) where they are not many."""
    same = [way == way_of(own) != 0 for way in past.ways]
    return (sum(same), len(same)) if many_go_through_flat(same) else (0, 0)


def _when(answer: TimeToLimit) -> tuple[float, float]:
    """Sort key: the middle of the range; of two alike the mean of what was drawn."""
    middle = np.inf if answer.median is None else answer.median
    return middle, float(np.minimum(answer.draws, answer.horizon).mean()) if answer.draws.size else 0.0


def _steps_up(longest: float, now: float) -> float:
    """Age to which the usual band goes: the longest past cycle, by halves more where this one has outlived it."""
    end = longest
    while end < now:
        end *= 1.5
    return end


def _faces_left(part: str, answer: TimeToLimit, others: Mapping[str, TimeToLimit], counted: str) -> FacesLeft:
    left = FacesLeft(
        status=answer.status,
        low=answer.low,
        median=answer.median,
        high=answer.high,
        horizon=answer.horizon,
        unit="faces",
        level=answer.level,
        crossing=answer.crossing,
        sentence=answer.sentence,
        own_faces=answer.own_readings,
        past_cycles=answer.past_cycles,
        own_way=answer.own_way_share > 0.5,
        counted=counted,
        part=part,
        others=tuple(
            PartLeft(other, told.low, told.median, told.high, told.sentence)
            for other, told in others.items()
            if answer.status != "refused"
        ),
    )
    said = left.sentence.replace(" left", f" left {left.named}", 1) if left.named else left.sentence
    return replace(left, sentence="; ".join(filter(None, (said, left.longer))))


def _fan(fan: WearFan | None, factor: float) -> CycleFan | None:
    """Draw a fan of the pool for a part number whose sizes are so many times as high."""
    return None if fan is None else CycleFan(fan.age, fan.low * factor, fan.median * factor, fan.high * factor)


def _seed(*words: str) -> int:
    return zlib.crc32("\x1f".join(words).encode())
