"""When to recondition one lap: the lives of the cycles of its group, and the age that costs least."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.lap_state import plural
from spc.board.lives import PLAN_SEED, grits_counted, lives_under, running_grit, sisters_of
from spc.board.missing import first_doubts, missing_of_lap
from spc.board.room_history import RoomHistory
from spc.log.name_list import name_list
from spc.model.p_words import p_words
from spc.wear.lifetime import cycle_lifetimes
from spc.wear.lives_apart import UNLIKE_P, lives_apart_p
from spc.wear.log_remarks import contradicted, of_one_face, unknown_reasons
from spc.wear.recondition_age import ages_words
from spc.wear.recondition_plan import ReconditionPlan, plan_recondition

__all__ = ["LapAge", "age_of_lap"]


@dataclass(frozen=True, slots=True)
class LapAge:
    """The plan of one lap's group, and the cycles behind it."""

    laps: tuple[str, ...]  # the lap, and those of its sisters with cycles among these
    grit: str  # the cycles are of, or the several in words; '' = none is written
    cycles: pd.DataFrame  # their rows of `spc.wear.cycle_table.list_cycles`
    plan: ReconditionPlan
    remarks: tuple[str, ...]  # laps that do not last alike, what nobody logged: a sentence each


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
    grits = grits_counted(view, laps, grit)
    cycles = lives_under(view, laps, grits, until=first_doubts(view, lap, room))
    others = int(view.cycles["lap"].isin(laps).sum()) - len(cycles)
    rng = np.random.default_rng(PLAN_SEED)
    plan_of = partial(plan_recondition, planned_cost=planned_cost, worn_cost=worn_cost, clock=clock)
    plan = plan_of(cycles, rng=rng)
    odd = (f"{name}: {said}" for name, own in cycles.groupby("lap", sort=False) for said in contradicted(own))
    missing = (one.sentence for name in laps for one in missing_of_lap(view, name, room.of(name)))
    pooled = set(cycles["lap"]) | {lap}
    return LapAge(
        tuple(name for name in laps if name in pooled),
        name_list(sorted(grits)),
        cycles,
        plan,
        (
            *_alone(view, lap),
            *_unlike(lap, cycles, plan, plan_of),
            *_of_these_grits(grit, grits, others),
            *_of_one_face(cycles),
            *_unsaid(cycles),
            *_read_over(cycles),
            *odd,
            *missing,
        ),
    )


def _alone(view: CellView, lap: str) -> list[str]:
    """Tell that a lap without a group lends and borrows no past, where there are others."""
    if view.lap_row(lap)["group"] or len(view.laps) == 1:
        return []
    return [
        f"{lap} has no material and no home grit on record, so its cycles stand alone: `lapcell laps set` says which "
        "laps are its sisters."
    ]


def _unlike(
    lap: str, cycles: pd.DataFrame, plan: ReconditionPlan, plan_of: Callable[..., ReconditionPlan]
) -> list[str]:
    """Tell where the cycles of the laps do not last alike, and what the lap's own cycles say by themselves."""
    lives = {str(name): cycle_lifetimes(own, clock=plan.lifetimes.clock) for name, own in cycles.groupby("lap")}
    names = [name for name, own in lives.items() for _ in own.low]
    low, high = (np.concatenate([getattr(own, end) for own in lives.values()] or [[]]) for end in ("low", "high"))
    p_value = lives_apart_p(plan.fit, low, high, names)
    if not p_value < UNLIKE_P:
        return []
    said = (
        f"The cycles of these laps do not last alike ({p_words(p_value)}): what is told of all of them together may be "
        "far from what is best for one."
    )
    own = cycles[cycles["lap"] == lap]
    alone = plan_of(own, rng=np.random.default_rng(PLAN_SEED))
    if alone.fit.status == "fitted":
        return [f"{said} By the cycles of {lap} alone: {alone.age.sentence}"]
    worn = alone.lifetimes.high[np.isfinite(alone.lifetimes.high)]
    lasted = f" ({ages_words(worn.min(), worn.max(), plan.lifetimes.clock)})" if worn.size else ""
    return [f"{said} Of {lap} alone no age can be told: {alone.fit.reason}{lasted}."]


def _of_these_grits(grit: str, grits: frozenset[str], others: int) -> list[str]:
    """Tell of which grit the lives are, where the laps have run with another one too."""
    are = "is" if others == 1 else "are"
    if len(grits) > 1:
        beside = f" {plural(others, 'cycle')} under others {are} not counted." if others else ""
        return [
            f"These cycles go through {name_list(sorted(grits))}, and too few ran with {grit} alone: a life is all "
            f"faces from one reconditioning to the next, whichever grit ran.{beside}"
        ]
    if not others:
        return []
    return [
        f"These are the cycles under {grit}; {plural(others, 'cycle')} under another grit, or under several, {are} "
        "not counted."
    ]


def _of_one_face(cycles: pd.DataFrame) -> list[str]:
    """Ask after reconditionings logged twice, whose lives of one face would be pooled with the others."""
    told = [f"{name}: {said}" for name, own in cycles.groupby("lap", sort=False) if (said := of_one_face(own))]
    if not told:
        return []
    return [
        f"{'; '.join(told)}. Was a reconditioning logged twice? Then take one back (`lapcell events take-back`): until "
        "then such a cycle counts as a life of one face."
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
