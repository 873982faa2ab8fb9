"""When to recondition one lap: the lives of the cycles of its group, and the age that costs least."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.lap_state import plural
from spc.board.missing import missing_of_lap
from spc.board.room_history import RoomHistory
from spc.wear.recondition_plan import ReconditionPlan, plan_recondition

__all__ = ["LapAge", "age_of_lap"]

_SEED = 20_240_917  # of the draws behind a plan, so that the same log always gives the same ages


@dataclass(frozen=True, slots=True)
class LapAge:
    """The plan of one lap's group, and the cycles behind it."""

    laps: tuple[str, ...]  # the lap and its sisters
    cycles: pd.DataFrame  # their rows of `spc.wear.cycle_table.list_cycles`
    plan: ReconditionPlan
    remarks: tuple[str, ...]  # what the lives rest on that nobody logged, a sentence each


def age_of_lap(
    view: CellView, lap: str, *, room: RoomHistory, planned_cost: float, worn_cost: float, clock: str = "faces"
) -> LapAge:
    """Plan the reconditioning of a lap from the cycles of its group.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    room : RoomHistory
        Its shifts are not asked after a reconditioning that nobody logged.
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
    cycles = _by_their_limits(view, view.cycles[view.cycles["lap"].isin(laps)])
    rng = np.random.default_rng(_SEED)
    plan = plan_recondition(cycles, planned_cost=planned_cost, worn_cost=worn_cost, rng=rng, clock=clock)
    missing = (one.sentence for name in laps for one in missing_of_lap(view, name, room.of(name)))
    return LapAge(tuple(laps), cycles, plan, (*_unsaid(cycles), *missing))


def _unsaid(cycles: pd.DataFrame) -> list[str]:
    """Tell how many of the lives that end in wear do so only because nobody said why the lap was reconditioned."""
    worn = cycles[cycles["ended"].isin(("due", "found late")) & cycles["start_known"] & (cycles["faces"] > 0)]
    silent = int((~worn["reason_given"]).sum())
    if not silent:
        return []
    counts = "counts" if silent == 1 else "count"
    return [
        f"{silent:,} of the {plural(len(worn), 'worn cycle')} ended with no reason logged and {counts} as worn at the "
        "last face, even where it read under the limit."
    ]


def _by_their_limits(view: CellView, cycles: pd.DataFrame) -> pd.DataFrame:
    """Cycles found worn late, known good only up to the last face that read under its limit."""
    good = cycles["good_faces"].to_numpy().copy()
    late = np.flatnonzero(cycles["ended"] == "found late")
    for at in late.tolist():
        faces = view.lapped_of(str(cycles["lap"].iloc[at]))
        faces = faces[faces["cycle"] == cycles["cycle"].iloc[at]]
        over = faces["flatness_low_um"].to_numpy(np.float64) >= upper_limit_um(faces["part"], view.limits)
        sent_back = faces["outcome"].isin(("re-lap", "regrind", "scrap")).to_numpy()
        known = np.flatnonzero((faces["flatness_low_um"].notna().to_numpy() & ~over & ~sent_back)[:-1])
        good[at] = known[-1] + 1 if known.size else 0
    if late.size == 0:
        return cycles
    low = np.where(cycles["ended"] == "found late", good, cycles["low_faces"])
    return cycles.assign(good_faces=good, low_faces=low.astype(np.float64))
