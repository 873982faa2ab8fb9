"""What a lap's report says beside its one sentence: what its range rests on, and which faces are set aside."""

import numpy as np
import pandas as pd

from spc.board.lap_diagnosis import as_sentence
from spc.board.lap_forecast import LapForecast
from spc.board.lap_state import plural
from spc.board.past_held import RangesDoubt
from spc.board.room_history import RoomOfLap
from spc.wear.lead_sign import LeadMove, LeadSign
from spc.wear.signed_bow import SignedBow

__all__ = ["confidence_words", "lead_words", "set_aside_words", "turns_words"]


def confidence_words(forecast: LapForecast, unconfirmed: int, doubt: RangesDoubt, called: str) -> str:
    """Say what the range of a forecast rests on, '' where there is none.

    Parameters
    ----------
    forecast : LapForecast
    unconfirmed : int
        Past cycles that count once a person has said yes to them.
    doubt : RangesDoubt
        That ranges by readings held too few past cycles.
    called : str
        That past cycles were called worn long before (`spc.board.called_worn`), '' = they were not.
    """
    left = forecast.faces_left
    if left.status not in ("range", "over"):
        return ""
    asked = ""
    if unconfirmed and not left.past_cycles:
        are = "is one" if unconfirmed == 1 else f"are {unconfirmed}"
        asked = f"; there {are} once each question whether it was reconditioned is answered with yes"
    said = "".join(f"; {words}" for words in (doubt.words(by_lives=left.by_lives), called) if words)
    return f"{left.level:.0%} range; {forecast.borrowed}{asked}{said}"


def lead_words(leading: LeadMove, told_by: str) -> str:
    """Say that another sign leads, and how far it has moved; not that it cannot say, where faces left go by it.

    Parameters
    ----------
    leading : LeadMove
    told_by : str
        Sign that the faces left take in, '' = none.
    """
    words = f"; {leading.words}" if leading.moved or not told_by else ""
    return f"Final flatness hides the wear{words}."


def turns_words(bow: SignedBow, lead: LeadSign, forecast: LapForecast) -> tuple[str, ...]:
    """Say of a form that turns as those of past cycles did that the faces left take it in: it calls nobody."""
    (same, cycles), left = forecast.turns_before, forecast.faces_left
    told = left.status in ("range", "over") and not left.from_lives
    if not (bow.turning and same) or lead.hides or not told:
        return ()
    return (f"{as_sentence(bow.sentence)[:-1]}, as in {same} of {cycles} past cycles: the faces left take it in.",)


def set_aside_words(faces: pd.DataFrame, cycles: pd.DataFrame, room: RoomOfLap) -> tuple[str, ...]:
    """Say of each shift how many faces of the running cycle it took out of the charts, the newest first.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Lappings of one lap, oldest first.
    cycles : DataFrame
        Of the lap.
    room : RoomOfLap
    """
    if not room.aside:
        return ()
    at = faces["sort_us"].to_numpy(np.int64)
    now = (faces["cycle"] == cycles["cycle"].iloc[-1]).to_numpy() if len(cycles) else np.ones(at.size, dtype=bool)
    told = []
    for (begins, ends), (shift, read) in zip(room.aside, room.shifts, strict=True):
        count = int(np.count_nonzero(now & (at >= begins) & (at < ends)))
        if count:
            lasting = (
                "" if (begins, ends) in room.unworn else " Faces left count it, for the room has read so for long."
            )
            told.append(
                f"{plural(count, 'face')} of this cycle ({shift}) {'is' if count == 1 else 'are'} set aside: the whole "
                f"room read {read} then, which says nothing of this lap.{lasting}"
            )
    return tuple(told[::-1])
