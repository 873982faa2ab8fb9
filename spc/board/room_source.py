"""Whether a shift in which most laps moved is the room's, or sits with the faces of one operator or part number."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import pandas as pd

from spc.board.cell_view import CellView
from spc.board.lap_memo import LapMemo
from spc.board.move_sources import LapFaces, MoveSources, weigh_sources
from spc.board.results import RoomAlarm
from spc.board.scope import faces_between, source_words, telling_check, times_words
from spc.board.shifts import ShiftSpan

__all__ = ["doubt_words", "one_of_words", "source_of_shift", "told_apart", "told_of_one_source"]

# Cheapest first; common practice, no source.
_CHECKS = {
    "one operator": (
        "let a second reader read one of these faces again, cool and wiped",
        "the gauge or the optical flat of these readings: the one the others use, and clean?",
        "let two people lap and read one check piece on the same lap",
    ),
    "one part number": (
        "ask whether its batch came in different",
        "compare start thickness and the stage before with the last lots",
        "read a face of another part number on the same lap",
    ),
}
_WHAT = {
    "one operator": "It is the reading, the gauge or the hand and not the room: let a second reader read one again.",
    "one part number": "It is the part or the stage before it and not the room.",
}


def source_of_shift(view: CellView, laps: Sequence[str], span: ShiftSpan, direction: str) -> MoveSources:
    """Weigh whether the flatness move of most laps in one shift is the room's.

    Parameters
    ----------
    view : CellView
    laps : sequence of str
        Laps tested.
    span : ShiftSpan
    direction : {'worse', 'better'}

    Returns
    -------
    MoveSources
        Between many laps, one operator and one part number.
    """
    way = "up" if direction == "worse" else "down"
    name = f"faces {way} in shift of {span.start_us}"

    def of_shift(rows: pd.DataFrame, lap: str, memo: LapMemo) -> LapFaces:
        return faces_between(rows, lap, "flatness", way, span.start_us, span.end_us, memo)

    of_laps = [
        view.memo.once(lap, name, (rows := view.signs_of(lap),), partial(of_shift, rows, lap, view.memo))
        for lap in laps
    ]
    return view.memo.once("", f"source of {name}", of_laps, lambda: weigh_sources(of_laps))


def told_of_one_source(alarm: RoomAlarm, source: MoveSources, direction: str, *, when: str = "this shift") -> RoomAlarm:
    """Say of a shift's move that one operator's or one part number's faces carry it; `when` = which shift, in words."""
    likeliest = source.likeliest
    way = 1.0 if direction == "worse" else -1.0
    own, others = (times_words(value**way) for value in source.times[likeliest])
    high = "high" if direction == "worse" else "low"
    unclear = f"Not the room, and the readings cannot tell {' from '.join(source.among)} yet."
    what = _WHAT[likeliest] if len(source.among) == 1 else unclear
    sentence = (
        f"{len(alarm.laps)} laps read {high} {when} in the faces of {source_words(source)} alone: these are {own}, all "
        f"others are {others}. {what}"
    )
    return replace(alarm, sentence=sentence, checks=tuple(check for one in source.among for check in _CHECKS[one]))


def one_of_words(alarm: RoomAlarm) -> str:
    """Say of a lap that is among those of an alarm from `told_of_one_source` what it is one of."""
    return f"is one of {alarm.sentence.split(': ', 1)[0].replace(' laps read ', ' laps that read ', 1)}"


def doubt_words(source: MoveSources) -> str:
    """Say what the faces of a shift cannot tell the room from; '' where nothing is to be told apart."""
    if len(source.among) < 2:
        return ""
    others = " or ".join(one for one in source.among if one != "many laps")
    alone = "Its faces are of one operator: the" if source.operators == 1 else "The"
    return f" {alone} readings cannot tell the room from {others} yet."


def told_apart(alarm: RoomAlarm, source: MoveSources) -> RoomAlarm:
    """Add to a room alarm what its faces cannot tell the room from, and the check that does, first."""
    doubt = doubt_words(source)
    checks = (telling_check(source.among), *alarm.checks) if doubt else alarm.checks
    return replace(alarm, sentence=alarm.sentence + doubt, checks=checks)
