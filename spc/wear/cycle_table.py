"""One row per cycle of a lap: when it began and ended, how it ended, and how many faces it gave."""

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.cycle import removed_um
from spc.wear.event_order import EVENT_EFFECTS, EventOrder, order_events

__all__ = ["ENDINGS", "list_cycles", "no_face_yet"]

ENDINGS: dict[str, str] = {
    "due": "worn: the event of wear was seen",
    "found late": "worn, but seen only some faces afterwards",
    "planned": "taken off by plan, still good",
    "damaged": "taken off for damage or contamination, not for wear",
    "retired": "taken out of use",
    "running": "still in use",
}

_COLUMNS = (
    "lap cycle life grit start_known start_event start_us start_text after_um after_shape end_event end_us end_text "
    "before_um ended reason reason_given resting faces first_passes minutes minutes_missing removed_um removed_missing "
    "good_faces low_faces high_faces first_face_id last_face_id first_us last_us first_text last_text"
).split()
_YES_OR_NO = ("start_known", "reason_given", "resting")


def list_cycles(numbered: pd.DataFrame, events: pd.DataFrame, *, layout: EventOrder | None = None) -> pd.DataFrame:
    """List the cycles of every lap.

    Parameters
    ----------
    numbered : DataFrame, shape (n_faces, ...)
        Result of `spc.wear.cycle.number_cycles`.
    events : DataFrame, shape (n_events, ...)
        The same events frame.
    layout : EventOrder, optional
        Result of `order_events` on both, where it is at hand.

    Returns
    -------
    DataFrame, shape (n_cycles, 33)
        Sorted by lap (in order of appearance) and cycle. `ended` is a key of `ENDINGS`. `good_faces` is the age at the
        last face known good before the finding. In lappings since the cycle began, wear became due within
        (`low_faces`, `high_faces`]: both equal when it was seen, high infinite when it had not come yet. A lap
        reconditioned and not used since has a running cycle of no faces. Times are microseconds and as typed.

    Notes
    -----
    An ending whose reason was not logged counts as worn, with `reason_given` False. A swap with a reason lends it to
    the reconditioning that follows. A lap swapped out as worn and not yet reconditioned has ended 'due'.
    """
    layout = order_events(numbered, events) if layout is None else layout
    amounts = _Amounts(numbered, layout.order)
    placed = layout.events
    columns = [placed[name].to_numpy().tolist() for name in _USED_OF_EVENTS if name in placed]
    records = [dict(zip(_USED_OF_EVENTS, row, strict=True)) for row in zip(*columns, strict=True)]
    cuts = np.searchsorted(placed["lap_code"].to_numpy(np.int64), np.arange(len(layout.laps) + 1))
    rows: list[dict[str, Any]] = []
    for c, lap in enumerate(layout.laps):
        of_lap = records[int(cuts[c]) : int(cuts[c + 1])]
        rows += _cycles_of_lap(lap, of_lap, int(layout.block_start[c]), int(layout.block_end[c]), amounts)
    return pd.DataFrame(rows, columns=_COLUMNS).astype(dict.fromkeys(_YES_OR_NO, bool))  # so with no rows too


def no_face_yet(cycles: pd.DataFrame) -> bool:
    """Whether a lap was reconditioned or re-faced after its last face.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of one lap from `list_cycles`, oldest first.
    """
    return len(cycles) > 0 and cycles["ended"].iloc[-1] == "running" and int(cycles["faces"].iloc[-1]) == 0


def _cycles_of_lap(lap: str, events: list[dict[str, Any]], begin: int, end: int, a: "_Amounts") -> list[dict[str, Any]]:
    starters: dict[int, list[int]] = {}
    for i, event in enumerate(events):
        if EVENT_EFFECTS[event["event"]].cycle:
            starters.setdefault(int(event["place"]), []).append(i)
    bounds = sorted({begin, *starters})
    rows: list[dict[str, Any]] = []
    life = 0
    for number, at in enumerate(bounds, start=1):
        last = number == len(bounds)
        opener = starters[at][-1] if at in starters else None
        closer = None if last else starters[bounds[number]][0]
        if opener is not None and at == end and events[opener]["event"] == "retired":
            break  # retired and never used again: nothing to list
        inside = events[0 if opener is None else opener + 1 : closer]
        new_life = not rows or any(EVENT_EFFECTS[events[i]["event"]].life for i in starters.get(at, []))
        life += int(new_life)
        opened = None if opener is None or events[opener]["event"] == "retired" else events[opener]
        closing = None if closer is None else events[closer]
        row = _row(at, end if last else bounds[number], opened, closing, inside, a)
        rows.append({"lap": lap, "cycle": number, "life": life, **row})
    return rows


