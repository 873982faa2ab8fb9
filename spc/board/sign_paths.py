"""The sign of wear that says how far a cycle has come where no limit on a reading does, cycle by cycle."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.lap_lead import lead_of
from spc.board.room_history import RoomHistory, RoomOfLap
from spc.measure.interval import middle_of
from spc.wear.lead_sign import lead_column
from spc.wear.life_by_sign import SignPath
from spc.wear.part_offsets import without_parts

__all__ = ["NO_READING", "sign_paths"]

Array = NDArray[np.float64]

NO_READING = SignPath(np.empty(0), np.empty(0))


def sign_paths(
    view: CellView, lap: str, laps: Sequence[str], room: RoomHistory
) -> tuple[str, str, Mapping[tuple[str, int], SignPath]]:
    """Tell the leading sign of a lap through its cycles and those of its sisters.

    Parameters
    ----------
    view : CellView
    lap : str
        Whose leading sign it is.
    laps : sequence of str
        It and its sisters.
    room : RoomHistory
        Flatness that it sets aside is left out.

    Returns
    -------
    sign : str
        'passes', 'minutes', 'removal rate' or 'flatness'; '' = none is logged that tells wear.
    words : str
        'minutes per face', 'first flatness'.
    mapping of (lap, cycle) to SignPath
        Of each cycle with a reading; part numbers and grits of all these laps are set apart.
    """
    lead = lead_of(view, lap)
    if lead.hides and lead.sign == "flatness":
        return "", "", MappingProxyType({})
    own, by_flatness = view.finished_of(lap), lead.sign == "flatness"
    column, words = ("", "first flatness") if by_flatness else lead_column(own, lead.sign)
    frames = [view.finished_of(name) for name in laps]
    rooms = [view.memo.same(name, "room", room.of(name)) for name in laps] if by_flatness else []

    def paths() -> Mapping[tuple[str, int], SignPath]:
        values = [_flatness(*pair) for pair in zip(frames, rooms, strict=True)] if by_flatness else None
        values = values or [signs[column].to_numpy(np.float64) for signs in frames]
        return _paths(frames, values)

    return lead.sign, words, view.memo.once("", f"{lead.sign} {column} of {laps[0]}", (*frames, *rooms), paths)


def _flatness(signs: pd.DataFrame, room: RoomOfLap) -> Array:
    """Middle of each first reading of flatness, NaN where the room sets it aside."""
    value = middle_of(signs["first_low_um"], signs["first_high_um"])
    return np.where(room.keeps(signs["sort_us"].to_numpy(np.int64), room.aside), value, np.nan)


def _paths(frames: Sequence[pd.DataFrame], values: Sequence[Array]) -> Mapping[tuple[str, int], SignPath]:
    told = [
        signs[["lap", "cycle", "part", "grit"]].assign(age=signs["age_faces"] + 1.0, value=value)
        for signs, value in zip(frames, values, strict=True)
    ]
    rows = pd.concat(told, ignore_index=True)
    rows = rows[(rows["value"] > 0) & np.isfinite(rows["value"])]
    cycle, part = (_codes(rows, names) for names in (["lap", "cycle"], ["part", "grit"]))
    age = rows["age"].to_numpy(np.float64)
    level = without_parts(np.log(rows["value"].to_numpy(np.float64)), age, cycle, part)
    begins = np.flatnonzero(np.diff(cycle, prepend=-1))
    names = zip(rows["lap"].to_numpy(object)[begins], rows["cycle"].to_numpy(np.int64)[begins], strict=True)
    read = zip(np.split(age, begins[1:]), np.split(level, begins[1:]), strict=True)
    return {
        (str(lap), int(number)): SignPath(*path) for (lap, number), path in zip(names, read, strict=False)
    }  # fmt: skip


def _codes(rows: pd.DataFrame, columns: list[str]) -> NDArray[np.intp]:
    """Give rows the same number where these columns are the same, in the order in which they come."""
    return np.asarray(rows.groupby(columns, sort=False, observed=True).ngroup(), dtype=np.intp)
