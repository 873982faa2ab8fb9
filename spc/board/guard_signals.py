"""Signals that are never filtered: a scratch, a grit that does not belong on the lap, a finish that jumps."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.guard_calls import calls_on_lap, guards_on
from spc.board.neighbours import hit_together_words, laps_hit_too
from spc.board.reactions import answered_place, is_answered
from spc.board.results import Signal
from spc.measure.interval import middle_of
from spc.wear.grit_guard import SHARED_HOURS, GuardCall, guard_grit

__all__ = ["CLEAN_AGAIN", "guard_signals", "stop_signal"]

CLEAN_AGAIN = 5  # faces without the fault after which a guard falls silent by itself; our own rule
_SIGN = {
    "coarse grit": "grit",
    "back up the ladder": "grit",
    "grit jump": "grit",
    "scratch": "scratch",
    "finish jump": "finish",
}
_LASTING = ("coarse grit", "back up the ladder", "grit jump")  # a grit does not go away by itself
_CURED_BY = ("reconditioned", "re-faced", "grit changed")


def guard_signals(view: CellView, lap: str) -> tuple[Signal, ...]:
    """Turn the guards' calls on one lap into open signals.

    Parameters
    ----------
    view : CellView
    lap : str

    Returns
    -------
    tuple of Signal
        Open ones only, each as it first spoke, with the newest face it stands for: not answered, not cured by a
        reconditioning, re-facing or change of grit, and (for scratch and finish) fewer than `CLEAN_AGAIN` good faces
        since the last bad one.
    """
    calls = calls_on_lap(view, lap)
    if not calls:
        return ()
    answered = view.memo.same(lap, "guards answered", tuple(answered_place(view, lap, _SIGN[c.guard]) for c in calls))
    found = view.memo.once(lap, "open guards", (calls, view.events_of(lap), answered), lambda: _open(view, lap, calls))
    noted = (_evidence(view, call) for call, _ in found)
    return tuple(
        replace(signal, sentence=f"{call.sentence} {evidence[:1].upper()}{evidence[1:]}.{_hit_too(view, call)}")
        for (call, signal), evidence in zip(found, noted, strict=True)
    )


def _open(view: CellView, lap: str, calls: Sequence[GuardCall]) -> tuple[tuple[GuardCall, Signal], ...]:
    """Leave the calls that still hold, each with its signal but for the sentence."""
    rows = view.lapped_of(lap)
    if rows.empty:
        return ()
    events = view.events_of(lap)
    events = events[events["event"].isin(_CURED_BY)]
    cured_us = int(events["sort_us"].max()) if len(events) else -(2**62)
    named = [c.face_id for c in calls if c.guard not in _LASTING]
    spell = _spell_start(rows, rows["face_id"].isin(named).to_numpy())
    first: dict[str, tuple[GuardCall, Signal]] = {}
    for call in calls:
        if call.sort_us <= cured_us:
            continue
        at = np.flatnonzero(rows["face_id"].to_numpy() == call.face_id)
        here = int(at[0]) if at.size else max(int((rows["sort_us"] <= call.sort_us).sum()) - 1, 0)
        lasts = call.guard in _LASTING
        if not lasts and (spell is None or here < spell):
            continue
        sign = _SIGN[call.guard]
        row = rows.iloc[here]
        if is_answered(view, lap, sign, int(row["face_id"])):
            continue
        if call.guard in first:
            began, signal = first[call.guard]
            first[call.guard] = began, replace(signal, through_face_id=int(row["face_id"]))
            continue
        first[call.guard] = call, stop_signal(row, lap, sign, call.guard, "", len(rows) - 1 - here)
    return tuple(first.values())


def _hit_too(view: CellView, call: GuardCall) -> str:
    words = hit_together_words(laps_hit_too(view, call))
    return f" {words}" if words else ""


def _evidence(view: CellView, call: GuardCall) -> str:
    """Evidence of a call, with what the face shared with work on other laps just before it."""
    if call.face_id < 0:
        return call.evidence
    begin, end = call.sort_us - round(SHARED_HOURS * 3.6e9), call.sort_us
    before = {}
    for name in view.by_lap:
        rows = view.faces_of(name)
        first, last = np.searchsorted(rows["sort_us"].to_numpy(np.int64), [begin, end])
        if last > first and name != call.lap:
            before[name] = rows.iloc[int(first) : int(last)]
    named = f"{call.guard} at {call.face_id}"
    seen = [(name, *rows["face_id"].tolist(), *rows["version"].tolist()) for name, rows in before.items()]
    which = view.memo.same(call.lap, f"before {call.guard}", (call.face_id, *seen))

    def asked_around() -> str:
        asked = {name: view.faces_of(name) if name == call.lap else before.get(name) for name in view.by_lap}
        faces = pd.concat([rows for rows in asked.values() if rows is not None], ignore_index=True)
        calls = guard_grit(faces, view.events_of(call.lap), view.laps, guards=guards_on(view), lap=call.lap)
        return next(c.evidence for c in calls if f"{c.guard} at {c.face_id}" == named)

    return view.memo.once(
        call.lap, f"evidence {call.guard}", (calls_on_lap(view, call.lap), which), asked_around
    )  # fmt: skip


def _spell_start(rows: pd.DataFrame, named: NDArray[np.bool_]) -> int | None:
    """Where the faults that still go on began: no `CLEAN_AGAIN` clean faces after it; None when all is clean again."""
    sent_back = rows["outcome"].isin(("re-lap", "regrind", "scrap")).to_numpy()
    fault = rows["scratch"].to_numpy(bool) | sent_back | named
    at = np.flatnonzero(fault)
    if at.size == 0 or len(rows) - 1 - at[-1] >= CLEAN_AGAIN:
        return None
    gaps = np.flatnonzero(np.diff(at) > CLEAN_AGAIN)
    return int(at[gaps[-1] + 1]) if gaps.size else int(at[0])


def stop_signal(row: pd.Series, lap: str, sign: str, rule: str, sentence: str, back: int) -> Signal:
    """Make the signal that holds a lap from the row at which it spoke, `back` lappings ago."""
    low, high = float(row["flatness_low_um"]), float(row["flatness_high_um"])
    return Signal(
        lap=lap,
        sign=sign,
        rule=rule,
        sentence=sentence,
        severity="stop",
        p_value=float("nan"),
        face_id=int(row["face_id"]),
        since_face_id=int(row["face_id"]),
        since_faces=back,
        time_text=str(row["time_text"]),
        value_um=float(middle_of(low, high)),
        age_faces=float(row["age_faces"]),
    )
