"""The frames of every lap: its rows with the clocks of wear, its events, its cycles and the signs of its faces.

Made together for the laps that have changed since the last look; of all others the same frames are handed out again.
Two things hang on other laps too: which readers give whole bands only, and what is usual for a part number.
"""

from collections.abc import Mapping, Sequence
from functools import cache, partial
from typing import Any, NamedTuple, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.data_health import heaping_readers, whole_band_counts, widen_readings
from spc.board.lap_memo import LapMemo
from spc.store.frames import EVENTS, FACES, frame
from spc.wear.cycle import number_cycles
from spc.wear.cycle_table import list_cycles
from spc.wear.event_order import order_events
from spc.wear.signs import RATIOS, against_usual, face_signs, finished_faces

__all__ = ["LapFrames", "frames_of_laps", "no_frames"]

_Group = tuple[str, str]  # part number and grit
_Known = tuple[NDArray[np.float64], ...]  # for each column of RATIOS, what was read of one group
_Numbered = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]  # faces, cycles, finished faces: of one lap's rows alone


class LapFrames(NamedTuple):
    """What is known of one lap."""

    faces: pd.DataFrame  # numbered faces frame, heaped readings widened, struck-out readings not measured
    events: pd.DataFrame
    cycles: pd.DataFrame  # from `list_cycles`
    signs: pd.DataFrame  # from `face_signs`, against the usual of all laps
    finished: pd.DataFrame  # the same rows from `finished_faces`: they hang on no other lap


class _ByGroup(NamedTuple):
    """The values of one lap whose usual is told, part number by part number with each grit."""

    groups: tuple[_Group, ...]
    of_row: NDArray[np.intp]  # place in `groups` of each finished face
    known: tuple[_Known, ...]  # of each group


def frames_of_laps(
    memo: LapMemo,
    as_read: Mapping[str, pd.DataFrame],
    events: Mapping[str, pd.DataFrame],
    struck_out: frozenset[int],
    *,
    together: pd.DataFrame | None = None,
) -> tuple[dict[str, LapFrames], pd.DataFrame | None]:
    """Give the frames of every lap.

    Parameters
    ----------
    memo : LapMemo
        What is known from looks before.
    as_read : mapping of str to DataFrame
        Faces frames lap by lap, as the store holds them.
    events : mapping of str to DataFrame
        Events of each of these laps.
    struck_out : frozenset of int
        Face ids whose flatness does not count; the same object as at the look before where nothing has changed.
    together : DataFrame, optional
        The very rows of `as_read`, one lap after the other, of which `as_read` holds slices: what is made stays
        together too, so that a whole log is held once.

    Returns
    -------
    tuple of (dict of str to LapFrames, DataFrame or None)
        Laps without rows have frames without rows. The faces frame of all laps where they were given together.
    """
    struck: dict[str, frozenset[int]] = {}
    counts: dict[str, dict[str, tuple[int, int]]] = {}
    for lap, rows in as_read.items():
        struck[lap] = memo.same(lap, "struck", _struck_of(memo, lap, rows, struck_out))
        counts[lap] = memo.once(
            lap, "whole bands", (rows, struck[lap]), partial(_whole_bands_of, rows, struck[lap])
        )  # fmt: skip
    heaping = heaping_readers(counts.values())
    widened = {lap: memo.same(lap, "widened", heaping & counts[lap].keys()) for lap in as_read}
    made_from = {lap: (rows, events[lap], struck[lap], widened[lap]) for lap, rows in as_read.items()}
    none = no_frames()
    numbered = {
        lap: memo.found(lap, "numbered", made_from[lap]) if len(rows) else (none.faces, none.cycles, none.finished)
        for lap, rows in as_read.items()
    }
    new = {lap: as_read[lap] for lap, found in numbered.items() if found is None}
    whole = None
    if new:
        made, whole = _numbered_laps(new, events, struck_out, heaping, together=together)
        for lap, frames in made.items():
            numbered[lap] = memo.keep(lap, "numbered", made_from[lap], frames)
    known = cast(dict[str, _Numbered], numbered)
    signs = _signs_of_laps(memo, {lap: finished for lap, (_, _, finished) in known.items()})
    found = {
        lap: LapFrames(faces, events[lap], cycles, signs[lap], finished)
        for lap, (faces, cycles, finished) in known.items()
    }
    return found, whole if together is not None else None


@cache
def no_frames() -> LapFrames:
    """Frames of a lap that has no rows."""
    faces, events = frame(FACES, []), frame(EVENTS, [])
    numbered = number_cycles(faces, events)
    return LapFrames(numbered, events, list_cycles(numbered, events), face_signs(numbered), finished_faces(numbered))


