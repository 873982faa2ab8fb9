"""Whether a lap is out of use, since when, and whether any face is left on it as it lies there."""

from dataclasses import dataclass, replace
from functools import partial
from shlex import quote

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, moment_on_log
from spc.board.lap_forecast import LapForecast, without_faces_left
from spc.board.lap_state import plural
from spc.wear.event_order import order_events

__all__ = ["Rest", "no_face_left", "rest_of"]

_OUT_OF_USE = {"stand-by": "on stand-by", "retired": "retired"}


@dataclass(frozen=True, slots=True)
class Rest:
    """How a lap lies out of use."""

    words: str  # 'resting since ...' or 'retired (damaged) since ...', '' = it is in use
    ended: str = ""  # 'worn', 'retired', or '' where the cycle goes on when it comes back
    remark: str = ""  # where the list of laps and the log do not agree whether it is in use


def rest_of(view: CellView, lap: str) -> Rest:
    """Say when a lap was taken out of use and not brought back, and whether its cycle has ended with that.

    Parameters
    ----------
    view : CellView
    lap : str
    """
    events, faces, cycles = view.events_of(lap), view.lapped_of(lap), view.cycles_of(lap)
    out, since, why = view.memo.once(lap, "out", (events, faces), partial(_out_since, events, faces))
    row = view.lap_row(lap)
    registered = str(row["state"])
    written_us = moment_on_log(int(row["state_us"]), view.settings)
    if registered in _OUT_OF_USE and not out and (came := _came_back(events, faces, written_us)):
        remark = (
            f"{lap} is {_OUT_OF_USE[registered]} in the list of laps, but {came} since: it counts as in use. Say so "
            f'there (`lapcell laps set {quote(lap)} --state "in use"`), or find out who laps on it.'
        )
        return Rest("", remark=remark)
    if registered == "retired" or out == "retired":
        return Rest(f"retired{why} since {since}" if out == "retired" else "retired", "retired")
    if registered != "stand-by" and not out:
        return Rest("")
    worn = len(cycles) > 0 and cycles["ended"].iloc[-1] in ("due", "found late")
    since = "it was put on stand-by" if registered == "stand-by" else since
    return Rest(f"resting since {since}", "worn" if worn else "")


def no_face_left(forecast: LapForecast, rest: Rest) -> LapForecast:
    """Say of a lap whose cycle has ended that no face is left until it is reconditioned; of a retired one nothing."""
    if not rest.ended:
        return forecast
    told = without_faces_left(forecast, "none until reconditioned" if rest.ended == "worn" else "")
    left, soon = (replace(each, status="ended") for each in (told.faces_left, told.next_face))
    return replace(told, faces_left=left, next_face=soon)


def _came_back(events: pd.DataFrame, faces: pd.DataFrame, written_us: int) -> str:
    """Say how a lap came into use after its state was written down; '' = it did not."""
    lapped = int(np.count_nonzero(faces["sort_us"].to_numpy(np.int64) > written_us))
    if lapped:
        return f"{plural(lapped, 'face')} {'was' if lapped == 1 else 'were'} lapped on it"
    back = events[(events["event"] == "returned") & (events["sort_us"] > written_us)]
    return "it was logged as returned" if len(back) else ""


def _out_since(events: pd.DataFrame, faces: pd.DataFrame) -> tuple[str, str, str]:
    """Give the event that took a lap out of use, '' = it is in use, when that was, and ' (its reason)'."""
    moved = events[events["event"].isin(("swapped", "returned", "retired"))]
    if len(faces) and len(moved):
        moved = order_events(faces, moved).events
    if moved.empty or moved["event"].iloc[-1] == "returned":
        return "", "", ""
    out = moved.iloc[-1]
    if len(faces) and int(out["place"]) < len(faces):
        return "", "", ""  # it has lapped faces since, whatever the register says
    why = f" ({out['reason']})" if out["reason"] else ""
    return str(out["event"]), str(out["time_text"]) or "an unknown time", why
