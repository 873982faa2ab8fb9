"""Which sign leads on each lap of a cell, and which lap serves a part number best where it is known."""

from functools import partial

import pandas as pd

from spc.board.answers import LEAST_COMPARED, which_lap_serves
from spc.board.cell_view import CellView, upper_limit_um
from spc.board.lap_frames import no_frames
from spc.wear.lead_sign import CutOff, LeadSign, choose_lead_sign, cut_off_evidence, cut_off_together

__all__ = ["lap_that_serves", "laps_until_good", "lead_of"]


def laps_until_good(view: CellView) -> bool:
    """Whether the laps of the cell that log no further pass are, taken together, lapped until good."""
    made_from = {lap: (frames.faces, frames.events, view.limits) for lap, frames in view.by_lap.items()}

    def evidence(lap: str) -> CutOff:
        signs = view.signs_of(lap)
        return cut_off_evidence(signs, upper_limit_um(signs["part"], view.limits))

    def together() -> bool:
        each = (view.memo.once(lap, "cut off", rows, partial(evidence, lap)) for lap, rows in made_from.items())
        return cut_off_together(tuple(each))

    return view.memo.once("", "lapped until good", tuple(one for rows in made_from.values() for one in rows), together)


def lead_of(view: CellView, lap: str) -> LeadSign:
    """Choose the sign that leads for one lap."""
    signs, together = view.signs_of(lap), laps_until_good(view)

    def lead() -> LeadSign:
        return choose_lead_sign(signs, upper_limit_um(signs["part"], view.limits), cell_cut_off=together)

    return view.memo.once(lap, "lead", (signs, view.limits, together), lead)


def lap_that_serves(view: CellView, part: str, grit: str, limit_um: float) -> str:
    """Say which lap serves a part number with a grit best; one answer for all laps.

    Where first passes are not known of one of the laps compared, none is compared by them.
    """
    same = view.signs_of_part(part, grit)

    def serves() -> str:
        compared = (str(rows["lap"].iloc[0]) for rows in same if len(rows) >= LEAST_COMPARED)
        hidden = any(lead_of(view, lap).hidden for lap in compared)
        signs = pd.concat(same).sort_values("sort_us", kind="stable") if same else no_frames().signs
        return which_lap_serves(signs, part, grit=grit, limit_um=limit_um, hidden=hidden)

    made_from = (*same, view.limits, laps_until_good(view))
    return view.memo.once("", f"serves {part} with {grit}, {limit_um}", made_from, serves)
