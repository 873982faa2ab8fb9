"""Whether what has moved follows one lap, one operator, one part number or the whole room."""

from collections.abc import Mapping
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
    way = 1.0 if direction == "up" else -1.0
    lately = _leaning(signs, _COLUMN[sign], recent, way, lap, LapMemo() if memo is None else memo)
    here, elsewhere = lately[lately["lap"] == lap], lately[lately["lap"] != lap]
    if len(here) < 3:
        return Scope("", "too few faces lately to tell what it follows")

    judged = [(name, rows["lean"].to_numpy(bool)) for name, rows in lately.groupby("lap", sort=False) if len(rows) >= 5]
    leaning = [str(name) for name, lean in judged if _most(lean)]
    if len(leaning) >= 3 and 2 * len(leaning) >= len(judged):
        return Scope("many laps", f"{len(leaning)} of {len(judged)} laps move the same way: {', '.join(leaning)}")

    tested = 0
    for column, name in (("operator", "one operator"), ("part", "one part number")):
        same = elsewhere[elsewhere[column].isin(_mostly(here, column)) & (elsewhere[column] != "")]
        if len(same) < _LEAST_ELSEWHERE:
            continue
        tested += 1
        if _most(same["lean"].to_numpy(bool)):
            what = "the same hands" if column == "operator" else "the same part number"
            return Scope(
                name, f"it shows with {what} on other laps too ({int(same['lean'].sum())} of {len(same)} faces)"
            )
    hands = here.groupby("operator")["lean"].mean()
    if len(hands) >= 2 and (hands > 0.5).all():
        return Scope("one lap", f"{len(hands)} people see it on {lap}, other laps do not")
    if tested:
        return Scope("one lap", f"the same hands or parts do not show it on other laps: it stays with {lap}")
    return Scope("", f"one set of hands on {lap} alone: not told apart until somebody else laps a face here")


class _Told(NamedTuple):
    """What the signs of one lap tell of one column, finished face by finished face."""

    sort_us: NDArray[np.int64]
    level: NDArray[np.float64]  # an open reading counts by its low end; flatness within part number
    age_faces: NDArray[np.float64]
    cycle: NDArray[np.int64]
    operator: NDArray[np.object_]
    part: NDArray[np.object_]


def _told(rows: pd.DataFrame, column: str) -> _Told:
    level = rows[column].to_numpy(np.float64)
    part = rows["part"].to_numpy(object)
    if column == _COLUMN["flatness"]:
        level = np.where(np.isfinite(level), level, rows["first_low_um"].to_numpy(np.float64))
        level = level / pd.Series(level).groupby(part, sort=False).transform("median").to_numpy()
    age, cycle = rows["age_faces"].to_numpy(np.float64), rows["cycle"].to_numpy(np.int64)
    return _Told(rows["sort_us"].to_numpy(np.int64), level, age, cycle, rows["operator"].to_numpy(object), part)


def _leaning(
    signs: Mapping[str, pd.DataFrame], column: str, recent: int, way: float, lap: str, memo: LapMemo
) -> pd.DataFrame:
    """Last faces of every lap, in the time of this lap's own last ones, with whether each leans the way asked."""
    own = signs[lap]["sort_us"] if lap in signs else pd.Series(dtype=np.int64)
    since = int(own.iloc[-recent:].min()) if len(own) else 0
    said: dict[str, list[object]] = {"lap": [], "operator": [], "part": [], "lean": []}
    for name, rows in signs.items():
        told = memo.once(name, f"told of {column}", (rows,), partial(_told, rows, column))
        lately = told.sort_us >= since
        value = without_usual_wear(told.level, told.age_faces, told.cycle, int(np.count_nonzero(~lately)))[0]
        before = value[~lately & np.isfinite(value)]
        if before.size < 10:
            continue
        usual, read = float(np.median(before)), np.flatnonzero(np.isfinite(value) & lately)
        said["lap"] += [name] * read.size
        said["operator"] += told.operator[read].tolist()
        said["part"] += told.part[read].tolist()
        said["lean"] += (way * (value[read] - usual) > 0).tolist()
    return pd.DataFrame(said)


def _mostly(here: pd.DataFrame, column: str) -> list[str]:
    """Values that most of the leaning faces share."""
    share = here.loc[here["lean"].astype(bool), column].value_counts(normalize=True)
    return [str(name) for name, part in share.items() if part >= 0.5]


def _most(lean: NDArray[np.bool_]) -> bool:
    """Whether more of them lean that way than chance would do, half and half."""
    from scipy.special import bdtrc

    count = int(lean.sum())
    return count > 0 and bool(bdtrc(count - 1, lean.size, 0.5) < _ALPHA)
