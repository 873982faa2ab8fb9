"""Event-aware clocks: which life, cycle, stream and segment each face of a lap belongs to, and how old the lap was.

How things are counted. Every row of kind 'face' is one lapping: each face of a part counts, each further attempt on the
same face counts, since all lapping wears the lap; a repeat reading never counts and carries the age of the face it
repeats. Minutes and micrometres removed are summed over the earlier lappings of the cycle; where some are missing the
known mean stands for them and the share missing is told. No clock looks ahead: a face logged later changes no earlier
age.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.event_order import EVENT_EFFECTS, EventOrder, order_events

__all__ = ["AGE_COLUMNS", "NIGHT_HOURS", "number_cycles", "removed_um"]

# A moving range does not bridge a stop longer than this; our own rule.
NIGHT_HOURS = 5.0

AGE_COLUMNS: dict[str, str] = {
    "life": "counts from 1 within the lap; a re-facing starts one",
    "cycle": "counts from 1 within the lap; a reconditioning or re-facing starts one",
    "stream": "counts from 1 within the lap; a change of grit starts one, logged as an event or seen on the faces",
    "segment": "counts from 1 within the lap; charge, dressing, ring, part change, long stop: no moving range across",
    "start_known": "False while the start of the cycle was never logged, so that ages are lower bounds",
    "age_faces": "lappings before this one since the cycle began",
    "age_minutes": "minutes of lapping before this one since the cycle began; NaN when none is known",
    "age_minutes_missing": "share of those lappings whose minutes are missing, 0 to 1",
    "age_removed_um": "stock removed before this one since the cycle began; NaN when none is known",
    "age_removed_missing": "share of those lappings whose stock removal is missing, 0 to 1",
    "faces_since_charge": "lappings before this one since the lap was last charged, dressed or reconditioned",
    "first_pass": "True for the first attempt on a face",
}

_REQUIRED = (
    "lap",
    "kind",
    "part",
    "serial",
    "face",
    "grit",
    "attempt",
    "minutes",
    "sort_us",
    "intake_id",
    "row_number",
)


def number_cycles(faces: pd.DataFrame, events: pd.DataFrame, *, layout: EventOrder | None = None) -> pd.DataFrame:
    """Add the clocks of wear to a faces frame.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Faces frame of one or many laps, sorted by (sort_us, intake_id, row_number).
    events : DataFrame, shape (n_events, ...)
        Events frame of the same laps, in any order; may be empty.
    layout : EventOrder, optional
        Result of `order_events` on both, where it is at hand.

    Returns
    -------
    DataFrame, shape (n_faces, ...)
        The same rows in the same order, with the columns of `AGE_COLUMNS` added.

    Raises
    ------
    ValueError
        If a column is missing or an event kind is unknown.

    Notes
    -----
    A lap whose first cycle has no logged start has `start_known` False there: its true age is at least the age told.
    Retiring a lap ends its life; faces logged after that start a new one, unless it was returned before them and nobody
    reconditioned it: then the same wear goes on.
    """
    missing = [c for c in _REQUIRED if c not in faces.columns]
    if missing:
        raise ValueError(f"`faces` must have the columns of a faces frame; missing: {', '.join(missing)}")
    n = len(faces)
    if n == 0:
        return faces.assign(**{name: np.empty(0) for name in AGE_COLUMNS})
    layout = order_events(faces, events) if layout is None else layout
    order, lap_code = layout.order, layout.lap_code
    first_of_lap = np.zeros(n, bool)
    first_of_lap[layout.block_start] = True
    is_face = (faces["kind"].to_numpy() == "face")[order]
    face_rows = np.flatnonzero(is_face)

    starts = {k: _marks(layout, k, n) for k in ("life", "cycle", "stream", "segment", "charge")}
    starts["stream"] |= _grit_changes(faces["grit"].to_numpy()[order], lap_code, face_rows, starts["stream"])
    start_logged = starts["cycle"].copy()
    starts["segment"] |= starts["stream"] | _local_breaks(faces, order, lap_code, face_rows)
    starts["charge"] |= starts["stream"]
    for mask in starts.values():
        mask |= first_of_lap

    run = {name: np.cumsum(mask) - 1 for name, mask in starts.items()}  # global run id of each ordered row
    columns: dict[str, NDArray[np.generic]] = {}
    for name in ("life", "cycle", "stream", "segment"):
        columns[name] = run[name] - run[name][layout.block_start][lap_code] + 1
    cycle_start = np.flatnonzero(starts["cycle"])[run["cycle"]]
    columns["start_known"] = start_logged[cycle_start]

    faces_before = _sum_before(is_face.astype(np.float64), layout)
    age_faces = faces_before - faces_before[cycle_start]
    columns["age_faces"] = age_faces
    for name, amounts in (("minutes", _minutes(faces)), ("removed_um", removed_um(faces))):
        known = is_face & np.isfinite(amounts[order])
        total, count = (
            _sum_before(each, layout) for each in (np.where(known, amounts[order], 0.0), known.astype(np.float64))
        )
        age, share = _filled_age(total - total[cycle_start], count - count[cycle_start], age_faces)
        columns[f"age_{name}"] = age
        columns[f"age_{name.removesuffix('_um')}_missing"] = share
    charge_start = np.flatnonzero(starts["charge"])[run["charge"]]
    columns["faces_since_charge"] = faces_before - faces_before[charge_start]

    source = _repeated_face(faces, order, lap_code, is_face)
    back = np.empty(n, np.int64)
    back[order] = np.arange(n)
    added = {name: column[source][back] for name, column in columns.items()}
    added["first_pass"] = (faces["attempt"].to_numpy() <= 1) & (faces["kind"].to_numpy() == "face")
    return faces.assign(**{name: added[name] for name in AGE_COLUMNS})


def removed_um(faces: pd.DataFrame) -> NDArray[np.float64]:
    """Stock removed at each row, micrometres: thickness before minus thickness, NaN when either is missing, open or 0.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Thickness columns may be absent, then all is NaN.

    Returns
    -------
    ndarray, shape (n_faces,)
        Middle of the two intervals; a part that grew gives a negative value, kept as it is. A thickness that may be
        nothing was not measured: a deviation, which may well be 0, lies on either side of it.
    """
    names = ("thickness_before_low_um", "thickness_before_high_um", "thickness_low_um", "thickness_high_um")
    if not set(names) <= set(faces.columns):
        return np.full(len(faces), np.nan)
    ends = (faces[name].to_numpy(np.float64) for name in names)
    before_low, before_high, low, high = (np.where(np.isfinite(end), end, np.nan) for end in ends)
    removed = (before_low + before_high) / 2 - (low + high) / 2
    return np.asarray(np.where((before_low == 0) | (low == 0), np.nan, removed), dtype=np.float64)


def _marks(layout: EventOrder, effect: str, n: int) -> NDArray[np.bool_]:
    """Ordered rows before which an event with the named effect falls."""
    mask = np.zeros(n, bool)
    events = layout.events
    if len(events):
        code, names = pd.factorize(events["effect"])
        has_effect = np.array([getattr(EVENT_EFFECTS[name], effect) for name in names], bool)[code]
        place = events["place"].to_numpy(np.int64)
        inside = place < layout.block_end[events["lap_code"].to_numpy(np.int64)]
        mask[place[has_effect & inside]] = True
    return mask


def _grit_changes(
    grit: NDArray[np.object_], lap_code: NDArray[np.int64], face_rows: NDArray[np.int64], logged: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Rows where the grit typed on the faces changes with no change of grit logged in between."""
    mask = np.zeros(len(grit), bool)
    known = face_rows[grit[face_rows] != ""]
    if known.size > 1:
        code = pd.factorize(grit[known])[0]
        upto = np.cumsum(logged)[known]
        same_lap = lap_code[known[1:]] == lap_code[known[:-1]]
        mask[known[1:]] = same_lap & (code[1:] != code[:-1]) & (upto[1:] == upto[:-1])
    return mask


