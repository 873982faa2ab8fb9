"""The room alarm as something to answer: what it may be, what was found, and by whom."""

import math
from dataclasses import replace

import pandas as pd

from spc.board.causes import CAUSES_SHOWN, count_reactions, diagnose, read_pattern
from spc.board.cell_view import CellView
from spc.board.reactions import HANDED, findings
from spc.board.results import RoomAlarm, Signal
from spc.board.shifts import ShiftSpan

__all__ = ["ROOM", "ROOM_SIGN", "answer_to_room", "asked_of_room", "room_signal"]

ROOM = "the room"  # stands for the lap where an answer is about no one lap
ROOM_SIGN = "room"


def answer_to_room(view: CellView, span: ShiftSpan) -> str:
    """Give what people have found where the room had moved in a shift, a sentence; '' = nobody has answered."""
    settled = findings(_said_of_room(view, span))
    return f"Found by {settled['who'].iloc[-1]}: {settled['cause'].iloc[-1]}." if len(settled) else ""


def asked_of_room(view: CellView, alarm: RoomAlarm, span: ShiftSpan, *, direction: str) -> RoomAlarm:
    """Add to a room alarm what it may be, likeliest first, and what people have answered to it.

    Parameters
    ----------
    view : CellView
    alarm : RoomAlarm
    span : ShiftSpan
        The shift it is of: one answer each.
    direction : {'worse', 'better'}
        Which way the laps moved.

    Returns
    -------
    RoomAlarm
    """
    pattern = read_pattern(
        (), scratch=False, scope="many laps", also={"flatness": "up" if direction == "worse" else "down"}
    )
    found = diagnose(pattern, counts=count_reactions(findings(view.reactions), (ROOM_SIGN,)))
    said = _said_of_room(view, span)
    handed = said[said["action"] == HANDED]
    return replace(
        alarm,
        asked=_asked(span),
        causes=found.causes[:CAUSES_SHOWN],
        answered=answer_to_room(view, span),
        handed=f"{HANDED} by {handed['who'].iloc[-1]}" if len(handed) else "",
    )


def room_signal(alarm: RoomAlarm) -> Signal:
    """Give a room alarm as the signal that answers are kept under."""
    return Signal(
        lap=ROOM,
        sign=ROOM_SIGN,
        rule=alarm.asked,
        sentence=alarm.sentence,
        severity="look",
        p_value=alarm.p_value,
        face_id=-1,
        since_face_id=-1,
        since_faces=0,
        time_text="",
        value_um=math.nan,
        age_faces=math.nan,
        handed=alarm.handed,
    )


def _asked(span: ShiftSpan) -> str:
    return f"most laps moved together in the shift from {span.start:%Y-%m-%d %H:%M}"


def _said_of_room(view: CellView, span: ShiftSpan) -> pd.DataFrame:
    return view.reactions[(view.reactions["sign"] == ROOM_SIGN) & (view.reactions["rule"] == _asked(span))]
