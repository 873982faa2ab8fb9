"""Which lap serves a part number best where it is known, and why nothing may go on a lap."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from spc.board.answers import COMPARED, LEAST_COMPARED, LapsCompared, compare_laps, which_lap_serves
from spc.board.cell_view import CellView, upper_limit_um
from spc.board.lap_frames import no_frames
from spc.board.lap_lead import laps_until_good, lead_of
from spc.board.lap_rest import rest_of
from spc.board.shown_length import shown_length
from spc.board.stops import stop_signals
from spc.measure.shown import MICROMETRE

__all__ = ["lap_that_serves", "why_out_of_use"]


def lap_that_serves(
    view: CellView, lap: str, *, out_of_use: Callable[[str], str], state_of: Callable[[str], str]
) -> str:
    """Say which lap serves the part number of a lap's latest face best.

    Where first passes are not known of one of the laps compared, none is compared by them. Laps that are held or rest
    are left out.

    Parameters
    ----------
    view : CellView
    lap : str
    out_of_use : callable
        From a lap to 'held', 'resting', 'retired' or '', as `why_out_of_use` says.
    state_of : callable
        State of a lap; asked of the few that are named.
    """
    faces = view.lapped_of(lap)
    part, grit = (str(faces[name].iloc[-1]) if len(faces) else "" for name in ("part", "grit"))
    limit_um = float(upper_limit_um(faces["part"].iloc[-1:], view.limits)[0]) if len(faces) else float("nan")
    same = view.signs_of_part(part, grit, COMPARED)
    unit = shown_length(view, lap, "flatness") or MICROMETRE
    place = f"serves {part} with {grit}, {limit_um}, in {unit}"
    compared = view.memo.once(  # once for all laps that ask: each asks for all others
        "", f"{place}: compared", same,
        lambda: tuple(str(rows["lap"].iloc[0]) for rows in same if len(rows) >= LEAST_COMPARED),
    )  # fmt: skip
    out = {name: why for name in compared if (why := out_of_use(name))}

    def compare() -> LapsCompared:
        hidden = any(lead_of(view, name).hidden for name in compared)
        signs = pd.concat(same or (no_frames().signs,))
        signs = signs.iloc[np.argsort(signs["sort_us"].to_numpy(np.int64), kind="stable")]
        return compare_laps(signs, part, grit=grit, limit_um=limit_um, hidden=hidden, out_of_use=out, unit=unit)

    made_from = (*same, view.limits, laps_until_good(view), view.memo.same("", f"{place}: out of use", out))
    return which_lap_serves(view.memo.once("", place, made_from, compare), state_of)


def why_out_of_use(view: CellView, lap: str) -> str:
    """Say why nothing may go on a lap: 'held', 'resting', 'retired'; '' = it may."""
    rest = rest_of(view, lap)
    if rest.words:
        return "retired" if rest.ended == "retired" else "resting"
    return "held" if stop_signals(view, lap) else ""
