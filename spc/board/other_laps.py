"""Faces that are lapped again on another lap: how many of their passes are logged on other laps before."""

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
import pandas as pd

from spc.board.lap_memo import LapMemo

__all__ = ["with_passes_elsewhere"]

_Name = tuple[str, str, str]  # part number, serial number, face
_Pass = tuple[int, int]  # moment as `sort_us`, attempt
_Further = tuple[tuple[int, _Name, _Pass], ...]  # place of each further pass among the rows of its lap


def with_passes_elsewhere(memo: LapMemo, as_read: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tell of every further pass how many passes of its face are logged on other laps before.

    Parameters
    ----------
    memo : LapMemo
        What is known from looks before.
    as_read : mapping of str to DataFrame
        Faces frames lap by lap, as the store holds them.

    Returns
    -------
    dict of str to DataFrame
        The same frames, with the column passes_elsewhere where a face came from another lap.

    Notes
    -----
    A face is known again by its part number, serial number and face; without a serial number it is not.
    """
    further = {lap: memo.once(lap, "further passes", (rows,), partial(_further, rows)) for lap, rows in as_read.items()}
    names = memo.same("", "lapped again", frozenset(name for own in further.values() for _, name, _ in own))
    if not names:
        return dict(as_read)
    passes = {
        lap: memo.once(lap, "passes of these", (rows, names), partial(_passes, rows, names))
        for lap, rows in as_read.items()
    }
    found = {}
    for lap, rows in as_read.items():
        others = [own for other, own in passes.items() if other != lap]
        told = ((place, _before(others, name, at)) for place, name, at in further[lap])
        elsewhere = memo.same(lap, "elsewhere", tuple((place, count) for place, count in told if count))
        found[lap] = memo.once(lap, "with elsewhere", (rows, elsewhere), partial(_with, rows, elsewhere))
    return found


def _further(rows: pd.DataFrame) -> _Further:
    again = (rows["attempt"] > 1) & (rows["kind"] == "face") & (rows["serial"] != "")
    return tuple(zip(np.flatnonzero(again.to_numpy()).tolist(), *_named(rows[again]), strict=True))


def _passes(rows: pd.DataFrame, names: frozenset[_Name]) -> dict[_Name, list[_Pass]]:
    """Give the passes of the faces named, oldest first."""
    own = rows[rows["serial"].isin({serial for _, serial, _ in names}) & (rows["kind"] == "face")]
    found: dict[_Name, list[_Pass]] = {}
    for name, at in zip(*_named(own), strict=True):
        if name in names:
            found.setdefault(name, []).append(at)
    return found


def _named(rows: pd.DataFrame) -> tuple[list[_Name], list[_Pass]]:
    name, at = ([rows[column].tolist() for column in of] for of in (("part", "serial", "face"), ("sort_us", "attempt")))
    return [*zip(*name, strict=True)], [*zip(*at, strict=True)]


def _before(others: Sequence[Mapping[_Name, Sequence[_Pass]]], name: _Name, at: _Pass) -> int:
    earlier = (one for own in others for one in own.get(name, ()) if one[0] <= at[0] and one[1] < at[1])
    return max((attempt for _, attempt in earlier), default=0)


def _with(rows: pd.DataFrame, elsewhere: Sequence[tuple[int, int]]) -> pd.DataFrame:
    if not elsewhere:
        return rows
    counts = np.zeros(len(rows), np.int64)
    place, count = zip(*elsewhere, strict=True)
    counts[list(place)] = count
    return rows.assign(passes_elsewhere=counts)
