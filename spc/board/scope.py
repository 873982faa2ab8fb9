"""Whether what has moved follows one lap, one operator, one part number or the whole room."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.lap_memo import LapMemo
from spc.board.move_sources import LEAST_FACES, LapFaces, MoveSources, weigh_sources
from spc.board.room import FEWEST_LAPS, room_test
from spc.log.name_list import name_list
from spc.wear.sign_moves import RECENT_FACES

__all__ = [
    "OTHER_PART",
    "SCOPED_SIGNS",
    "SECOND_READER",
    "Scope",
    "faces_between",
    "find_scope",
    "join_scopes",
    "source_words",
    "telling_check",
    "times_words",
]

Array = NDArray[np.float64]

_FAR = 2**62  # a lap without faces has no lately
_STANDS_OUT = 1.645  # score that chance keeps 19 in 20 laps under
_LEAST_BEFORE = 10  # readings before, from which on a lap can be judged
_COLUMN = {
    "flatness": "first_high_um",
    "minutes": "minutes_ratio",
    "removal rate": "rate_ratio",
    "finish": "finish_ratio",
    "passes": "passes",
    "re-lap share": "passes",
}
SCOPED_SIGNS: tuple[str, ...] = tuple(_COLUMN)
_READ = ("flatness", "finish")  # signs that a second reader can read again
SECOND_READER = (
    "Let a second reader read one of these faces again, cool and wiped: it may be the reading, the gauge or the hand."
)
OTHER_PART = (
    "Read a face of another part number on this lap before it is touched: it may be the part or the stage before it."
)
_OF_ONE_SOURCE = {"one operator": SECOND_READER, "one part number": OTHER_PART}
# Smallest spread of the logarithm of a reading; of passes the most that one or two of them can have. Our own rule.
_LEAST_SD, _LEAST_PASSES_SD = 0.05, math.log(2.0) / 2
_LEAST_BETWEEN = 0.25  # of the spread within cycles: what is usual is itself known no better; our own rule


@dataclass(frozen=True, slots=True)
class Scope:
    """What a move follows."""

    scope: str  # one of spc.board.cause_table.SCOPES, '' when it cannot be told
    sentence: str
    among: tuple[str, ...] = ()  # what the readings cannot tell apart; `scope` alone where it can be told
    check: str = ""  # what tells those apart, or what comes first where it follows one of them


class _Told(NamedTuple):
    """What the signs of one lap tell of one column, finished face by finished face."""

    sort_us: NDArray[np.int64]
    level: Array  # an open reading counts by its low end; flatness within part number
    age_faces: Array
    cycle: NDArray[np.int64]
    operator: NDArray[np.object_]
    part: NDArray[np.object_]


def find_scope(
    signs: Mapping[str, pd.DataFrame],
    lap: str,
    *,
    sign: str,
    direction: str,
    recent: int = RECENT_FACES,
    room_alpha: float | None = 0.005,
    memo: LapMemo | None = None,
) -> Scope:
    """Tell what one moved sign of one lap follows.

    Parameters
    ----------
    signs : mapping of str to DataFrame
        Rows from `spc.wear.signs.face_signs`, lap by lap, oldest first.
    lap : str
        The lap whose sign moved.
    sign : str
        One of 'flatness', 'minutes', 'removal rate', 'finish', 'passes', 're-lap share'.
    direction : {'up', 'down'}
        Which way.
    recent : int, default `spc.wear.sign_moves.RECENT_FACES`
        How many last faces of a lap count as lately.
    room_alpha : float or None, default 0.005
        Level at which `spc.board.room.room_test` must call the room before it is said alone; None = that test has been
        made of this sign, shift by shift, and does not call the room.
    memo : LapMemo, optional
        Where what was taken from the frames of each lap is remembered.

    Returns
    -------
    Scope

    Raises
    ------
    ValueError
        If `sign` or `direction` is unknown.

    Notes
    -----
    Every face lately is put against the median of its own lap before, the usual wear of that lap taken out and flatness
    told within part number: laps that are old together have not moved together. `weigh_sources` then weighs what the
    faces of all laps carry. A source is told alone only where the faces exclude the others; where they do not, the
    sentence says which they cannot tell apart and what would. The room besides only where the laps together pass the
    test that a shift is put to.
    """
    if sign not in _COLUMN:
        raise ValueError(f"`sign` must be one of {', '.join(_COLUMN)}; got {sign!r}")
    if direction not in ("up", "down"):
        raise ValueError(f"`direction` must be 'up' or 'down', got {direction!r}")
    memo = LapMemo() if memo is None else memo
    own = signs[lap]["sort_us"].to_numpy(np.int64)[-recent:] if lap in signs else np.empty(0, np.int64)
    asked = memo.same(lap, f"scope of {sign} {direction}", (sign, direction, int(own.min(initial=_FAR)), _FAR))
    named = f"{sign} {direction} on {lap}"
    lately = [
        memo.once(name, named, (rows, asked), partial(faces_between, rows, name, *asked, memo))
        for name, rows in signs.items()
    ]
    level = memo.same("", "level of the room test", room_alpha)
    follows = partial(_follows, lap, lately, sign, direction, room_alpha)
    return memo.once(lap, f"what {sign} {direction} follows", (*lately, level), follows)


def faces_between(
    rows: pd.DataFrame, lap: str, sign: str, direction: str, since_us: int, until_us: int, memo: LapMemo
) -> LapFaces:
    """Faces of one lap in a stretch of time, against what was usual for the lap before it.

    Parameters
    ----------
    rows : DataFrame
        From `spc.wear.signs.face_signs`, of this lap, oldest first.
    lap, sign, direction : str
        As in `find_scope`.
    since_us, until_us : int
        From, and up to but without, a moment as in `sort_us`.
    memo : LapMemo

    Returns
    -------
    LapFaces
        Without faces where fewer than ten readings came before.
    """
    column = _COLUMN[sign]
    told = memo.once(lap, f"told of {column}", (rows,), partial(_told, rows, column))
    before = told.sort_us < since_us
    value = _without_usual_wear(told.level, told.age_faces, told.cycle, int(np.count_nonzero(before)))
    usual = np.isfinite(value) & before
    if np.count_nonzero(usual) < _LEAST_BEFORE:
        nothing = np.empty(0, dtype=object)
        return LapFaces(lap, np.empty(0, np.int64), np.empty(0), nothing, nothing, 1.0, 0.0)
    now = np.isfinite(value) & ~before & (told.sort_us < until_us)
    way = 1.0 if direction == "up" else -1.0
    within, between = _spreads(value[usual], told.cycle[usual])
    within = max(within, _LEAST_PASSES_SD if column == "passes" else _LEAST_SD)
    over = way * (value[now] - float(np.median(value[usual])))
    return LapFaces(lap, told.sort_us[now], over, told.operator[now], told.part[now], within, between)


def _without_usual_wear(level: Array, age: Array, cycle: NDArray[np.int64], split: int) -> Array:
    """Log levels, (n,), without the slope that the cycles of the first `split` share, where it is over twice its error.

    Two cycles must tell of it; it is held from the oldest age known on.
    """
    y = np.log(np.where(level > 0, level, np.nan))
    known = np.flatnonzero(np.isfinite(y[:split]))
    of_cycle, count = np.unique(cycle[known], return_counts=True)
    if np.sum(count >= 4) < 2:
        return y
    place = np.searchsorted(of_cycle, cycle[known])
    t = age[known] - (np.bincount(place, age[known]) / count)[place]
    v = y[known] - (np.bincount(place, y[known]) / count)[place]
    spread, free = float(t @ t), known.size - of_cycle.size - 1
    if spread == 0 or free < 5:
        return y
    slope = float(t @ v) / spread
    error = math.sqrt(max(float(v @ v) - slope**2 * spread, 0.0) / free / spread)
    return y - slope * np.minimum(age, age[known].max()) if abs(slope) > 2 * error else y


def join_scopes(among: Sequence[str]) -> str:
    """Put the sources that cannot be told apart into one scope: 'one lap or one operator'."""
    return " or ".join(among)


def telling_check(among: Sequence[str], *, sign: str = "flatness") -> str:
    """Give the check that tells sources apart that the readings cannot; '' where there is nothing to tell apart."""
    if len(among) < 2:
        return ""
    if "one operator" in among:
        again = "read one of these faces again, cool and wiped, then " if sign in _READ else ""
        return f"Have somebody else {again}lap the next one here."
    if "one part number" in among:
        return "Lap a face of another part number here."
    return "Lap and read a check piece on another lap."


def source_words(found: MoveSources, source: str = "") -> str:
    """Say what a move sits with, its likeliest source where none is given; a part number by name, people never."""
    source = source or found.likeliest
    return f"part number {found.names[source]}" if source == "one part number" else source


def times_words(times: float) -> str:
    """'as usual', or '2.1 times the usual'."""
    return "as usual" if 0.95 <= times < 1.05 else f"{times:.2g} times the usual"


def _follows(lap: str, lately: Sequence[LapFaces], sign: str, direction: str, room_alpha: float | None) -> Scope:
    """Tell what a move follows from the last faces of every lap."""
    here = next((one for one in lately if one.lap == lap), None)
    if here is None or here.value.size < LEAST_FACES:
        return Scope("", "too few faces lately to tell what it follows")
    judged = [one for one in lately if one.value.size]
    found = weigh_sources(judged, lap=lap)
    if not found.among:
        return Scope("", "the last faces do not stand out of the usual scatter: they do not tell what it follows")
    moved = _room_moved(judged, room_alpha)
    among = ("one lap", "many laps") if found.among == ("many laps",) and lap not in moved else found.among
    if len(among) > 1:
        words = _not_told_apart(lap, here, judged, among, found)
        return Scope("", words, among, telling_check(among, sign=sign))
    (scope,) = among
    if scope == "many laps":
        words = f"{len(moved)} of {len(judged)} laps move the same way: {name_list(moved)}"
        return Scope(scope, words, among)
    check = _OF_ONE_SOURCE.get(scope, "") if sign in _READ else ""
    return Scope(scope, _alone(scope, lap, found, direction), among, check)


def _room_moved(judged: Sequence[LapFaces], alpha: float | None) -> tuple[str, ...]:
    """Laps that moved together the way asked; () where the test of the room does not call it."""
    test = room_test([_score(one) for one in judged], alpha=alpha) if alpha is not None else None
    if test is None or test.direction != "worse":  # the way asked is counted up
        return ()
    return tuple(one.lap for one, did in zip(judged, test.moved, strict=True) if did)


def _alone(scope: str, lap: str, found: MoveSources, direction: str) -> str:
    times, others = (value if direction == "up" else 1 / value for value in found.times[scope])
    if scope == "one lap":
        beside = f", those on other laps {times_words(others)}" if math.isfinite(others) else ""
        return f"it stays with {lap}: its last faces are {times_words(times)}{beside}"
    what = "operator" if scope == "one operator" else "part number"
    return (
        f"it follows {source_words(found)}: the faces of that {what} are {times_words(times)}, all others on the same "
        f"and on other laps {times_words(others)}"
    )


def _not_told_apart(
    lap: str, here: LapFaces, judged: Sequence[LapFaces], among: Sequence[str], found: MoveSources
) -> str:
    others_move = any(_score(one) > _STANDS_OUT for one in judged if one.lap != lap)
    if len(judged) < FEWEST_LAPS and "many laps" in among and others_move:
        return "another lap moves the same way, and too few laps run to tell the room from the lap"
    if "one operator" in among and len(set(here.operator.tolist())) == 1:
        return f"one set of hands on {lap} alone: not told apart until somebody else laps a face here"
    named = {"one lap": lap, "many laps": "the room"}
    words = [named.get(source, source_words(found, source)) for source in among]
    return f"the last faces cannot tell {', '.join(words[:-1])} and {words[-1]} apart"


def _score(one: LapFaces) -> float:
    """How far the last faces of a lap lie up, against chance and the way cycles differ; standard normal if nowhere."""
    return float(one.value.mean()) / math.hypot(one.within_sd / math.sqrt(one.value.size), one.between_sd)


def _spreads(value: Array, cycle: NDArray[np.int64]) -> tuple[float, float]:
    """Tell how far readings lie about their cycle, and cycles apart, as standard deviations."""
    _, place, count = np.unique(cycle, return_inverse=True, return_counts=True)
    mean = np.bincount(place, value) / count
    within = math.sqrt(float(np.sum((value - mean[place]) ** 2)) / max(value.size - count.size, 1))
    if count.size < 3:
        return within, within / 2  # our own rule
    between = math.sqrt(max(float(np.var(mean, ddof=1)) - within**2 * float(np.mean(1 / count)), 0.0))
    return within, max(between, _LEAST_BETWEEN * within)


def _told(rows: pd.DataFrame, column: str) -> _Told:
    level = rows[column].to_numpy(np.float64)
    part = rows["part"].to_numpy(object)
    if column == _COLUMN["flatness"]:
        level = np.where(np.isfinite(level), level, rows["first_low_um"].to_numpy(np.float64))
        level = level / pd.Series(level).groupby(part, sort=False).transform("median").to_numpy()
    age, cycle = rows["age_faces"].to_numpy(np.float64), rows["cycle"].to_numpy(np.int64)
    return _Told(rows["sort_us"].to_numpy(np.int64), level, age, cycle, rows["operator"].to_numpy(object), part)
