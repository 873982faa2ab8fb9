"""The reconditionings of one lap that may be missing from the log, in words."""

from spc.board.cell_view import CellView
from spc.board.room_history import RoomOfLap, own_signs
from spc.wear.missing_event import suggest_missing_events

__all__ = ["missing_of_lap"]


def missing_of_lap(view: CellView, lap: str, room: RoomOfLap) -> tuple[str, ...]:
    """Ask after every reconditioning of a lap that its readings suggest and nobody logged, a sentence each.

    A shift in which the whole room read high ends like one: its faces are not asked.
    """
    rows, signs = view.faces_of(lap), own_signs(view, lap, room)
    return view.memo.once(
        lap, "missing", (rows, signs), lambda: tuple(m.sentence for m in suggest_missing_events(signs, rows))
    )  # fmt: skip
