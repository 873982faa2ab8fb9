"""What the signs of one lap come to: their pattern, what the move follows, and the causes ranked by it."""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from spc.board.cause_table import SCOPES
from spc.board.causes import CAUSES_SHOWN, Diagnosis, Pattern, count_reactions, diagnose, read_pattern
from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.board.charge import Charge
from spc.board.guard_calls import calls_on_lap
from spc.board.moved_parts import MOVED_SIGNS, MovedPart, moved_part
from spc.board.neighbours import laps_hit_too
from spc.board.reactions import findings
from spc.board.results import Cause, Signal
from spc.board.room_answer import ROOM_SIGN
from spc.board.room_history import TESTED_SIGN, RoomHistory, RoomOfLap, own_signs_of_all
from spc.board.scope import SCOPED_SIGNS, SECOND_READER, Scope, find_scope, join_scopes, telling_check
from spc.wear.sign_moves import SignMove
from spc.wear.signed_bow import SignedBow

__all__ = ["SignsOfLap", "as_sentence", "diagnose_lap", "part_that_moved", "shown_causes"]

_CHARTED = ("flatness", "minutes", "removal rate", "finish", "re-lap share")
_OF_THIS_LAP = frozenset(("grit", "scratch"))  # guards that name what happened on one lap
_OF_THE_ROOM = frozenset(("flatness", "re-lap share", "passes"))  # signs that a room which reads high moves on all laps
_READ_AGAIN = frozenset((TESTED_SIGN, "bow"))  # signs that another reading of a face may take back
_NO_SCOPE = Scope("", "")
_OF_A_PART = Scope("one part number", "", ("one part number",))  # told in the words of the part


class SignsOfLap(NamedTuple):
    """What a diagnosis takes of the signs of one lap."""

    moves: tuple[SignMove, ...]
    bow: SignedBow
    identical: bool  # the last readings all say the same
    charge: Charge | None
    room: RoomOfLap
    unread: bool  # faces that one operator's readings make suspect wait for a second reader
    turns_as_before: bool  # the form turns as that of past cycles did


def diagnose_lap(
    view: CellView,
    cell: CellCharts,
    lap: str,
    own: SignsOfLap,
    signals: tuple[Signal, ...],
    room: RoomHistory,
    part: MovedPart | None,
) -> tuple[Pattern, Diagnosis, tuple[str, ...]]:
    """Read the pattern of the signs and rank its causes.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its budget sets the level at which the room is called.
    lap : str
    own : SignsOfLap
    signals : tuple of Signal
        Open ones of the lap.
    room : RoomHistory
    part : MovedPart, optional
        From `part_that_moved`.

    Returns
    -------
    tuple of (pattern, diagnosis, follows)
        The last a sentence on what the moved signs follow, or none.
    """
    named = {s.sign for s in signals}
    charted = {s.sign: "down" if s.sign == "removal rate" else "up" for s in signals if s.sign in _CHARTED}
    found = {m.sign: m.direction for m in own.moves if m.direction in ("up", "down") and m.sign not in charted}
    scope = _scope(view, cell, lap, charted | found, own.room, room) if part is None else _OF_A_PART
    moves = own.moves
    if "many laps" in scope.among and named & _OF_THIS_LAP:  # the room accounts for what it moved, not for the grit
        moves = tuple(move for move in moves if move.sign not in _OF_THE_ROOM)
        charted = {sign: way for sign, way in charted.items() if sign not in _OF_THE_ROOM}
        scope = _NO_SCOPE
    spoke = {(s.rule, s.face_id) for s in signals}
    if any(laps_hit_too(view, c) for c in calls_on_lap(view, lap) if (c.guard, c.face_id) in spoke):
        charted = charted | {"other laps": "hit"}
        scope = _NO_SCOPE
    turns = own.bow.turning and not own.turns_as_before
    turned = True if "bow" in named else turns if own.bow.status == "fitted" else None
    pattern = read_pattern(
        moves, scratch="scratch" in named, coarser_grit="grit" in named, bow_turned=turned,
        identical=own.identical, scope=join_scopes(scope.among), also=charted, charge=own.charge,
    )  # fmt: skip
    about = (*pattern.moved, *(s.sign for s in signals))  # a signal of a grit or a squareness moves no sign of its own
    about += (ROOM_SIGN,) if "many laps" in scope.among else ()
    found_before = view.memo.once("", "findings", (view.reactions,), partial(findings, view.reactions))
    counts = count_reactions(found_before, about)
    diagnosis = diagnose(pattern, counts=counts)
    first = scope.check
    if not first and own.unread and named <= _READ_AGAIN:
        first = SECOND_READER
    if first:  # before any cause is followed
        diagnosis = replace(diagnosis, checks=(first, *diagnosis.checks))
    follows = (f"{as_sentence(scope.sentence)} {scope.check}".rstrip(),) if scope.sentence and pattern.moved else ()
    return pattern, diagnosis, follows


def _scope(
    view: CellView, cell: CellCharts, lap: str, moved: Mapping[str, str], here: RoomOfLap, room: RoomHistory
) -> Scope:
    """Tell what the moved signs of a lap follow; shifts in which the room moved have no say in later ones."""
    if here.alarm:  # told in its own words
        among = ("one lap",) if here.beyond else here.among
        return Scope("", "", among, telling_check(among))
    all_signs = own_signs_of_all(view, room)
    scopes = []
    for sign, way in moved.items():
        if sign in SCOPED_SIGNS:
            level = None if sign == TESTED_SIGN else cell.plan.room_alpha
            scopes.append(find_scope(all_signs, lap, sign=sign, direction=way, room_alpha=level, memo=view.memo))
    return min(scopes, key=lambda found: len(found.among) or len(SCOPES), default=_NO_SCOPE)


def part_that_moved(view: CellView, cell: CellCharts, lap: str, signals: tuple[Signal, ...]) -> MovedPart | None:
    """Give the part number that moved on several laps, where it is all that calls this one."""
    if not signals or any(s.sign not in MOVED_SIGNS for s in signals):
        return None
    part = moved_part(view, cell)
    return part if part is not None and lap in part.laps else None


def shown_causes(diagnosis: Diagnosis) -> tuple[Cause, ...]:
    """Keep the likeliest causes, 'unknown' always among them."""
    shown = list(diagnosis.causes[:CAUSES_SHOWN])
    if all(c.name != "unknown" for c in shown):
        shown[-1] = next(c for c in diagnosis.causes if c.name == "unknown")
    return tuple(shown)


def as_sentence(text: str) -> str:
    """Begin with a capital and end with a full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
