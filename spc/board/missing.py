"""The reconditionings of one lap that may be missing from the log: asked after, and what is forecast meanwhile."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.lap_forecast import LapForecast, without_faces_left
from spc.board.lives import sisters_of
from spc.board.missing_answer import RETIRED, denied_faces
from spc.board.missing_places import missing_places, not_denied, places_of_lap
from spc.board.results import RECONDITIONING, CycleFan, FacesLeft, Signal
from spc.board.room_history import RoomHistory, RoomOfLap, own_signs
from spc.board.shifts import shift_at
from spc.measure.interval import middle_of
from spc.wear.cycle_table import no_face_yet
from spc.wear.missing_event import MissingEvent

__all__ = [
    "AGE_NOT_KNOWN",
    "as_if_confirmed",
    "before_doubts",
    "cycles_if_confirmed",
    "doubt_of_now",
    "first_doubts",
    "first_doubts_in",
    "missing_of_lap",
]

_RULE = "a reconditioning may not be logged"
_NOT_SAID = "cannot say until it is said what was done to it since it was retired"
# Why a reading is left out by which a cycle or an age would be judged.
AGE_NOT_KNOWN = "after a fall back to how a cycle begins: whether the lap was reconditioned there is not answered yet"
_OF_THE_PAST = " Until then only what came before counts of that cycle."


def missing_of_lap(view: CellView, lap: str, room: RoomOfLap) -> tuple[Signal, ...]:
    """Ask after every reconditioning of a lap that its readings suggest and nobody logged or answered with no.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomOfLap
        A shift in which the whole room read high ends like one: its faces are not asked.

    Returns
    -------
    tuple of Signal
        The newest place first. `face_id` is the first face after it, `age_faces` its age as the cycle is logged.
    """
    rows, signs, events = view.faces_of(lap), own_signs(view, lap, room), view.events_of(lap)
    once, same = view.memo.once, view.memo.same
    found = places_of_lap(view, lap, signs)
    if not found:
        return ()
    denied, cycles = same(lap, "denied", denied_faces(view).get(lap, ())), view.cycles_of(lap)
    begun = same(lap, "shift", shift_at(view.now, view.shifts_by).start_us)

    def ask() -> tuple[Signal, ...]:
        before = signs[signs["sort_us"] < begun]
        known = found
        if len(before) < len(signs):
            known = not_denied(missing_places(before, rows, events), before, denied)
        told = {one.before_face_id for one in known}
        asked = not_denied(found, signs, denied)
        ended = set(cycles["cycle"][cycles["ended"] != "running"].tolist())
        return tuple(
            _question(one, signs, told=one.before_face_id in told, ended=one.cycle in ended) for one in reversed(asked)
        )

    return once(lap, "asked", (found, signs, denied, begun, cycles), ask)


def doubt_of_now(view: CellView, lap: str, asked: tuple[Signal, ...], *, retired: bool) -> Signal | None:
    """Pick the newest question about the running cycle: what comes after it is what wears now.

    Parameters
    ----------
    view : CellView
    lap : str
    asked : tuple of Signal
        From `missing_of_lap`.
    retired : bool
        Whether the lap is out of use for good: nothing wears on it, and the question waits in its own report.

    Returns
    -------
    Signal or None
    """
    cycles, signs = view.cycles_of(lap), view.signs_of(lap)
    if retired or not asked or no_face_yet(cycles):
        return None
    of = signs["cycle"].to_numpy()[signs["face_id"].to_numpy() == asked[0].face_id]
    return asked[0] if of.size and of[0] == cycles["cycle"].iloc[-1] else None


def first_doubts(view: CellView, lap: str, room: RoomHistory) -> dict[tuple[str, int], float]:
    """Age in faces at the first open question of every cycle that has one, of a lap and its sisters.

    What was read before is of one cycle, whatever the answer.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomHistory

    Returns
    -------
    dict of (str, int) to float
        By lap and cycle; shared by sisters.
    """

    def of_lap(lap: str) -> dict[tuple[str, int], float]:
        asked, signs = missing_of_lap(view, lap, room.of(lap)), view.signs_of(lap)
        if not asked:
            return {}
        cycles = dict(zip(signs["face_id"].tolist(), signs["cycle"].tolist(), strict=True))
        return {(lap, cycles[one.face_id]): one.age_faces for one in asked}  # the newest first: the oldest stays

    def gather() -> dict[tuple[str, int], float]:
        return {cycle: age for sister in sisters for cycle, age in of_lap(sister).items()}

    sisters = sisters_of(view, lap)
    return view.memo.once(sisters[0], "first doubts", (view, room), gather)


def first_doubts_in(view: CellView, laps: Sequence[str], room: RoomHistory) -> dict[tuple[str, int], float]:
    """Give `first_doubts` of several laps, their sisters with them."""
    return {cycle: age for lap in laps for cycle, age in first_doubts(view, lap, room).items()}


def before_doubts(faces: pd.DataFrame, doubts: Mapping[tuple[str, int], float]) -> NDArray[np.bool_]:
    """Mark the faces that are of one cycle for certain.

    Parameters
    ----------
    faces : DataFrame, shape (n, ...)
        lap, cycle, age_faces.
    doubts : mapping of (str, int) to float
        From `first_doubts`.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if not doubts:
        return np.ones(len(faces), dtype=bool)
    first = pd.DataFrame([(*cycle, age) for cycle, age in doubts.items()], columns=["lap", "cycle", "doubt_faces"])
    doubt = faces[["lap", "cycle"]].merge(first, on=["lap", "cycle"], how="left")["doubt_faces"]
    return ~(faces["age_faces"].to_numpy(np.float64) >= doubt.to_numpy(np.float64))


