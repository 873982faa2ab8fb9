"""Faces left where no limit on a reading tells them: how long past cycles lasted until people found them worn."""

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

from spc.board.cell_view import CellView
from spc.board.kept import digest_of_values, kept
from spc.board.lap_forecast import LapForecast
from spc.board.lives import grits_counted, lives_under, running_grit, sisters_of
from spc.board.missing import first_doubts
from spc.board.room_history import RoomHistory
from spc.board.sign_paths import NO_READING, sign_paths
from spc.log.name_list import name_list
from spc.wear.life_by_sign import SignPath
from spc.wear.life_to_come import LifeToCome, life_to_come
from spc.wear.lifetime import cycle_lifetimes
from spc.wear.time_to_limit import range_words

__all__ = ["LifeLeft", "life_left", "told_by_lives"]

_KEPT = 200  # of what is left, on disk


@dataclass(frozen=True, slots=True)
class LifeLeft:
    """What is left of a running cycle by the lives of past ones, in faces; every pass on a face counts as one."""

    told: LifeToCome
    worn: int  # cycles that it rests on that wore out
    unsaid: int  # of these, reconditioned with no reason logged
    laps: tuple[str, ...]  # they are of
    sign: str  # of wear, which says how far this one has come: 'minutes'; '' = none does
    sign_words: str  # 'minutes per face'


def life_left(view: CellView, lap: str, room: RoomHistory) -> LifeLeft | None:
    """Tell how many faces are left of a running cycle by how long past ones lasted until they were found worn.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomHistory
        Its shifts are not asked after a reconditioning that nobody logged, and flatness it sets aside is no sign.

    Returns
    -------
    LifeLeft or None
        None where the start of its cycle is not known, where it is known to be worn already, or where too few past
        cycles of it and its sisters under this grit wore out (`spc.wear.life_to_come`).
    """
    laps = sisters_of(view, lap)
    doubts = first_doubts(view, lap, room)
    cycles = lives_under(view, laps, grits_counted(view, laps, running_grit(view, lap)), until=doubts)
    known = cycles["start_known"].to_numpy(bool)
    running = ((cycles["lap"] == lap) & (cycles["ended"] == "running")).to_numpy()
    own = cycles[running & known & np.isinf(cycles["high_faces"].to_numpy(np.float64))]
    if own.empty or (lap, int(own["cycle"].iloc[0])) in doubts:
        return None
    others, age = cycles[~running & known & (cycles["faces"] > 0).to_numpy()], float(own["faces"].iloc[0])
    lives, names = cycle_lifetimes(others), others["lap"].tolist()
    sign, words, paths = sign_paths(view, lap, laps, room)
    of_lives = zip(names, others["cycle"].tolist(), lives.high.tolist(), strict=True)
    past = [_up_to(paths.get((name, cycle), NO_READING), end) for name, cycle, end in of_lives]
    now = _up_to(paths.get((lap, int(own["cycle"].iloc[0])), NO_READING), age)
    read = [values for path in (*past, now) for values in (path.age, path.level)]
    asked = digest_of_values(lap, age, names, lives.low, lives.high, *read)

    def compute() -> LifeToCome | None:
        rng = np.random.default_rng(zlib.crc32(f"{lap}\x1f{age}".encode()))
        return life_to_come(lives.low, lives.high, names, lap=lap, age=age, signs=past, now=now, rng=rng)

    told = kept("life-left", asked, compute, place=lap, most=_KEPT)
    if told is None:
        return None
    worn = others[told.used & np.isfinite(others["high_faces"].to_numpy(np.float64))]
    unsaid = int((~worn["reason_given"].astype(bool) & ~worn["over_limit"]).sum())
    return LifeLeft(told, len(worn), unsaid, tuple(dict.fromkeys(worn["lap"])), sign if told.by_sign else "", words)


def _up_to(path: SignPath, age: float) -> SignPath:
    kept = path.age <= age
    return path if kept.all() else SignPath(path.age[kept], path.level[kept])


def told_by_lives(forecast: LapForecast, life: LifeLeft) -> LapForecast:
    """Tell the faces left of a lap by the lives of past cycles, where no limit on its readings can, and say why."""
    unread, told = forecast.faces_left, life.told
    high = max(told.high, 1.0)  # the cycle has not been found worn
    words = range_words(
        told.low, high, told.horizon, "passes" if unread.counted == "pass" else "faces", unread.crossing
    )
    went = f"as past cycles and their {life.sign} went" if life.sign else "as past cycles lasted"
    left = replace(
        unread,
        status="range",
        low=told.low,
        median=told.median,
        high=None if math.isinf(high) else high,
        horizon=told.horizon,
        sentence=f"{words}, {went}",
        past_cycles=life.worn,
        own_faces=0,
        part="",
        from_lives=True,
        lives_sign=life.sign,
    )
    unsaid = f" ({life.unsaid} of these with no reason logged)" if life.unsaid else ""
    rests = f"how long cycles of {name_list(life.laps)} lasted until {life.worn} of them were found worn{unsaid}"
    why = unread.sentence.removeprefix("cannot say: ")
    beside = f"how {life.sign_words} went in them and in this one" if life.sign else "no reading"
    return replace(forecast, faces_left=left, borrowed=f"it rests on {rests}, and on {beside}: {why}")