def _struck_of(memo: LapMemo, lap: str, rows: pd.DataFrame, struck_out: frozenset[int]) -> frozenset[int]:
    if not struck_out:
        return struck_out
    return memo.once(
        lap, "struck out", (rows, struck_out), lambda: struck_out.intersection(rows["face_id"].tolist())
    )  # fmt: skip


def _whole_bands_of(rows: pd.DataFrame, struck_out: frozenset[int]) -> dict[str, tuple[int, int]]:
    return whole_band_counts(_without(rows, struck_out))


def _without(faces: pd.DataFrame, struck_out: frozenset[int]) -> pd.DataFrame:
    """Take the flatness of struck-out readings as not measured; the text as typed stays."""
    if not struck_out:
        return faces
    gone = faces["face_id"].isin(struck_out)
    return faces.assign(
        flatness_low_um=faces["flatness_low_um"].mask(gone), flatness_high_um=faces["flatness_high_um"].mask(gone)
    )


def _numbered_laps(
    as_read: Mapping[str, pd.DataFrame],
    events: Mapping[str, pd.DataFrame],
    struck_out: frozenset[int],
    heaping: frozenset[str],
    *,
    together: pd.DataFrame | None,
) -> tuple[dict[str, _Numbered], pd.DataFrame]:
    """Count the clocks of some laps in one go; the faces frame of them all besides."""
    faces = pd.concat(as_read.values(), ignore_index=True) if together is None else together
    told = pd.concat([events[lap] for lap in as_read], ignore_index=True)
    counted = widen_readings(_without(faces, struck_out), heaping)
    layout = order_events(counted, told)
    numbered = number_cycles(counted, told, layout=layout)
    cycles, finished = list_cycles(numbered, told, layout=layout), finished_faces(numbered)
    of_cycle, of_sign = (each.groupby("lap", sort=False).indices for each in (cycles, finished))
    ends = np.cumsum([0, *(len(rows) for rows in as_read.values())]).tolist()
    made = {}
    for at, lap in enumerate(as_read):
        rows = numbered.iloc[slice(*ends[at : at + 2])].reset_index(drop=True)
        made[lap] = (
            rows if together is not None else rows.copy(),  # a slice would hold the frame of all
            cycles.iloc[of_cycle.get(lap, [])].reset_index(drop=True),
            finished.iloc[of_sign.get(lap, [])].reset_index(drop=True),
        )
    return made, numbered


def _signs_of_laps(memo: LapMemo, finished: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Put the finished faces of every lap against what is usual on all of them."""
    by_group = {lap: memo.once(lap, "by group", (rows,), partial(_by_group, rows)) for lap, rows in finished.items()}
    sharing: dict[_Group, list[_Known]] = {}
    for own in by_group.values():
        for group, known in zip(own.groups, own.known, strict=True):
            sharing.setdefault(group, []).append(known)
    usual = {
        group: memo.once("", f"usual of {group}", known, partial(_middles, known)) for group, known in sharing.items()
    }
    signs = {}
    for lap, rows in finished.items():
        middles = memo.same(lap, "usual", tuple(usual[group] for group in by_group[lap].groups))
        signs[lap] = memo.once(lap, "signs", (rows, middles), partial(_against, rows, by_group[lap].of_row, middles))
    return signs


def _by_group(finished: pd.DataFrame) -> _ByGroup:
    groups: dict[Any, Any] = finished.groupby(["part", "grit"], sort=False).indices
    of_row = np.empty(len(finished), dtype=np.intp)
    read = {name: finished[name].to_numpy(np.float64) for name in RATIOS}
    known = []
    for place, rows in enumerate(groups.values()):
        of_row[rows] = place
        known.append(tuple(values[rows][~np.isnan(values[rows])] for values in read.values()))
    return _ByGroup(tuple(groups), of_row, tuple(known))


def _middles(known: Sequence[_Known]) -> tuple[float, ...]:
    """Median of each column of RATIOS over all laps that share a group; 0 where nothing was read."""
    columns = (np.concatenate(column) for column in zip(*known, strict=True))
    return tuple(float(np.median(values)) if values.size else 0.0 for values in columns)


def _against(finished: pd.DataFrame, of_row: NDArray[np.intp], middles: tuple[tuple[float, ...], ...]) -> pd.DataFrame:
    table = np.array(middles, dtype=np.float64).reshape(-1, len(RATIOS))
    return against_usual(finished, {name: table[of_row, at] for at, name in enumerate(RATIOS)})
