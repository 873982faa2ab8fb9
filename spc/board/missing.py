"""The reconditionings of one lap that may be missing from the log, in words."""

from spc.board.cell_view import CellView
from spc.wear.missing_event import suggest_missing_events

__all__ = ["missing_of_lap"]


def missing_of_lap(view: CellView, lap: str) -> tuple[str, ...]:
    """Ask after every reconditioning of a lap that its readings suggest and nobody logged, a sentence each."""
    rows, signs = view.faces_of(lap), view.signs_of(lap)
    return view.memo.once(
        lap, "missing", (rows, signs), lambda: tuple(m.sentence for m in suggest_missing_events(signs, rows))
    )  # fmt: skip
