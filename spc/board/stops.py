"""What holds a lap: a face left over its limit, a scratch, a grit that does not belong on it."""

from spc.board.cell_view import CellView
from spc.board.guard_signals import guard_signals
from spc.board.lap_rest import rest_of
from spc.board.over_limit import over_limit_signals
from spc.board.results import Signal
from spc.wear.cycle_table import no_face_yet

__all__ = ["cycle_closed", "stop_signals"]


def stop_signals(view: CellView, lap: str) -> tuple[Signal, ...]:
    """List the open signals that hold a lap until a person has answered, the faces over a limit first."""
    over = () if cycle_closed(view, lap) else over_limit_signals(view, lap)
    return (*over, *guard_signals(view, lap))


def cycle_closed(view: CellView, lap: str) -> bool:
    """Whether what the cycle of a lap's last faces showed is closed: reconditioned since, worn, or retired."""
    return no_face_yet(view.cycles_of(lap)) or bool(rest_of(view, lap).ended)
