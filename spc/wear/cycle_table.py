"""One row per cycle of a lap: when it began and ended, how it ended, and how many faces it gave."""

import math
from dataclasses import dataclass
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
    "unsure": "another cycle may begin in it, not logged: known good up to there",
    "running": "still in use",
}

_COLUMNS = (
    "lap cycle life grit start_known start_event start_us start_text after_um after_shape end_event end_us end_text "
    "before_um ended reason reason_given said_too resting faces first_passes minutes minutes_missing removed_um "
    "removed_missing good_faces fewer_faces more_faces low_faces high_faces first_face_id last_face_id first_us "
    "last_us first_text last_text"
).split()
_YES_OR_NO = ("start_known", "reason_given", "resting")
_USED_OF_EVENTS = (
    "event effect sort_us time_text reason planned found_late shape before_um after_um place earliest latest"
).split()
_OF_EVENTS = (
    "start_known start_event start_us start_text after_um after_shape end_event end_us end_text before_um ended reason "
    "reason_given said_too resting"
).split()
_WORN = ("due", "found late")
_REASONS = ("worn", "planned", "routine", "damaged", "contamination")  # that say how a cycle ended

_Event = dict[str, Any]


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
    DataFrame, shape (n_cycles, 36)
        Sorted by lap (in order of appearance) and cycle. `ended` is a key of `ENDINGS`. `good_faces` is the age at the
        last face known good before the finding. In lappings since the cycle began, wear became due within
        (`low_faces`, `high_faces`]: both equal when it was seen, high infinite when it had not come yet. Where a date
        alone says on which day it began or ended, it may have up to `fewer_faces` less and `more_faces` more than
        `faces`, and the two lie as far apart. `grit` names all that its faces ran with, in order. A lap reconditioned
        and not used since has a running cycle of no faces. Times are microseconds and as typed.

    Notes
    -----
    An ending whose reason was not logged, or in words that are not known, counts as worn, with `reason_given` False. A
    swap with a reason lends it to the reconditioning that follows, whether or not the lap came back between. Of several
    reconditionings with no face between the first that says how the cycle ended counts, and `said_too` has what
    another says against it ('' = nothing). A lap swapped out as worn and not yet reconditioned has ended 'due'. A lap
    retired and returned, with no face and no reconditioning between, runs on in its cycle.
    """
    layout = order_events(numbered, events) if layout is None else layout
    cycles = _cycles(layout)
    told = [_told_by_events(cycle) for cycle in cycles]
    columns: dict[str, Any] = {name: [row[name] for row in told] for name in _OF_EVENTS}
    columns |= {name: [getattr(cycle, name) for cycle in cycles] for name in ("lap", "cycle", "life")}
    late, worn = (np.array([row["ended"] in kinds for row in told], bool) for kinds in (("found late",), _WORN))
    columns |= _told_by_faces(numbered, layout.order, cycles, late)
    columns["start_us"] = np.where(columns["start_known"], columns["start_us"], columns["first_us"])
    columns["low_faces"] = np.maximum(columns["good_faces"] - columns["fewer_faces"], 0).astype(np.float64)
    columns["high_faces"] = np.where(worn, columns["faces"] + columns["more_faces"], math.inf)
    columns |= {name: np.array(columns[name], bool) for name in _YES_OR_NO}  # so with no rows too
    return pd.DataFrame(columns, columns=_COLUMNS)


def no_face_yet(cycles: pd.DataFrame) -> bool:
    """Whether a lap was reconditioned or re-faced after its last face.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of one lap from `list_cycles`, oldest first.
    """
    return len(cycles) > 0 and cycles["ended"].iloc[-1] == "running" and int(cycles["faces"].iloc[-1]) == 0


@dataclass(frozen=True, slots=True)
class _Cycle:
    lap: str
    cycle: int
    life: int
    begin: int  # ordered row of its first reading
    end: int  # one past its last
    opened: _Event | None
    closing: tuple[_Event, ...]  # what ended it, and what was logged after that with no face between
    swaps: tuple[_Event, ...]  # since its last face, before what ended it
    lies_off: bool  # swapped out and not returned
    begins_within: tuple[int, int]  # ordered rows between which it may begin, and end
    ends_within: tuple[int, int]


def _cycles(layout: EventOrder) -> list[_Cycle]:
    placed = layout.events
    columns = [placed[name].to_numpy().tolist() for name in _USED_OF_EVENTS if name in placed]
    events = [dict(zip(_USED_OF_EVENTS, row, strict=True)) for row in zip(*columns, strict=True)]
    cuts = np.searchsorted(placed["lap_code"].to_numpy(np.int64), np.arange(len(layout.laps) + 1)).tolist()
    blocks = zip(layout.laps, cuts, cuts[1:], layout.block_start.tolist(), layout.block_end.tolist(), strict=False)
    return [cycle for lap, low, high, *rows in blocks for cycle in _cycles_of_lap(lap, events[low:high], *rows)]


def _cycles_of_lap(lap: str, events: list[_Event], begin: int, end: int) -> list[_Cycle]:
    starters: dict[int, list[int]] = {}
    for i, event in enumerate(events):
        if EVENT_EFFECTS[event["effect"]].cycle:
            starters.setdefault(event["place"], []).append(i)
    bounds = sorted({begin, *starters})
    cycles: list[_Cycle] = []
    life = 0
    for number, at in enumerate(bounds, start=1):
        last = number == len(bounds)
        opener = starters[at][-1] if at in starters else None
        closers = [] if last else starters[bounds[number]]
        if opener is not None and at == end and events[opener]["event"] == "retired":
            break  # retired and never used again: nothing to list
        until = end if last else bounds[number]
        inside = events[0 if opener is None else opener + 1 : closers[0] if closers else None]
        moved = [e for e in inside if e["effect"] in ("swapped", "returned") and e["place"] == until]
        swaps = tuple(e for e in moved if e["effect"] == "swapped")
        new_life = not cycles or any(EVENT_EFFECTS[events[i]["effect"]].life for i in starters.get(at, []))
        life += int(new_life)
        opened = None if opener is None or events[opener]["event"] == "retired" else events[opener]
        lies_off = bool(moved) and moved[-1]["effect"] == "swapped"
        spans = (_within(at, [events[i] for i in starters.get(at, [])]), _within(until, [events[i] for i in closers]))
        cycles.append(
            _Cycle(lap, number, life, at, until, opened, tuple(events[i] for i in closers), swaps, lies_off, *spans)
        )
    return cycles


def _within(at: int, events: list[_Event]) -> tuple[int, int]:
    """Ordered rows between which all of these events may fall that were put at one place; it alone without any."""
    return max([e["earliest"] for e in events], default=at), min([e["latest"] for e in events], default=at)


def _told_by_events(cycle: _Cycle) -> dict[str, Any]:
    opened, resting = cycle.opened, not cycle.closing and cycle.lies_off
    off_worn = cycle.swaps[-1:] if resting and cycle.swaps[-1]["reason"] == "worn" else ()
    closing = cycle.closing or off_worn
    end = closing[0] if closing else None
    own, later = (*closing[:1], *reversed(cycle.swaps)), [e for e in closing[1:] if _says_how(e)]
    told = own if any(_says_how(e) for e in own) or not later else tuple(later[:1])
    reasons = sorted((e["reason"] for e in told if e["reason"]), key=lambda reason: reason not in _REASONS)
    reason = reasons[0] if end is not None and reasons else ""
    planned = next((e["planned"] for e in told if e["planned"] is not None), None) if end is not None else None
    ended = _how_it_ended(end, reason, planned, found_late=any(e["found_late"] for e in told))
    others = [_how_it_ended(e, e["reason"], e["planned"], found_late=bool(e["found_late"])) for e in later]
    return {
        "start_known": opened is not None,
        "start_event": opened["event"] if opened else "",
        "start_us": opened["sort_us"] if opened else 0,
        "start_text": opened["time_text"] if opened else "",
        "after_um": opened["after_um"] if opened else math.nan,
        "after_shape": opened["shape"] if opened else "",
        "end_event": end["event"] if end else "",
        "end_us": end["sort_us"] if end else 0,
        "end_text": end["time_text"] if end else "",
        "before_um": end["before_um"] if end else math.nan,
        "ended": ended,
        "reason": reason,
        "reason_given": reason in _REASONS or planned is not None or ended in ("running", "retired", "found late"),
        "said_too": next((other for other in others if (other in _WORN) != (ended in _WORN)), ""),
        "resting": resting,
    }


def _told_by_faces(
    numbered: pd.DataFrame, order: NDArray[np.int64], cycles: list[_Cycle], late: NDArray[np.bool_]
) -> dict[str, Any]:
    """Columns summed from the lappings of each cycle; `late` says which were found worn some faces afterwards."""
    is_face = (numbered["kind"] == "face").to_numpy(bool)[order]
    rows = order[is_face]  # of the lappings, lap by lap, oldest first
    before = np.append(0, np.cumsum(is_face))
    runs = _Runs(before[[c.begin for c in cycles]], before[[c.end for c in cycles]])
    faces = runs.stop - runs.first
    spans = np.array([(*c.begins_within, *c.ends_within) for c in cycles], np.int64).reshape(-1, 4)
    begin_first, begin_last, end_first, end_last = before[spans].T
    some = faces > 0
    first_row, last_row = rows[runs.first[some]], rows[runs.stop[some] - 1]
    minutes = numbered["minutes"].to_numpy(np.float64)[rows]
    good = faces
    if late.any():
        passed = np.isfinite(numbered["flatness_low_um"].to_numpy(np.float64))
        passed &= ~numbered["outcome"].isin(("re-lap", "regrind", "scrap")).to_numpy(bool)
        last_good = _Runs(runs.first, np.maximum(runs.stop - 1, runs.first)).last(passed[rows])  # but the last face
        good = np.where(late, np.where(last_good < 0, 0, last_good - runs.first + 1), faces)
    columns: dict[str, Any] = {
        "faces": faces,
        "first_passes": runs.sums((numbered["attempt"].to_numpy() <= 1)[rows].astype(np.int64)),
        "good_faces": good,
        "fewer_faces": faces - np.maximum(end_first - begin_last, 0),
        "more_faces": end_last - begin_first - faces,
        "grit": runs.said(numbered["grit"].to_numpy(object)[rows]),
    }
    for name, amounts in (("minutes", np.where(minutes > 0, minutes, np.nan)), ("removed", removed_um(numbered)[rows])):
        unit = "_um" if name == "removed" else ""
        columns[name + unit], columns[f"{name}_missing"] = runs.totals(amounts)
    for which, at in (("first", first_row), ("last", last_row)):
        for column, name, nothing in (("face_id", "face_id", -1), ("us", "sort_us", 0)):
            columns[f"{which}_{column}"] = np.full(faces.size, nothing, np.int64)
            columns[f"{which}_{column}"][some] = numbered[name].to_numpy(np.int64)[at]
        columns[f"{which}_text"] = _texts(numbered["time_text"], at, some)
    return columns


def _says_how(event: _Event) -> bool:
    return event["reason"] in _REASONS or event["planned"] is not None or bool(event["found_late"])


def _how_it_ended(end: _Event | None, reason: str, planned: object, *, found_late: bool) -> str:
    if end is None:
        return "running"
    if found_late:
        return "found late"
    if reason in ("damaged", "contamination"):
        return "damaged"
    if reason == "worn":
        return "retired" if end["event"] == "retired" else "due"
    if reason in ("planned", "routine") or planned is True:
        return "planned"
    return "retired" if end["event"] == "retired" else "due"


def _texts(column: pd.Series, rows: NDArray[np.int64], where: NDArray[np.bool_]) -> list[str]:
    """Texts of the rows at the cycles that have one, '' at the others."""
    texts = np.full(where.size, "", object)
    texts[where] = column.take(rows).to_numpy(object)
    return list(texts)


@dataclass(frozen=True, slots=True)
class _Runs:
    """The lappings of each cycle among all lappings."""

    first: NDArray[np.int64]
    stop: NDArray[np.int64]  # one past the last; equal to `first` = none

    def sums(self, amounts: NDArray[Any]) -> NDArray[Any]:
        """Sum over each run; to the last bit the same whatever stands in the others."""
        edges = np.column_stack([self.first, self.stop]).ravel()
        sums = np.add.reduceat(np.append(amounts, amounts.dtype.type(0)), edges)[::2]
        return np.where(self.stop > self.first, sums, 0)

    def totals(self, amounts: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Total with the known mean standing for what is missing, and the share missing."""
        is_known = np.isfinite(amounts)
        total, known = self.sums(np.where(is_known, amounts, 0.0)), self.sums(is_known.astype(np.int64))
        count = self.stop - self.first
        mean = np.divide(total, known, out=np.full(count.size, np.nan), where=known > 0)
        missing = np.divide(count - known, count, out=np.zeros(count.size), where=count > 0)
        return np.where(count > 0, mean * count, 0.0), missing

    def said(self, texts: NDArray[np.object_]) -> list[str]:
        """Name the texts of each run in the order in which they came first, each once; '' where none is said."""
        code, names = pd.factorize(texts)
        told = (pd.unique(code[a:b]) for a, b in zip(self.first.tolist(), self.stop.tolist(), strict=True))
        return [", ".join(str(names[one]) for one in own if names[one]) for own in told]

    def last(self, holds: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Last lapping of each run for which something holds, -1 where there is none."""
        latest = np.maximum.accumulate(np.append(-1, np.where(holds, np.arange(holds.size), -1)))[self.stop]
        return np.where(latest >= self.first, latest, -1)
