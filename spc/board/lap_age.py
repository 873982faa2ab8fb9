"""When to recondition one lap: the lives of the cycles of its group, and the age that costs least."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.lap_state import plural
from spc.board.lives import PLAN_SEED, lives_under, running_grit, sisters_of
from spc.board.missing import first_doubts, missing_of_lap
from spc.board.room_history import RoomHistory
from spc.wear.log_remarks import contradicted, unknown_reasons
from spc.wear.recondition_plan import ReconditionPlan, plan_recondition

__all__ = ["LapAge", "age_of_lap"]


@dataclass(frozen=True, slots=True)
class LapAge:
    """The plan of one lap's group, and the cycles behind it."""

    laps: tuple[str, ...]  # the lap and its sisters
    grit: str  # the cycles are of; '' = none is written
    cycles: pd.DataFrame  # their rows of `spc.wear.cycle_table.list_cycles`
    plan: ReconditionPlan
    remarks: tuple[str, ...]  # what the lives rest on that nobody logged, a sentence each


def age_of_lap(
    view: CellView,
    lap: str,
    *,
    room: RoomHistory,
    planned_cost: float | None,
    worn_cost: float | None,
    clock: str = "faces",
) -> LapAge:
    """Plan the reconditioning of a lap from the cycles of its group.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    room : RoomHistory
        Its shifts are not asked after a reconditioning that nobody logged.
    planned_cost, worn_cost : float or None
        Costs of one cycle: reconditioned by plan, and worn out in use; any unit. Without both there is no age.
    clock : {'faces', 'minutes'}

    Returns
    -------
    LapAge

    Raises
    ------
    ValueError
        If the costs or the clock do not fit.
    """
    laps, grit = sisters_of(view, lap), running_grit(view, lap)
    cycles = lives_under(view, laps, grit, until=first_doubts(view, lap, room))
    others = int(view.cycles["lap"].isin(laps).sum()) - len(cycles)
    rng = np.random.default_rng(PLAN_SEED)
    plan = plan_recondition(cycles, planned_cost=planned_cost, worn_cost=worn_cost, rng=rng, clock=clock)
    odd = (f"{name}: {said}" for name, own in cycles.groupby("lap", sort=False) for said in contradicted(own))
    missing = (one.sentence for name in laps for one in missing_of_lap(view, name, room.of(name)))
    return LapAge(
        tuple(laps),
        grit,
        cycles,
        plan,
        (*_alone(view, lap), *_of_one_grit(grit, others), *_unsaid(cycles), *_read_over(cycles), *odd, *missing),
    )


def _alone(view: CellView, lap: str) -> list[str]:
    """Tell that a lap without a group lends and borrows no past, where there are others."""
    if view.lap_row(lap)["group"] or len(view.laps) == 1:
        return []
    return [
        f"{lap} has no material and no home grit on record, so its cycles stand alone: `lapcell laps set` says which "
        "laps are its sisters."
    ]


def _of_one_grit(grit: str, others: int) -> list[str]:
    """Tell of which grit the lives are, where the laps have run with another one too."""
    if not others:
        return []
    are = "is" if others == 1 else "are"
    return [
        f"These are the cycles under {grit}; {plural(others, 'cycle')} under another grit, or under several, {are} "
        "not counted."
    ]


def _unsaid(cycles: pd.DataFrame) -> list[str]:
    """Tell how many of the lives that end in wear do so only because nobody said why the lap was reconditioned."""
    worn = cycles[np.isfinite(cycles["high_faces"]) & cycles["start_known"] & (cycles["faces"] > 0)]
    unsaid = worn[~worn["reason_given"] & ~worn["over_limit"]]
    silent = len(unsaid)
    if not silent:
        return []
    counts = "counts" if silent == 1 else "count"
    which = f"{silent:,} of the {len(worn):,} worn cycles"
    if silent == len(worn):
        which = "The one worn cycle" if silent == 1 else f"All {silent:,} worn cycles"
    why = unknown_reasons(unsaid) or "logged"
    return [
        f"{which} ended with no reason {why} and {counts} as worn at the last face, even where that read under the "
        "limit."
    ]


def _read_over(cycles: pd.DataFrame) -> list[str]:
    """Tell of how many lives the readings tell the end, before the lap was taken off or without its being said worn."""
    counted = cycles[cycles["start_known"] & (cycles["faces"] > 0)]
    early = counted["over_limit"] & ~(counted["ended"].eq("due") & (counted["high_faces"] >= counted["faces"]))
    count = int(early.sum())
    if not count:
        return []
    return [
        f"In {count:,} of the {plural(len(counted), 'cycle')} the faces read over their limit while the lap was in "
        f"use: {'its life ends' if count == 1 else 'their lives end'} between the last reading within it and the first "
        "over it that the next confirms, not where the lap was taken off."
    ]