def _local_breaks(
    faces: pd.DataFrame, order: NDArray[np.int64], lap_code: NDArray[np.int64], face_rows: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Rows where the part number changes or the lap stood longer than `NIGHT_HOURS`."""
    mask = np.zeros(len(order), bool)
    if face_rows.size > 1:
        part = pd.factorize(faces["part"])[0][order][face_rows]
        us = faces["sort_us"].to_numpy(np.int64)[order][face_rows]
        stood = np.diff(us) > NIGHT_HOURS * 3.6e9
        same_lap = np.diff(lap_code[face_rows]) == 0
        mask[face_rows[1:]] = same_lap & ((np.diff(part) != 0) | stood)
    return mask


def _minutes(faces: pd.DataFrame) -> NDArray[np.float64]:
    minutes = faces["minutes"].to_numpy(np.float64)
    return np.where(minutes > 0, minutes, np.nan)  # nothing is lapped in no time: zero is missing


def _sum_before(amounts: NDArray[np.float64], layout: EventOrder) -> NDArray[np.float64]:
    """Sum of all earlier rows of the lap, the row itself left out; to the last bit the same whatever other laps did."""
    total = np.zeros(amounts.size)
    for begin, end in zip(layout.block_start.tolist(), layout.block_end.tolist(), strict=True):
        np.cumsum(amounts[begin : end - 1], out=total[begin + 1 : end])
    return total


def _filled_age(
    total: NDArray[np.float64], known: NDArray[np.float64], lappings: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Age with the known mean standing for what is missing, and the share missing."""
    some = known > 0
    mean = np.divide(total, known, out=np.full(total.shape, np.nan), where=some)
    age = np.where(lappings == 0, 0.0, mean * lappings)
    share = np.divide(lappings - known, lappings, out=np.zeros(total.shape), where=lappings > 0)
    return age, share


def _repeated_face(
    faces: pd.DataFrame, order: NDArray[np.int64], lap_code: NDArray[np.int64], is_face: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Ordered row whose clocks each row carries: itself, or for a repeat the last lapping of the same face."""
    source = np.arange(len(order))
    repeats = np.flatnonzero(~is_face)
    if repeats.size == 0:
        return source
    last_face = np.maximum.accumulate(np.where(is_face, source, -1))  # fall back: the lapping just before
    fallback = last_face[repeats]
    usable = (fallback >= 0) & (lap_code[np.maximum(fallback, 0)] == lap_code[repeats])
    key = lap_code  # of the lap and the face that a row names
    for name in ("part", "serial", "face"):
        code, names = pd.factorize(faces[name])
        key = pd.factorize(key * len(names) + code[order])[0].astype(np.int64)
    repeated = np.zeros(key.max() + 1, bool)
    repeated[key[repeats]] = True
    involved = np.flatnonzero(repeated[key])
    by_key = involved[np.argsort(key[involved], kind="stable")]
    latest = np.maximum.accumulate(np.where(is_face[by_key], np.arange(by_key.size), -1))
    begin = np.searchsorted(key[by_key], key[by_key])
    matched = np.full(len(order), -1)
    matched[by_key] = np.where(latest >= begin, by_key[latest], -1)
    named = ((faces["serial"] != "") | (faces["face"] != "")).to_numpy(bool)[order[repeats]]
    exact = (matched[repeats] >= 0) & named
    source[repeats] = np.where(exact, matched[repeats], np.where(usable, fallback, repeats))
    return source
