"""Past cycles that people called worn long before the faces left by readings would have it."""

import numpy as np
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.lap_forecast import LapForecast
from spc.board.lap_lead import lead_of
from spc.board.lives import grits_counted, lives_under, running_grit

__all__ = ["called_worn"]

# Our own rules.
_LONG_BEFORE = 0.5  # of the age at which the range by readings begins: to recondition in good time is no matter
_LEAST = 3  # such cycles, and more than half of those of the lap that were called worn


def called_worn(view: CellView, lap: str, forecast: LapForecast) -> str:
    """Say that most past cycles of a lap were called worn at ages that its readings would let it pass.

    Parameters
    ----------
    view : CellView
    lap : str
    forecast : LapForecast
        Of the lap, by its readings.

    Returns
    -------
    str
        '' where they were not, or nobody said that they were worn, or where faces left take in how long they lasted.
    """
    left = forecast.faces_left
    if left.status != "range" or left.from_lives or left.by_lives:
        return ""
    least = left.horizon if left.low is None else left.low
    cycles, grit = view.cycles_of(lap), running_grit(view, lap)

    def lives() -> tuple[float, NDArray[np.float64]]:
        """Faces of the running cycle, and of each that was called worn before a reading was over its limit."""
        own = lives_under(view, [lap], grits_counted(view, [lap], grit))
        ended = own[own["start_known"] & (own["ended"] == "due") & own["reason_given"]]
        running = own.loc[own["ended"] == "running", "faces"]
        early = ended["high_faces"].where(~ended["over_limit"], np.inf)
        return float(running.sum()), early.to_numpy(np.float64)

    made_from = (cycles, view.signs_of(lap), view.faces_of(lap), view.limits, lead_of(view, lap))
    age, worn = view.memo.once(lap, f"called worn under {grit}", made_from, lives)
    early = worn[worn < _LONG_BEFORE * (age + least)]
    if early.size < _LEAST or early.size <= worn.size / 2:
        return ""
    unit = "passes" if left.counted == "pass" else "faces"
    after = f"{early.min():.0f} to {early.max():.0f}" if np.ptp(early) else f"{early.min():.0f}"
    return (
        f"{early.size} of {worn.size} past cycles were called worn after {after} {unit}, less than half way to "
        "the limit by its readings: they could have gone on, or it is not flatness that wears first"
    )
