"""Faces left for every lap: past cycles of a lap and its sisters pooled, each lap's own cycle added on top."""

import math
import zlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from spc.board.bow_signals import running_bow
from spc.board.cell_view import CellView
from spc.board.kept import digest_of_values, kept
from spc.board.lap_paths import (
    PastPaths,
    RunningCycle,
    WayOfReading,
    past_paths,
    running_cycle,
    values_of,
    way_of_reading,
)
from spc.board.lives import NEVER
from spc.board.results import CycleFan, FacesLeft
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.wear.path_shape import SHAPES
from spc.wear.path_slips import slips
from spc.wear.pooled import PooledWear, fit_alone, fit_pooled
from spc.wear.pooled_apart import fit_apart
from spc.wear.time_to_limit import TimeToLimit, WearFan, times_to_limit, usual_band
from spc.wear.wear_path import WearPath, taken

__all__ = ["LapForecast", "PoolCache", "forecast_cycle", "forecast_lap", "forecast_laps", "without_faces_left"]

K = TypeVar("K")
V = TypeVar("V")

_APART = "no past cycle went through flat as this one does"
_NO_PART = (
    "cannot say: no part number is known on it, and no limit is set for all parts; log a face with its part number, or "
    "set that limit"
)
_FEW_FACES = 5  # in a cycle, of which one that was lapped again is not often
_OFTEN_AGAIN = 1.2  # passes a face from which on a cycle is told in passes; our own rule
_FORECASTS_KEPT = 100  # between runs: those of every lap as it is now, and some that the next faces have outdated
_STRAIGHT = tuple(shape for shape in SHAPES if not shape.needs_positive)  # a signed bow goes below zero


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


class PoolCache:
    """Pooled fits, usual bands and forecasts by the readings they rest on.

    A new face of a running cycle changes the forecast of its own lap only.
    """

    def __init__(self, most: int = 64) -> None:
        self._fits: OrderedDict[str, PooledWear] = OrderedDict()
        self._bands: OrderedDict[tuple[str, str, float], WearFan | None] = OrderedDict()
        self._forecasts: OrderedDict[str, LapForecast] = OrderedDict()
        self._most = most

    def fit(self, name: str, past: tuple[WearPath, ...], *, signed: bool = False) -> PooledWear:
        """Fit these past cycles, or give the fit made before under the name, the digest of what they hold."""
        labels = tuple(p.label for p in past)

        def compute() -> PooledWear:
            shapes = _STRAIGHT if signed else SHAPES
            return fit_pooled(past, shapes=shapes, rng=np.random.default_rng(_seed(*labels)))

        return _held(self._fits, name, lambda: kept("pool", name, compute), self._most)

    def band(self, name: str, pooled: PooledWear, part: str, horizon: float, *, signed: bool = False) -> WearFan | None:
        """Range of a usual cycle of a fit for one part number."""

        def compute() -> WearFan | None:
            rng = np.random.default_rng(_seed(*(p.label for p in pooled.past), part))
            return usual_band(pooled, horizon=horizon, signed=signed, part=part, rng=rng)

        return _held(self._bands, (name, part, horizon), compute, 4 * self._most)

    def forecast(self, lap: str, name: str, compute: Callable[[], "LapForecast"]) -> "LapForecast":
        """Give the forecast of these readings and limits of a lap, or the one made before."""

        def make() -> "LapForecast":
            return kept("forecast", name, compute, place=lap, most=_FORECASTS_KEPT)

        return _held(self._forecasts, name, make, self._most)


def _held(store: OrderedDict[K, V], key: K, compute: Callable[[], V], most: int) -> V:
    """Give what is held under the key, made when it is not there; the least used go first."""
    if key not in store:
        store[key] = compute()
        while len(store) > most:
            store.popitem(last=False)
    store.move_to_end(key)
    return store[key]


_CACHE = PoolCache()


def forecast_laps(view: CellView, *, cache: PoolCache = _CACHE) -> dict[str, LapForecast]:
    """Forecast every lap of the cell; see `forecast_lap`."""
    return {str(lap): forecast_lap(view, str(lap), cache=cache) for lap in view.laps["lap"]}


