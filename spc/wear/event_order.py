"""Where each event of a lap falls among its faces: before the first, between two, after the last, or nowhere.

Time decides. At equal times the row order of a shared file decides; an event from another file is put before the
faces of that time, unless it takes the lap out of use, when it is put after them, and so is what its file says below
it. A face that is only read again lies between no two events. A retirement taken back before another face was lapped or
the lap was reconditioned is but a rest: the wear goes on where it was.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["EVENT_EFFECTS", "EventEffect", "EventOrder", "effective_events", "order_events"]


@dataclass(frozen=True, slots=True)
class EventEffect:
    """What one kind of event starts anew; all False = it resets nothing."""

    life: bool = False  # the lap is a new tool
    cycle: bool = False  # shape and cut are restored
    stream: bool = False  # readings before and after are never joined
    segment: bool = False  # a moving range must not bridge it
    charge: bool = False  # the cutting clock starts again
    closing: bool = False  # takes the lap out of use: falls after the faces of its own time


# Common practice in the trade, no published source: what resets shape, cut, both or neither.
EVENT_EFFECTS: dict[str, EventEffect] = {
    "charged": EventEffect(segment=True, charge=True),
    "recharged": EventEffect(segment=True, charge=True),
    "cleaned": EventEffect(),
    "grit changed": EventEffect(stream=True, segment=True, charge=True),
    "dressed": EventEffect(segment=True, charge=True),
    "reconditioned": EventEffect(cycle=True, segment=True, charge=True),
    "re-faced": EventEffect(life=True, cycle=True, segment=True, charge=True),
    "measured": EventEffect(),
    "ring moved": EventEffect(segment=True),
    "swapped": EventEffect(segment=True, closing=True),
    "returned": EventEffect(segment=True),
    "retired": EventEffect(life=True, cycle=True, segment=True, charge=True, closing=True),
}


@dataclass(frozen=True, slots=True)
class EventOrder:
    """Faces laid out lap by lap, and the place of every event among them."""

    order: NDArray[np.int64]  # rows of the faces frame, lap by lap, oldest first
    lap_code: NDArray[np.int64]  # lap of each ordered row
    laps: tuple[str, ...]  # name of each code
    block_start: NDArray[np.int64]  # first ordered row of each lap
    block_end: NDArray[np.int64]  # one past its last
    events: pd.DataFrame  # placed, in order; adds `lap_code`, `place` (ordered row of the next lapping; the lap's first
    # row where no lapping came before) and `effect` (the key of EVENT_EFFECTS that the event counts as)
    unplaced: pd.DataFrame  # events with no time and nothing to order them by, or of a lap without faces


def order_events(faces: pd.DataFrame, events: pd.DataFrame) -> EventOrder:
    """Lay faces out lap by lap and find the place of every event among them.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Columns lap, kind, sort_us, intake_id, row_number; sorted by (sort_us, intake_id, row_number).
    events : DataFrame, shape (n_events, ...)
        Columns event_id, lap, event, time_text, time_utc, sort_us, intake_id, row_number; any order; may be empty.

    Returns
    -------
    EventOrder

    Raises
    ------
    ValueError
        If an event kind is not one of `EVENT_EFFECTS`.
    """
    codes, names = pd.factorize(faces["lap"])
    order = np.argsort(codes.astype(np.min_scalar_type(len(names))), kind="stable").astype(np.int64)  # few bits: quick
    lap_code = np.repeat(np.arange(len(names)), np.bincount(codes, minlength=len(names)))
    sort_us = faces["sort_us"].to_numpy(np.int64)[order]
    edges = np.searchsorted(lap_code, np.arange(len(names) + 1))
    start, end = edges[:-1].astype(np.int64), edges[1:].astype(np.int64)
    laps = tuple(str(name) for name in names)
    if len(events) == 0:
        empty = events.assign(lap_code=np.empty(0, np.int64), place=np.empty(0, np.int64), effect=events["event"])
        return EventOrder(order, lap_code, laps, start, end, empty, events.iloc[:0])

    unknown = sorted(set(events["event"].unique()) - set(EVENT_EFFECTS))
    if unknown:
        raise ValueError(f"`events` must hold only events of {', '.join(EVENT_EFFECTS)}; got {', '.join(unknown)}")

    event_code = pd.Index(names).get_indexer(pd.Index(events["lap"])).astype(np.int64)
    timeless = (events["time_text"].to_numpy() == "") & events["time_utc"].isna().to_numpy()
    beside = _shares_file(faces, codes, events, event_code)
    placeable = (event_code >= 0) & (~timeless | beside)
    rows = np.flatnonzero(placeable)
    keys = (events[name].to_numpy(np.int64)[rows] for name in ("event_id", "row_number", "intake_id", "sort_us"))
    rows = rows[np.lexsort((*keys, event_code[rows]))]
    code_p, us_p = event_code[rows], events["sort_us"].to_numpy(np.int64)[rows]

    place = np.empty(rows.size, np.int64)
    cuts = np.searchsorted(code_p, np.arange(len(names) + 1))
    after = np.empty(rows.size, np.int64)
    for c in range(len(names)):  # one search per lap: laps are few, faces many
        block = slice(cuts[c], cuts[c + 1])
        within = sort_us[start[c] : end[c]]
        place[block] = start[c] + np.searchsorted(within, us_p[block], side="left")
        after[block] = start[c] + np.searchsorted(within, us_p[block], side="right")
    file, row = (faces[name].to_numpy() for name in ("intake_id", "row_number"))
    tied_events = np.flatnonzero(after > place)  # equal times only
    told = (events[name].take(rows[tied_events]).to_numpy() for name in ("intake_id", "row_number", "event"))
    above = (-1, 0, 0, 0)  # lap, time, file and place of the event before
    for e, event_file, event_row, event in zip(tied_events.tolist(), *told, strict=True):
        tied = order[place[e] : after[e]]
        same_file = file[tied] == event_file
        if same_file.any():
            earlier = same_file & (row[tied] < event_row)
            place[e] += int(np.flatnonzero(earlier)[-1]) + 1 if earlier.any() else 0
        elif EVENT_EFFECTS[event].closing:
            place[e] = after[e]
        if above[:3] == (code_p[e], us_p[e], event_file):
            place[e] = max(place[e], above[3])
        above = (code_p[e], us_p[e], event_file, place[e])
    place = _between_lappings(place, start[code_p], end[code_p], lambda at: faces["kind"].take(order[at]) == "face")
    in_order = np.lexsort((place, code_p))
    rows, code_p, place = rows[in_order], code_p[in_order], place[in_order]
    gap = list(zip(code_p.tolist(), place.tolist(), strict=True))
    placed = events.iloc[rows].reset_index(drop=True)
    effect = effective_events(placed["event"].tolist(), gap)
    placed = placed.assign(lap_code=code_p, place=place, effect=effect)
    return EventOrder(order, lap_code, laps, start, end, placed, events.loc[~placeable])


def effective_events(events: Sequence[str], gaps: Sequence[object]) -> list[str]:
    """Give the kind that each event counts as: a retirement taken back, with no face since, counts as a swap.

    Parameters
    ----------
    events : sequence of str
        Keys of `EVENT_EFFECTS`, lap by lap in order.
    gaps : sequence of object
        Where each falls: equal for two events of a lap with no face between them.

    Returns
    -------
    list of str
        A retirement after which the lap was reconditioned or re-faced before it came back stays one.
    """
    effects = list(events)
    back: object = None  # the gap in which a return takes back what stands before it
    for at in range(len(effects) - 1, -1, -1):
        if events[at] == "returned":
            back = gaps[at]
        elif events[at] == "retired" and back is not None and gaps[at] == back:
            effects[at] = "swapped"
        elif EVENT_EFFECTS[events[at]].cycle:
            back = None
    return effects


def _between_lappings(
    place: NDArray[np.int64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    laps: Callable[[NDArray[np.int64]], "pd.Series[bool]"],
) -> NDArray[np.int64]:
    """Move places on over repeat readings to the next lapping; `start`, where no lapping of the lap comes before.

    `laps` says of ordered rows whether they are lappings.
    """
    on, back = place.copy(), place.copy()
    left = np.flatnonzero(on < end)
    while (left := left[~laps(on[left]).to_numpy(bool)]).size:
        on[left] += 1
        left = left[on[left] < end[left]]
    left = np.flatnonzero(back > start)
    while (left := left[~laps(back[left] - 1).to_numpy(bool)]).size:
        back[left] -= 1
        left = left[back[left] > start[left]]
    return np.where(back == start, start, on)


def _shares_file(
    faces: pd.DataFrame, codes: NDArray[np.int64], events: pd.DataFrame, event_code: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether each event stands in a file that also carries faces of its lap, so that row order can place it."""
    face_keys = pd.unique(faces["intake_id"].to_numpy(np.int64) * (codes.max(initial=0) + 1) + codes)
    event_keys = events["intake_id"].to_numpy(np.int64) * (codes.max(initial=0) + 1) + event_code
    return (event_code >= 0) & np.isin(event_keys, face_keys)