def _row(
    at: int,
    until: int,
    opened: dict[str, Any] | None,
    closing: dict[str, Any] | None,
    inside: list[dict[str, Any]],
    a: "_Amounts",
) -> dict[str, Any]:
    lappings = np.flatnonzero(a.is_face[at:until]) + at
    faces = lappings.size
    out = [e for e in inside if e["event"] in ("swapped", "returned") and int(e["place"]) == until]
    off = out[-1] if out and out[-1]["event"] == "swapped" else None
    end = closing
    if closing is None and off is not None and off["reason"] == "worn":
        end = off
    reason = "" if end is None else end["reason"] or (off["reason"] if off is not None else "")
    planned = None if end is None else end["planned"] if end["planned"] is not None else (off or end)["planned"]
    ended = _how_it_ended(end, reason, planned, off)
    good = _last_good(a, lappings) if ended == "found late" else faces
    minutes, minutes_missing = _total(a.minutes[lappings])
    removed, removed_missing = _total(a.removed[lappings])
    return {
        "grit": next((g for g in a.grit[lappings[::-1]] if g), ""),
        "start_known": opened is not None,
        "start_event": opened["event"] if opened else "",
        "start_us": int(opened["sort_us"]) if opened else (int(a.us[lappings[0]]) if faces else 0),
        "start_text": opened["time_text"] if opened else "",
        "after_um": float(opened["after_um"]) if opened else math.nan,
        "after_shape": opened["shape"] if opened else "",
        "end_event": end["event"] if end else "",
        "end_us": int(end["sort_us"]) if end else 0,
        "end_text": end["time_text"] if end else "",
        "before_um": float(end["before_um"]) if end else math.nan,
        "ended": ended,
        "reason": reason,
        "reason_given": bool(reason) or planned is not None or ended in ("running", "retired", "found late"),
        "resting": closing is None and off is not None,
        "faces": faces,
        "first_passes": int(np.sum(a.attempt[lappings] <= 1)),
        "minutes": minutes,
        "minutes_missing": minutes_missing,
        "removed_um": removed,
        "removed_missing": removed_missing,
        "good_faces": good,
        "low_faces": float(good if ended == "found late" else faces),
        "high_faces": float(faces) if ended in ("due", "found late") else math.inf,
        "first_face_id": int(a.face_id[lappings[0]]) if faces else -1,
        "last_face_id": int(a.face_id[lappings[-1]]) if faces else -1,
        "first_us": int(a.us[lappings[0]]) if faces else 0,
        "last_us": int(a.us[lappings[-1]]) if faces else 0,
        "first_text": a.text[lappings[0]] if faces else "",
        "last_text": a.text[lappings[-1]] if faces else "",
    }


def _how_it_ended(end: dict[str, Any] | None, reason: str, planned: object, off: dict[str, Any] | None) -> str:
    if end is None:
        return "running"
    if end["found_late"] or (off is not None and off["found_late"]):
        return "found late"
    if reason in ("damaged", "contamination"):
        return "damaged"
    if reason == "worn":
        return "retired" if end["event"] == "retired" else "due"
    if reason in ("planned", "routine") or planned is True:
        return "planned"
    return "retired" if end["event"] == "retired" else "due"


def _last_good(a: "_Amounts", lappings: NDArray[np.int64]) -> int:
    """Lappings up to the last face that was measured and passed, the last face itself left out."""
    passed = a.measured[lappings] & ~np.isin(a.outcome[lappings], ("re-lap", "regrind", "scrap"))
    good = np.flatnonzero(passed[:-1])
    return int(good[-1]) + 1 if good.size else 0


def _total(amounts: NDArray[np.float64]) -> tuple[float, float]:
    """Total with the known mean standing for what is missing, and the share missing."""
    if amounts.size == 0:
        return 0.0, 0.0
    known = np.isfinite(amounts)
    if not known.any():
        return math.nan, 1.0
    return float(amounts[known].mean() * amounts.size), float(1 - known.mean())


class _Amounts:
    """The columns of the faces frame a cycle is summed from, lap by lap in order."""

    def __init__(self, numbered: pd.DataFrame, order: NDArray[np.int64]) -> None:
        column = {name: numbered[name].to_numpy()[order] for name in _USED}
        self.is_face = column["kind"] == "face"
        self.attempt, self.us = column["attempt"], column["sort_us"]
        self.face_id, self.text, self.grit, self.outcome = (
            column[name] for name in ("face_id", "time_text", "grit", "outcome")
        )
        self.minutes = np.where(column["minutes"] > 0, column["minutes"], np.nan)
        self.measured = np.isfinite(column["flatness_low_um"])
        self.removed = removed_um(numbered)[order]


_USED_OF_EVENTS = ("event sort_us time_text reason planned found_late shape before_um after_um place").split()
_USED = "kind attempt sort_us face_id time_text grit outcome minutes flatness_low_um".split()
