"""The age at which the laps of a study are reconditioned: as asked, as the costs say, or as it was done so far."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spc.board.cell_view import CellView
from spc.board.lives import NEVER, PLAN_SEED, grits_counted, lives_under, running_grit, sisters_of
from spc.board.study_plan import StudyPlan
from spc.wear.recondition_plan import plan_recondition

__all__ = ["PlannedAge", "planned_age"]

_TAKEN_OFF = ("due", "found late", "planned")  # endings by wear or by plan, not by damage


@dataclass(frozen=True, slots=True)
class PlannedAge:
    """An age in the cycle, and who says so."""

    faces: float  # NaN = not known
    source: str  # in words; why not known, where it is not


def planned_age(
    view: CellView, plan: StudyPlan, laps: list[str], *, until: Mapping[tuple[str, int], float] = NEVER
) -> PlannedAge:
    """Find the planned reconditioning age of the laps of a study.

    Parameters
    ----------
    view : CellView
    plan : StudyPlan
    laps : list of str
        The laps whose readings the study takes.
    until : mapping of (str, int) to float, default none
        Of a lap and its cycle, the age in faces at which another cycle may have begun, from `first_doubts_in`.

    Returns
    -------
    PlannedAge
        The plan's own age; else the age of least cost from the costs in the site's settings, where the laps are of one
        group and grit and their lives carry it; else the median age at which these laps were reconditioned so far.
    """
    if plan.planned_age_faces is not None:
        return PlannedAge(plan.planned_age_faces, "given for this study")
    cycles = view.cycles[view.cycles["lap"].isin(laps)]
    names = zip(cycles["lap"].tolist(), cycles["cycle"].tolist(), strict=True)
    cycles = cycles[np.array([name not in until for name in names], dtype=bool)]  # what holds two has no one age
    planned, unplanned = view.settings.planned_cost, view.settings.unplanned_cost
    sisters = sisters_of(view, laps[0]) if laps else []
    grits = {grits_counted(view, sisters, running_grit(view, lap)) for lap in laps}
    of_one = len(grits) == 1 and set(laps) <= set(sisters)
    if planned is not None and unplanned is not None and of_one:
        found = plan_recondition(
            lives_under(view, sisters, grits.pop(), until=until),
            planned_cost=planned,
            worn_cost=unplanned,
            rng=np.random.default_rng(PLAN_SEED),
        )
        if found.age.status == "range":
            return PlannedAge(float(round(found.age.age)), "age of least cost from the costs in the site's settings")
    fault = f"; {view.settings.costs_fault}" if view.settings.costs_fault else ""
    ends = cycles.loc[cycles["ended"].isin(_TAKEN_OFF) & cycles["start_known"].astype(bool), "faces"]
    if ends.empty:
        return PlannedAge(float("nan"), f"no whole cycle of these laps is logged yet and no age was given{fault}")
    many = f"{len(ends):,} whole cycles" if len(ends) > 1 else "1 whole cycle"
    return PlannedAge(
        float(np.median(ends)), f"median age at which these laps were reconditioned so far, {many}{fault}"
    )
