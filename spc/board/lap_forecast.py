"""Faces left for every lap: past cycles of a lap and its sisters pooled, each lap's own cycle added on top."""

import zlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.kept import digest_of_values, kept
from spc.board.results import CycleFan, FacesLeft
from spc.wear.pooled import PooledWear, fit_pooled
from spc.wear.time_to_limit import TimeToLimit, WearFan, time_to_limit
from spc.wear.wear_path import WearPath, wear_path

__all__ = ["LapForecast", "PoolCache", "forecast_lap", "forecast_laps"]

PAST_CYCLES = 24  # newest finished cycles of a group; more would weigh how the laps wore long ago
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
    """Pooled fits by the past cycles they rest on; a new face of a running cycle changes none of them."""

    def __init__(self, most: int = 64) -> None:
        self._fits: OrderedDict[tuple[object, ...], PooledWear] = OrderedDict()
        self._forecasts: OrderedDict[tuple[object, ...], LapForecast] = OrderedDict()
        self._most = most

    def fit(self, past: tuple[WearPath, ...]) -> PooledWear:
        """Fit these past cycles, or give the fit made before."""
        key = tuple(_path_key(p) for p in past)
        if key not in self._fits:
            rng = np.random.default_rng(_seed(*(p.label for p in past)))
            self._fits[key] = kept("pool", digest_of_values(key), lambda: fit_pooled(past, rng=rng))
            while len(self._fits) > self._most:
                self._fits.popitem(last=False)
        self._fits.move_to_end(key)
        return self._fits[key]

    def forecast(self, key: tuple[object, ...], compute: Callable[[], "LapForecast"]) -> "LapForecast":
        """Give the forecast of these readings and limits, or the one made before."""
        if key not in self._forecasts:
            self._forecasts[key] = compute()
            while len(self._forecasts) > self._most:
                self._forecasts.popitem(last=False)
        self._forecasts.move_to_end(key)
        return self._forecasts[key]


_CACHE = PoolCache()


def forecast_laps(view: CellView, *, cache: PoolCache = _CACHE) -> dict[str, LapForecast]:
    """Forecast every lap of the cell; see `forecast_lap`."""
    return {str(lap): forecast_lap(view, str(lap), cache=cache) for lap in view.laps["lap"]}


def forecast_lap(view: CellView, lap: str, *, cache: PoolCache = _CACHE) -> LapForecast:
    """Faces left on one lap under the tightest flatness limit of the part numbers it laps.

    Parameters
    ----------
    view : CellView
    lap : str
    cache : PoolCache
        Shared pooled fits.

    Returns
    -------
    LapForecast

    Notes
    -----
    First readings of finished faces against faces since reconditioning. Cycles pool within the lap's group (register),
    by default its material and grit. Seeds follow from the data, so that the same log always gives the same range.
    """
    own_signs = view.signs_of(lap)
    running = _running_rows(view, lap, own_signs)
    part, limit_um, limit_text = _leading_limit(view, running if len(running) else own_signs)
    past = _past_paths(view, lap)
    own = _path(f"{lap}, this cycle", running)
    key = (lap, part, limit_um, limit_text, len(running), _path_key(own), *(_path_key(p) for p in past))
    return cache.forecast(
        key, lambda: _forecast(lap, own_signs, running, part, limit_um, limit_text, cache.fit(past), own)
    )


def _forecast(
    lap: str, own_signs: pd.DataFrame, running: pd.DataFrame, part: str, limit_um: float, limit_text: str,
    pooled: PooledWear, own: WearPath,
) -> LapForecast:  # fmt: skip
    now = float(running["age_faces"].iloc[-1]) + 1.0 if len(running) else 0.0
    seed = _seed(lap, str(len(running)), str(running["face_id"].iloc[-1]) if len(running) else "")
    answer = time_to_limit(
        pooled, own, limit=limit_um, now=now, part=part, rng=np.random.default_rng(seed), crossing="path"
    )
    soon = time_to_limit(
        pooled, own, limit=limit_um, now=now, part=part, rng=np.random.default_rng(seed), crossing="next face"
    )
    band = None
    if not pooled.refused:
        longest = max(float(p.age[-1]) for p in pooled.past)
        usual = time_to_limit(
            pooled,
            _path("a usual cycle", own_signs.iloc[:0]),
            limit=limit_um if np.isfinite(limit_um) else 1e9,
            horizon=max(longest, now),
            part=part,
            rng=np.random.default_rng(_seed(lap, "usual")),
        )
        band = _fan(usual.fan)
    return LapForecast(
        lap=lap,
        part=part,
        limit_um=limit_um,
        limit_text=limit_text,
        faces_left=_faces_left(answer),
        next_face=_faces_left(soon),
        fan=_fan(answer.fan),
        band=band,
        borrowed=answer.borrowed,
        shape=answer.shape,
    )


def _running_rows(view: CellView, lap: str, own_signs: pd.DataFrame) -> pd.DataFrame:
    cycles = view.cycles[(view.cycles["lap"] == lap) & (view.cycles["ended"] == "running")]
    if cycles.empty:
        return own_signs.iloc[:0]
    rows: pd.DataFrame = own_signs[own_signs["cycle"] == cycles["cycle"].iloc[-1]].reset_index(drop=True)
    return rows


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


def _past_paths(view: CellView, lap: str) -> tuple[WearPath, ...]:
    group = str(view.lap_row(lap)["group"])
    sisters = [lap] if not group else view.laps[view.laps["group"] == group]["lap"].tolist()
    ended = view.cycles[view.cycles["lap"].isin(sisters) & (view.cycles["ended"] != "running")]
    ended = ended[ended["start_known"]].sort_values("end_us", kind="stable").iloc[-PAST_CYCLES:]
    paths = []
    cycle_of = {sister: view.signs_of(sister)["cycle"].to_numpy() for sister in set(ended["lap"])}
    for sister, cycle in zip(ended["lap"], ended["cycle"], strict=True):
        own = view.signs_of(sister).iloc[np.flatnonzero(cycle_of[sister] == cycle)]
        if own["first_low_um"].notna().sum() >= LEAST_FACES:
            paths.append(_path(f"{sister}, cycle {cycle}", own))
    return tuple(paths)


def _path_key(path: WearPath) -> tuple[object, ...]:
    return path.label, path.age.tobytes(), path.low.tobytes(), path.high.tobytes(), path.parts, path.limit


def _path(label: str, rows: pd.DataFrame) -> WearPath:
    return wear_path(
        label,
        rows["age_faces"].to_numpy(np.float64),
        rows["first_low_um"].to_numpy(np.float64),
        rows["first_high_um"].to_numpy(np.float64),
        parts=rows["part"].tolist(),
    )


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
