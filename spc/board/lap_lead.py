"""Which sign leads on each lap of a cell."""

from functools import partial

from spc.board.cell_view import CellView, upper_limit_um
from spc.wear.lead_sign import CutOff, LeadSign, choose_lead_sign, cut_off_evidence, cut_off_together

__all__ = ["laps_until_good", "lead_of"]


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
