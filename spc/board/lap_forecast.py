"""Faces left for every lap: past cycles of a lap and its sisters pooled, each lap's own cycle added on top."""

import threading
import zlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.kept import digest_of_values, kept
from spc.board.results import CycleFan, FacesLeft
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.chart.stream import NO_GRIT, grit_running
from spc.wear.pooled import PooledWear, fit_alone, fit_pooled, until_limit
from spc.wear.time_to_limit import TimeToLimit, WearFan, times_to_limit, usual_band
from spc.wear.wear_path import WearPath, wear_path

__all__ = ["LapForecast", "PoolCache", "forecast_lap", "forecast_laps"]

K = TypeVar("K")
V = TypeVar("V")

PAST_CYCLES = 24  # newest finished cycles of a group; more would weigh how the laps wore long ago
_PATH = ("sort_us", "cycle", "stream", "grit", "age_faces", "first_low_um", "first_high_um", "part")
_FORECASTS_KEPT = 100  # between runs: those of every lap as it is now, and some that the next faces have outdated
LEAST_FACES = 4  # a cycle of fewer read faces says nothing of its slope


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

    def fit(self, name: str, past: tuple[WearPath, ...]) -> PooledWear:
        """Fit these past cycles, or give the fit made before under the name, the digest of what they hold."""
        labels = tuple(p.label for p in past)

        def compute() -> PooledWear:
            return fit_pooled(past, rng=np.random.default_rng(_seed(*labels)))

        return _held(self._fits, name, lambda: kept("pool", name, compute), self._most)

    def band(self, name: str, pooled: PooledWear, part: str, horizon: float) -> WearFan | None:
        """Range of a usual cycle of a fit for one part number."""

        def compute() -> WearFan | None:
            rng = np.random.default_rng(_seed(*(p.label for p in pooled.past), part))
            return usual_band(pooled, horizon=horizon, part=part, rng=rng)

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


def _values(path: WearPath) -> tuple[object, ...]:
    return path.label, path.age, path.low, path.high, path.parts, path.limit


class _Shared(threading.local):
    """Past paths by group, grit and limit, with the name of their fit, of the view last asked in this thread."""

    def __init__(self) -> None:
        self.by_lap: object = None  # frames of that view, held so that it is known again
        self.paths: dict[tuple[str, str], tuple[WearPath, ...]] = {}
        self.cut: dict[tuple[str, str, float], tuple[str, tuple[WearPath, ...]]] = {}


_CACHE = PoolCache()
_SHARED = _Shared()


def forecast_laps(view: CellView, *, cache: PoolCache = _CACHE) -> dict[str, LapForecast]:
    """Forecast every lap of the cell; see `forecast_lap`."""
    return {str(lap): forecast_lap(view, str(lap), cache=cache) for lap in view.laps["lap"]}


