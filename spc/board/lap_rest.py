"""Whether a lap is out of use, since when, and whether any face is left on it as it lies there."""

from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from spc.board.cell_view import CellView
from spc.board.lap_forecast import LapForecast, without_faces_left

__all__ = ["Rest", "no_face_left", "rest_of"]


@dataclass(frozen=True, slots=True)
class Rest:
    """How a lap lies out of use."""

    since: str  # in words, '' = it is in use
    ended: str = ""  # 'worn', 'retired', or '' where the cycle goes on when it comes back


def rest_of(view: CellView, lap: str) -> Rest:
    """Say when a lap was taken out of use and not brought back, and whether its cycle has ended with that.

    Parameters
    ----------
    view : CellView
    lap : str
    """
    events, faces, cycles = view.events_of(lap), view.faces_of(lap), view.cycles_of(lap)
    out = view.memo.once(lap, "out", (events, faces), partial(_out_since, events, faces))
    registered = str(view.lap_row(lap)["state"])
    if registered == "retired" or out.ended == "retired":
        return Rest("it was retired" if registered == "retired" else out.since, "retired")
    since = "it was put on stand-by" if registered == "stand-by" else out.since
    worn = bool(since) and len(cycles) > 0 and cycles["ended"].iloc[-1] in ("due", "found late")
    return Rest(since, "worn" if worn else "")


def no_face_left(forecast: LapForecast, rest: Rest) -> LapForecast:
    """Say of a lap whose cycle has ended that no face is left until it is reconditioned; of a retired one nothing."""
    if not rest.ended:
        return forecast
    told = without_faces_left(forecast, "none until reconditioned" if rest.ended == "worn" else "")
    left, soon = (replace(each, status="ended") for each in (told.faces_left, told.next_face))
    return replace(told, faces_left=left, next_face=soon)


def _out_since(events: pd.DataFrame, faces: pd.DataFrame) -> Rest:
    events = events[events["event"].isin(("swapped", "returned", "retired"))]
    if events.empty or events["event"].iloc[-1] == "returned":
        return Rest("")
    out = events.iloc[-1]
    if len(faces) and int(faces["sort_us"].iloc[-1]) > int(out["sort_us"]):
        return Rest("")  # it has lapped faces since, whatever the register says
    return Rest(str(out["time_text"]) or "an unknown time", "retired" if out["event"] == "retired" else "")
