"""Whether a lap is out of use: retired, on stand-by, or swapped out and not brought back."""

import pandas as pd

from spc.board.cell_view import CellView

__all__ = ["resting_since"]


def resting_since(view: CellView, lap: str) -> str:
    """When the lap was taken out of use and not brought back; '' = in use."""
    row = view.lap_row(lap)
    if row["state"] == "retired":
        return "it was retired"
    if row["state"] == "stand-by":
        return "it was put on stand-by"
    events, faces = view.events_of(lap), view.faces_of(lap)
    return view.memo.once(lap, "out", (events, faces), lambda: _out_since(events, faces))


def _out_since(events: pd.DataFrame, faces: pd.DataFrame) -> str:
    events = events[events["event"].isin(("swapped", "returned", "retired"))]
    if events.empty or events["event"].iloc[-1] == "returned":
        return ""
    out = events.iloc[-1]
    if len(faces) and int(faces["sort_us"].iloc[-1]) > int(out["sort_us"]):
        return ""  # it has lapped faces since, whatever the register says
    return str(out["time_text"]) or "an unknown time"