def forecast_lap(
    view: CellView,
    lap: str,
    *,
    room: RoomOfLap = NO_ROOM,
    since_age: float = 0.0,
    until: Mapping[tuple[str, int], float] = NEVER,
    cache: PoolCache = _CACHE,
) -> LapForecast:
    """Faces left on one lap under the tightest flatness limit of the part numbers it laps.

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
    now = view.memo.once(
        lap, f"running cycle from {since_age}",
        (view.signs_of(lap), view.cycles_of(lap), view.events_of(lap), view.limits, room),
        lambda: running_cycle(view, lap, room, since_age=since_age),
    )  # fmt: skip
    past = past_paths(view, lap, now.grit, now.limit_um, until=until)
    turning = now.own.carries_signs and running_bow(view, lap, room).turning
    return forecast_cycle(lap, now, past, turning=turning, cache=cache)


def forecast_cycle(
    lap: str, now: RunningCycle, past: PastPaths, *, turning: bool = False, cache: PoolCache = _CACHE
) -> LapForecast:
    """Forecast one running cycle from its readings and past cycles; see `forecast_lap`.

    Parameters
    ----------
    lap : str
    now : RunningCycle
    past : PastPaths
    turning : bool, default False
        Whether its form is said to be turning.
    cache : PoolCache

    Returns
    -------
    LapForecast
    """
    how = way_of_reading(now.own, past, turning=turning)
    own = now.own.signed if how.signed else now.own.sizes
    name, paths = (past.signed_name, past.signed) if how.signed else (past.name, past.sizes)
    slipped = slips((*paths, own))[-1]  # one mistyped reading is no wear
    own, count = taken(own, np.flatnonzero(~slipped)), int(slipped.sum())
    about = (lap, now.part, now.limit_um, now.limit_text, len(now.rows), how.signed, how.apart, how.refused, count)
    asked = digest_of_values(name, *about, *values_of(own))

    def compute() -> LapForecast:
        found = _forecast(cache, past, own, now, how, lap)
        if count and found.borrowed:
            out = f"{count} more of its own {'lies' if count == 1 else 'lie'} far beyond those on either side: left out"
            found = replace(found, borrowed=f"{found.borrowed}; {out}")
        why = _NO_PART if not now.part and math.isnan(now.limit_um) else how.refused
        return without_faces_left(found, why) if why else found

    return cache.forecast(lap, asked, compute)


def without_faces_left(forecast: LapForecast, why: str) -> LapForecast:
    """Take the faces left out of a forecast whose readings cannot tell them, and say why."""
    nothing: dict[str, Any] = {"status": "refused", "low": None, "median": None, "high": None, "sentence": why}
    left, soon = (replace(each, **nothing) for each in (forecast.faces_left, forecast.next_face))
    return replace(forecast, faces_left=left, next_face=soon, fan=None)


def _forecast(
    cache: PoolCache, past: PastPaths, own: WearPath, running: RunningCycle, how: WayOfReading, lap: str
) -> LapForecast:
    rows, part, limit_um = running.rows, running.part, running.limit_um
    now = float(rows["age_faces"].iloc[-1]) + 1.0 if len(rows) else 0.0
    rng = np.random.default_rng(_seed(lap, str(len(rows)), str(rows["face_id"].iloc[-1]) if len(rows) else ""))
    name, paths = (past.signed_name, past.signed) if how.signed else (past.name, past.sizes)
    pooled, band = cache.fit(name, paths, signed=how.signed), None
    if not pooled.refused:
        longest = max(float(p.age[-1]) for p in pooled.past)
        band = cache.band(name, pooled, part, _steps_up(longest, now), signed=how.signed)
    if how.apart:
        pooled = fit_apart(pooled, own, lacking=_APART, rng=rng)
    elif pooled.refused and np.isfinite(limit_um):
        pooled = fit_alone(own, rng=rng)
    lower = -limit_um if how.signed else None
    counted = "pass" if now > _OFTEN_AGAIN * max(len(rows), _FEW_FACES) else "face"
    answers = times_to_limit(
        pooled,
        own,
        limit=limit_um,
        lower_limit=lower,
        now=now,
        unit="passes" if counted == "pass" else "faces",
        part=part,
        rng=rng,
    )
    answer, soon = answers["path"], answers["next face"]
    return LapForecast(
        lap=lap,
        part=part,
        limit_um=limit_um,
        limit_text=running.limit_text,
        faces_left=_faces_left(answer, counted),
        next_face=_faces_left(soon, counted),
        fan=_fan(answer.fan),
        band=_fan(band),
        borrowed=f"{answer.borrowed}; convex and concave told apart" if how.signed else answer.borrowed,
        shape=answer.shape,
    )


def _steps_up(longest: float, now: float) -> float:
    """Age to which the usual band goes: the longest past cycle, by halves more where this one has outlived it."""
    end = longest
    while end < now:
        end *= 1.5
    return end


def _faces_left(answer: TimeToLimit, counted: str) -> FacesLeft:
    return FacesLeft(
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
        counted=counted,
    )


def _fan(fan: WearFan | None) -> CycleFan | None:
    return None if fan is None else CycleFan(fan.age, fan.low, fan.median, fan.high)


def _seed(*words: str) -> int:
    return zlib.crc32("\x1f".join(words).encode())
