"""Whether the form of a lap went through flat in past cycles: their flatness, a size, shrank before it grew again."""

import numpy as np

from spc.board.cell_view import CellView
from spc.board.lap_paths import past_paths, running_cycle
from spc.board.room_history import RoomOfLap
from spc.wear.signed_path import many_go_through_flat

__all__ = ["past_through_flat"]


def past_through_flat(view: CellView, lap: str, room: RoomOfLap) -> str:
    """Say in how many past cycles the form went through flat; '' where these are not many.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomOfLap
        What it sets aside of the running cycle does not count.

    Returns
    -------
    str
        Of the lap's group, whose cycles its forecast rests on, or else of its own, on which its charts rest. A lap
        that is read by size though a sister turned rests on none of those.
    """
    now = running_cycle(view, lap, room)
    past = past_paths(view, lap, now.grit, now.widest_um)
    of_lap = past.ways_of(lap)
    of_group = past.turning and not past.by_size(lap)
    if not (of_group or many_go_through_flat(of_lap)):
        return ""
    ways = past.ways if of_group else of_lap
    whose = "its group" if len(ways) > len(of_lap) else lap
    return (
        f"in {np.count_nonzero(ways):,} of the {len(ways):,} past cycles of {whose} that say convex or concave the "
        "form went through flat, so that flatness shrank before it grew again"
    )