def forecast_lap(
    view: CellView, lap: str, *, room: RoomOfLap = NO_ROOM, since_age: float = 0.0, cache: PoolCache = _CACHE
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
    cache : PoolCache
        Shared pooled fits.

    Returns
    -------
    LapForecast

    Notes
    -----
    First readings of finished faces against faces since reconditioning. Cycles pool within the lap's group (register),
    by default its material and grit, and only readings under the grit that runs on the lap now: a change of grit is no
    wear. A lap without any past cycle is forecast from its own readings once it has enough.
    Seeds follow from the data, so that the same log always gives the same range.
    """
    running, own, grit, leading = view.memo.once(
        lap, f"running cycle from {since_age}", (view.signs_of(lap), view.cycles_of(lap), view.limits, room),
        lambda: _running_cycle(view, lap, room, since_age),
    )  # fmt: skip
    part, limit_um, limit_text = leading
    name, cut = _past_paths(view, lap, grit, limit_um)
    asked = digest_of_values(name, lap, part, limit_um, limit_text, len(running), *_values(own))

    def compute() -> LapForecast:
        return _forecast(cache, name, cache.fit(name, cut), own, running, leading, lap)

    return cache.forecast(lap, asked, compute)


def _forecast(
    cache: PoolCache, name: str, pooled: PooledWear, own: WearPath, running: pd.DataFrame,
    asked: tuple[str, float, str], lap: str,
) -> LapForecast:  # fmt: skip
    part, limit_um, limit_text = asked
    now = float(running["age_faces"].iloc[-1]) + 1.0 if len(running) else 0.0
    rng = np.random.default_rng(_seed(lap, str(len(running)), str(running["face_id"].iloc[-1]) if len(running) else ""))
    band = None
    if not pooled.refused:
        longest = max(float(p.age[-1]) for p in pooled.past)
        band = cache.band(name, pooled, part, _steps_up(longest, now))
    elif np.isfinite(limit_um):
        pooled = fit_alone(own, rng=rng)
    answers = times_to_limit(pooled, own, limit=limit_um, now=now, part=part, rng=rng)
    answer, soon = answers["path"], answers["next face"]
    return LapForecast(
        lap=lap,
        part=part,
        limit_um=limit_um,
        limit_text=limit_text,
        faces_left=_faces_left(answer),
        next_face=_faces_left(soon),
        fan=_fan(answer.fan),
        band=_fan(band),
        borrowed=answer.borrowed,
        shape=answer.shape,
    )


def _steps_up(longest: float, now: float) -> float:
    """Age to which the usual band goes: the longest past cycle, by halves more where this one has outlived it."""
    end = longest
    while end < now:
        end *= 1.5
    return end


def _running_cycle(
    view: CellView, lap: str, room: RoomOfLap, since_age: float
) -> tuple[pd.DataFrame, WearPath, str, tuple[str, float, str]]:
    """Finished faces of the running cycle, their path under the newest grit, that grit (empty = unknown), the limit."""
    signs, cycles = view.signs_of(lap), view.cycles_of(lap)
    now = cycles["cycle"].to_numpy()[(cycles["ended"] == "running").to_numpy()]
    columns = _columns(view, lap)
    of = np.flatnonzero(columns["cycle"] == now[-1]) if now.size else np.empty(0, np.int64)
    of = of[columns["age_faces"][of] >= since_age]
    columns = columns | {"age_faces": columns["age_faces"] - since_age}
    grits = grit_running(*(columns[name][of] if of.size else columns[name] for name in ("grit", "stream")))
    own = of[(grits == grits[-1]) & room.keeps(columns["sort_us"][of], room.unworn)] if of.size else of
    grit = "" if not grits.size or grits[-1].startswith(NO_GRIT) else str(grits[-1])
    rows = signs.iloc[of].assign(age_faces=columns["age_faces"][of]).reset_index(drop=True)
    return rows, _path(f"{lap}, this cycle", columns, own), grit, _leading_limit(view, rows if len(rows) else signs)


def _columns(view: CellView, lap: str) -> dict[str, NDArray[Any]]:
    """Columns of one lap's finished faces that a path is made from."""
    signs = view.signs_of(lap)
    return view.memo.once(lap, "path columns", (signs,), lambda: {name: signs[name].to_numpy() for name in _PATH})


def _leading_limit(view: CellView, rows: pd.DataFrame) -> tuple[str, float, str]:
    """Choose the part number lapped lately whose limit is tightest: it is the one that runs out first."""
    lately = rows["part"].iloc[-40:]
    limit = upper_limit_um(lately, view.limits)
    if not np.isfinite(limit).any():
        return (str(lately.iloc[-1]) if len(lately) else ""), float("nan"), ""
    tightest = float(np.nanmin(limit))
    part = str(lately.to_numpy()[np.flatnonzero(limit == tightest)[-1]])
    flatness = view.limits[view.limits["characteristic"] == "flatness"]
    row = flatness[flatness["part"] == part]
    row = row if len(row) else flatness[flatness["part"] == "*"]
    text = str(row["upper_text"].iloc[0]) or f"{tightest:.3g} um"
    return part, tightest, f"{text} ({part})" if part else text


def _past_paths(view: CellView, lap: str, grit: str, limit_um: float) -> tuple[str, tuple[WearPath, ...]]:
    """List ended cycles of the lap's group up to a limit, with their name; sisters looked at in one view share them."""
    if _SHARED.by_lap is not view.by_lap:
        _SHARED.by_lap, _SHARED.paths, _SHARED.cut = view.by_lap, {}, {}
    group = str(view.lap_row(lap)["group"])
    whose = group or f"\x1f{lap}"  # a lap of no group has no sisters
    if (whose, grit, limit_um) not in _SHARED.cut:
        if (whose, grit) not in _SHARED.paths:
            sisters = view.laps[view.laps["group"] == group]["lap"].tolist() if group else [lap]
            _SHARED.paths[whose, grit] = _ended_paths(view, sisters, grit)
        cut = tuple(until_limit(p, limit_um) for p in _SHARED.paths[whose, grit])  # most limits cut nothing: one fit
        _SHARED.cut[whose, grit, limit_um] = digest_of_values(*(value for p in cut for value in _values(p))), cut
    return _SHARED.cut[whose, grit, limit_um]


def _ended_paths(view: CellView, sisters: list[str], grit: str) -> tuple[WearPath, ...]:
    ended = pd.concat([view.cycles_of(sister) for sister in sisters], ignore_index=True)
    ended = ended[ended["start_known"] & (ended["ended"] != "running")].sort_values("end_us", kind="stable")
    paths: list[WearPath] = []
    for sister, cycle in zip(ended["lap"][::-1], ended["cycle"][::-1], strict=True):
        made_from = (view.faces_of(sister), view.events_of(sister))
        make = partial(_ended_path, view, sister, cycle, grit)
        path = view.memo.once(sister, f"path {cycle} with {grit}", made_from, make)
        if path is not None:
            paths.append(path)
        if len(paths) == PAST_CYCLES:
            break
    return tuple(paths[::-1])


def _ended_path(view: CellView, lap: str, cycle: int, grit: str) -> WearPath | None:
    """Path of one cycle under one grit ('' = any); a face whose grit nobody wrote may have been lapped with it."""
    columns = _columns(view, lap)
    of = np.flatnonzero(columns["cycle"] == cycle)
    if grit:
        ran = grit_running(columns["grit"][of], columns["stream"][of]).tolist()
        of = of[[name == grit or name.startswith(NO_GRIT) for name in ran]]
    read = np.count_nonzero(~np.isnan(columns["first_low_um"][of]))
    return _path(f"{lap}, cycle {cycle}", columns, of) if read >= LEAST_FACES else None


def _path(label: str, columns: Mapping[str, NDArray[Any]], of: NDArray[np.int64]) -> WearPath:
    """Path of the finished faces at the places `of`."""
    age, low, high, part = (columns[name][of] for name in ("age_faces", "first_low_um", "first_high_um", "part"))
    return wear_path(label, age, low, high, parts=part.tolist())


def _faces_left(answer: TimeToLimit) -> FacesLeft:
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
    )


def _fan(fan: WearFan | None) -> CycleFan | None:
    return None if fan is None else CycleFan(fan.age, fan.low, fan.median, fan.high)


def _seed(*words: str) -> int:
    return zlib.crc32("\x1f".join(words).encode())
