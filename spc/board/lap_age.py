"""When to recondition one lap: the lives of the cycles of its group, and the age that costs least."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.wear.recondition_plan import ReconditionPlan, plan_recondition

__all__ = ["LapAge", "age_of_lap"]

_SEED = 20_240_917  # of the draws behind a plan, so that the same log always gives the same ages


@dataclass(frozen=True, slots=True)
class LapAge:
    """The plan of one lap's group, and the cycles behind it."""

    laps: tuple[str, ...]  # the lap and its sisters
    cycles: pd.DataFrame  # their rows of `spc.wear.cycle_table.list_cycles`
    plan: ReconditionPlan


def age_of_lap(view: CellView, lap: str, *, planned_cost: float, worn_cost: float, clock: str = "faces") -> LapAge:
    """Plan the reconditioning of a lap from the cycles of its group.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    planned_cost, worn_cost : float
        Costs of one cycle: reconditioned by plan, and worn out in use; any unit.
    clock : {'faces', 'minutes'}

    Returns
    -------
    LapAge

    Raises
    ------
    ValueError
        If the costs or the clock do not fit.
    """
    group = view.lap_row(lap)["group"]
    laps = [lap] if not group else [str(name) for name in view.laps.loc[view.laps["group"] == group, "lap"]]
    cycles = view.cycles[view.cycles["lap"].isin(laps)]
    rng = np.random.default_rng(_SEED)
    plan = plan_recondition(cycles, planned_cost=planned_cost, worn_cost=worn_cost, rng=rng, clock=clock)
    return LapAge(tuple(laps), cycles, plan)
