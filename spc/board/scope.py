"""Whether what has moved follows one lap, one operator, one part number or the whole room."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.lap_memo import LapMemo
from spc.wear.sign_moves import RECENT_FACES, without_usual_wear

__all__ = ["SCOPED_SIGNS", "Scope", "find_scope"]

_LEAST_ELSEWHERE = 5  # faces of the same hands or part on other laps before they can speak; our own rule
_ALPHA = 0.02
_FAR = 2**62  # a lap without faces has no lately
_COLUMN = {
    "flatness": "first_high_um",
    "minutes": "minutes_ratio",
    "removal rate": "rate_ratio",
    "finish": "finish_ratio",
    "passes": "passes",
    "re-lap share": "passes",
}
SCOPED_SIGNS: tuple[str, ...] = tuple(_COLUMN)


@dataclass(frozen=True, slots=True)
class Scope:
    """What a move follows."""

    scope: str  # one of spc.board.cause_table.SCOPES, '' when it cannot be told
    sentence: str


class _Told(NamedTuple):
    """What the signs of one lap tell of one column, finished face by finished face."""

    sort_us: NDArray[np.int64]
    level: NDArray[np.float64]  # an open reading counts by its low end; flatness within part number
    age_faces: NDArray[np.float64]
    cycle: NDArray[np.int64]
    operator: NDArray[np.object_]
    part: NDArray[np.object_]


class _Leaning(NamedTuple):
    """Last faces of one lap, one after the other, with whether each leans the way asked."""

    lap: list[str]
    operator: list[str]
    part: list[str]
    lean: list[bool]


def find_scope(
    signs: Mapping[str, pd.DataFrame],
    lap: str,
    *,
    sign: str,
    direction: str,
    recent: int = RECENT_FACES,
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
    told within part number: laps that are old together have not moved together. Many laps: at least three laps and at
    least half of those that can be judged lean the same way. One operator or part number: their faces on other laps, in
    the same time, lean the same way too (sign test). One lap: those do not, or others on this lap see it as well. One
    person on one lap alone cannot be told from the lap.
    """
    if sign not in _COLUMN:
        raise ValueError(f"`sign` must be one of {', '.join(_COLUMN)}; got {sign!r}")
    if direction not in ("up", "down"):
        raise ValueError(f"`direction` must be 'up' or 'down', got {direction!r}")
    memo = LapMemo() if memo is None else memo
    own = signs[lap]["sort_us"].to_numpy(np.int64)[-recent:] if lap in signs else np.empty(0, np.int64)
    asked = memo.same(lap, f"scope of {sign} {direction}", (_COLUMN[sign], direction, int(own.min(initial=_FAR))))
    named = f"{sign} {direction} on {lap}"
    leaning = [
        memo.once(name, named, (rows, asked), partial(_leaning, rows, *asked, memo, name))
        for name, rows in signs.items()
    ]
    return memo.once(lap, f"what {sign} {direction} follows", leaning, partial(_follows, lap, leaning))


def _follows(lap: str, leaning: Sequence[_Leaning]) -> Scope:
    """Tell what a move follows from the last faces of every lap."""
    here = [face for told in leaning for face in zip(*told, strict=True) if face[0] == lap]
    elsewhere = [face for told in leaning for face in zip(*told, strict=True) if face[0] != lap]
    if len(here) < 3:
        return Scope("", "too few faces lately to tell what it follows")

    judged = [told for told in leaning if len(told.lean) >= 5]
    moved = [told.lap[0] for told in judged if _most(told.lean)]
    if len(moved) >= 3 and 2 * len(moved) >= len(judged):
        return Scope("many laps", f"{len(moved)} of {len(judged)} laps move the same way: {', '.join(moved)}")

    tested = 0
    for column, name in ((1, "one operator"), (2, "one part number")):
        shared = _mostly([str(face[column]) for face in here if face[3]])
        same = [face[3] for face in elsewhere if face[column] in shared and face[column] != ""]
        if len(same) < _LEAST_ELSEWHERE or len({face[column] for face in (*here, *elsewhere)}) < 2:
            continue  # what all faces share tells none of them apart
        tested += 1
        if _most(same):
            what = "the same hands" if column == 1 else "the same part number"
            return Scope(name, f"it shows with {what} on other laps too ({sum(same)} of {len(same)} faces)")
    if set(moved) - {lap}:
        return Scope("", "another lap moves the same way, and too few laps run to tell the room from the lap")
    hands = {operator: [face[3] for face in here if face[1] == operator] for _, operator, _, _ in here}
    if len(hands) >= 2 and all(sum(lean) > 0.5 * len(lean) for lean in hands.values()):
        return Scope("one lap", f"{len(hands)} people see it on {lap}, other laps do not")
    if tested:
        return Scope("one lap", f"the same hands or parts do not show it on other laps: it stays with {lap}")
    return Scope("", f"one set of hands on {lap} alone: not told apart until somebody else laps a face here")


def _told(rows: pd.DataFrame, column: str) -> _Told:
    level = rows[column].to_numpy(np.float64)
    part = rows["part"].to_numpy(object)
    if column == _COLUMN["flatness"]:
        level = np.where(np.isfinite(level), level, rows["first_low_um"].to_numpy(np.float64))
        level = level / pd.Series(level).groupby(part, sort=False).transform("median").to_numpy()
    age, cycle = rows["age_faces"].to_numpy(np.float64), rows["cycle"].to_numpy(np.int64)
    return _Told(rows["sort_us"].to_numpy(np.int64), level, age, cycle, rows["operator"].to_numpy(object), part)


def _leaning(rows: pd.DataFrame, column: str, direction: str, since: int, memo: LapMemo, lap: str) -> _Leaning:
    """Last faces of one lap since a moment, with whether each leans the way asked."""
    told = memo.once(lap, f"told of {column}", (rows,), partial(_told, rows, column))
    lately = told.sort_us >= since
    value = without_usual_wear(told.level, told.age_faces, told.cycle, int(np.count_nonzero(~lately)))[0]
    before = value[~lately & np.isfinite(value)]
    if before.size < 10:
        return _Leaning([], [], [], [])
    read, way = np.flatnonzero(np.isfinite(value) & lately), 1.0 if direction == "up" else -1.0
    lean = (way * (value[read] - float(np.median(before))) > 0).tolist()
    return _Leaning([lap] * read.size, told.operator[read].tolist(), told.part[read].tolist(), lean)


def _mostly(names: Sequence[str]) -> frozenset[str]:
    """Values that at least half of the leaning faces share."""
    return frozenset(name for name, count in Counter(names).items() if 2 * count >= len(names))


def _most(lean: Sequence[bool]) -> bool:
    """Whether more of them lean that way than chance would do, half and half."""
    from scipy.special import bdtrc

    count = sum(lean)
    return count > 0 and bool(bdtrc(count - 1, len(lean), 0.5) < _ALPHA)
