"""Places in the cycles of a lap where its readings begin anew though nothing is logged there, and nobody said no."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.by_content import by_content
from spc.board.cell_view import CellView
from spc.board.missing_answer import denied_faces
from spc.wear.back_in_use import back_in_use
from spc.wear.event_order import BEGINNINGS, order_events
from spc.wear.missing_event import MissingEvent, suggest_missing_events
from spc.wear.restarts import find_restarts

__all__ = ["begun_anew", "counted_once", "missing_places", "not_denied", "places_of_lap", "sure_cycles", "unsure_words"]

_SAME = 8  # faces by which a place may move as more faces come, and still be the one answered or logged; our own rule
_SEARCH = by_content(find_restarts, most=4_096)  # of each sign over each cycle of every lap


def missing_places(signs: pd.DataFrame, numbered: pd.DataFrame, events: pd.DataFrame) -> tuple[MissingEvent, ...]:
    """Find the places on one lap where a reconditioning may be missing, in order of time.

    Parameters
    ----------
    signs, numbered : DataFrame
        As in `suggest_missing_events`; a cycle that was searched before is not searched again.
    events : DataFrame
        Of the lap. Where it was swapped out as worn, or retired, and is in use again, the readings near that place are
        no second question; nor are those near a day on which it was reconditioned, if only its date is known.
    """
    swaps = back_in_use(signs, numbered, events)
    fell = _without_logged(suggest_missing_events(signs, numbered, search=_SEARCH), numbered, events)
    if not swaps:
        return fell

    def beside(one: MissingEvent, swap: MissingEvent) -> bool:
        return one.cycle == swap.cycle and abs(one.age_faces - swap.age_faces) <= _SAME

    apart = [one for one in fell if not any(beside(one, swap) for swap in swaps)]
    return tuple(sorted((*apart, *swaps), key=lambda one: (one.cycle, one.age_faces)))


def _without_logged(
    fell: tuple[MissingEvent, ...], numbered: pd.DataFrame, events: pd.DataFrame
) -> tuple[MissingEvent, ...]:
    """Leave out the places that are those of reconditionings logged on a day, among whose faces they may lie."""
    if not fell:
        return fell
    placed = order_events(numbered, events).events
    logged = placed[
        placed["event"].isin(BEGINNINGS) & (placed["by_readings"] | (placed["earliest"] < placed["latest"]))
    ]
    if logged.empty:
        return fell
    rows = dict(zip(numbered["face_id"].tolist(), range(len(numbered)), strict=True))
    first, last = logged["earliest"].to_numpy() - _SAME, logged["latest"].to_numpy() + _SAME
    return tuple(
        one for one in fell if not ((first <= rows[one.before_face_id]) & (rows[one.before_face_id] <= last)).any()
    )


def places_of_lap(view: CellView, lap: str, signs: pd.DataFrame) -> tuple[MissingEvent, ...]:
    """Give `missing_places` of one lap, found once for the same finished faces: all of it, or those that count."""
    rows, events = view.faces_of(lap), view.events_of(lap)
    which = "missing" if signs is view.signs_of(lap) else "missing among those that count"
    return view.memo.once(lap, which, (rows, signs, events), lambda: missing_places(signs, rows, events))


def not_denied(
    found: tuple[MissingEvent, ...], signs: pd.DataFrame, denied: tuple[int, ...]
) -> tuple[MissingEvent, ...]:
    """Leave out of the places found those that were answered with no: of each answer the nearest, if it is near."""
    if not denied:
        return found
    at = {face: place for place, face in enumerate(signs["face_id"].tolist())}
    left = list(found)
    for face in dict.fromkeys(denied):
        if face in at and left:
            apart = [abs(at[one.before_face_id] - at[face]) for one in left]
            if min(apart) <= _SAME:
                left.pop(int(np.argmin(apart)))
    return tuple(left)


def begun_anew(view: CellView, lap: str) -> tuple[tuple[int, float], ...]:
    """Cycles of a lap that have ended and in which another one may begin.

    Parameters
    ----------
    view : CellView
    lap : str

    Returns
    -------
    tuple of (int, float)
        Each with the age in faces of the first reading that may be of the other. The same object as long as it is so.
    """
    rows, signs, cycles = view.faces_of(lap), view.signs_of(lap), view.cycles_of(lap)
    events = view.events_of(lap)
    denied = view.memo.same(lap, "denied", denied_faces(view).get(lap, ()))

    def find() -> tuple[tuple[int, float], ...]:
        ended = set(cycles["cycle"][cycles["ended"] != "running"].tolist())
        first: dict[int, float] = {}
        for one in not_denied(places_of_lap(view, lap, signs), signs, denied):
            if one.cycle in ended:
                first.setdefault(one.cycle, one.age_faces)
        return tuple(first.items())

    found = view.memo.once(lap, "begun anew", (rows, signs, events, cycles, denied), find)
    return view.memo.same(lap, "begun anew in", found)


def counted_once(
    cycle: NDArray[np.int64], age_faces: NDArray[np.float64], begun: tuple[tuple[int, float], ...]
) -> NDArray[np.bool_]:
    """Mark the readings of a lap that are of one cycle for certain.

    Parameters
    ----------
    cycle, age_faces : ndarray, shape (n,)
        Of each reading.
    begun : tuple of (int, float)
        From `begun_anew`.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    sure = np.ones(len(cycle), dtype=bool)
    for held, age in begun:
        sure &= (cycle != held) | (age_faces < age)
    return sure


def sure_cycles(cycles: pd.DataFrame, begun: tuple[tuple[int, float], ...]) -> pd.DataFrame:
    """Cycles of one lap without those in which another may begin."""
    return cycles[~cycles["cycle"].isin([cycle for cycle, _ in begun])] if begun else cycles


def unsure_words(readings: int) -> str:
    """Say how many readings of earlier cycles a chart leaves out; '' where it takes them all."""
    if not readings:
        return ""
    they, are = ("1 reading", "is") if readings == 1 else (f"{readings:,} readings", "are")
    why = "for a reconditioning may be missing there"
    return f"; {they} after a fall back to how a cycle begins {are} left out, {why}"