def cycles_if_confirmed(asked: Sequence[Signal], signs: pd.DataFrame, cycles: pd.DataFrame) -> int:
    """Count the past cycles that a lap would have besides if every question about it were answered with yes.

    Nobody has said that a cycle ended there, so none of them counts as one.

    Parameters
    ----------
    asked : sequence of Signal
        From `missing_of_lap`.
    signs, cycles : DataFrame
        Of the lap.
    """
    if not asked:
        return 0
    newest = cycles.iloc[-1]
    of = signs.loc[signs["face_id"].isin([one.face_id for one in asked]), "cycle"]
    begins_unseen = newest["ended"] == "running" and not newest["start_known"] and (of == newest["cycle"]).any()
    return len(asked) - int(begins_unseen)


def as_if_confirmed(forecast: LapForecast, question: Signal) -> LapForecast:
    """Say of a forecast from the faces since a doubtful place that it holds if the lap was reconditioned there.

    Parameters
    ----------
    forecast : LapForecast
        From `forecast_lap` with the question's age.
    question : Signal

    Returns
    -------
    LapForecast
        Its fan and band begin at the place, on the ages as they are logged. Of a lap in use again after it was retired
        nothing is foretold: whatever damaged it may still be there.
    """
    if question.rule == RETIRED:
        return without_faces_left(forecast, _NOT_SAID)

    def moved(fan: CycleFan | None) -> CycleFan | None:
        return None if fan is None else replace(fan, age_faces=fan.age_faces + question.age_faces)

    def said(left: FacesLeft) -> FacesLeft:
        if left.status == "refused":
            return left
        return replace(left, sentence=f"If reconditioned then, {left.sentence}", if_reconditioned=question.time_text)

    return replace(
        forecast,
        faces_left=said(forecast.faces_left),
        next_face=said(forecast.next_face),
        fan=moved(forecast.fan),
        band=moved(forecast.band),
    )


def _question(one: MissingEvent, signs: pd.DataFrame, *, told: bool, ended: bool) -> Signal:
    """Make the question of a place; `told`: it was asked before this shift began; `ended`: its cycle has ended."""
    place = int(np.flatnonzero(signs["face_id"].to_numpy() == one.before_face_id)[0])
    low, high = (float(signs[f"first_{end}_um"].iloc[place]) for end in ("low", "high"))
    if one.before_face_id == one.after_face_id:  # no face after it yet
        low = high = float("nan")
    return Signal(
        lap=one.lap,
        sign=RECONDITIONING,
        rule=RETIRED if one.retired else _RULE,
        sentence=f"{one.sentence}{_OF_THE_PAST}" if ended else one.sentence,
        severity="look",
        p_value=float("nan"),
        face_id=one.before_face_id,
        since_face_id=one.after_face_id,
        since_faces=len(signs) - 1 - place,
        time_text=one.before_text,
        value_um=float(middle_of(low, high)),
        age_faces=one.age_faces,
        spoke_face_id=one.before_face_id if told else int(signs["face_id"].iloc[-1]),
    )
