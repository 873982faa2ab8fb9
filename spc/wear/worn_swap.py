"""Laps swapped out as worn that are back in use though no reconditioning is logged: a person is asked about it."""

import math

import numpy as np
import pandas as pd

from spc.wear.event_order import EVENT_EFFECTS, order_events
from spc.wear.missing_event import MissingEvent

__all__ = ["worn_swaps"]


def worn_swaps(signs: pd.DataFrame, numbered: pd.DataFrame, events: pd.DataFrame) -> tuple[MissingEvent, ...]:
    """Find the swaps of one lap as worn after which it came back, or lapped on, with no reconditioning between.

    Parameters
    ----------
    signs : DataFrame, shape (n_finished, ...)
        Its finished faces from `spc.wear.signs.face_signs`, oldest first.
    numbered : DataFrame, shape (n_faces, ...)
        Its rows from `spc.wear.cycle.number_cycles`.
    events : DataFrame, shape (n_events, ...)
        Its events, in any order.

    Returns
    -------
    tuple of MissingEvent
        In order of time. Of a lap that is back and has not lapped since, both faces are its last one, and the age is
        that of the next.
    """
    if not ((events["event"] == "swapped") & (events["reason"] == "worn")).any():
        return ()
    placed = order_events(numbered, events).events
    kinds, reasons, texts, places = (placed[name].tolist() for name in ("event", "reason", "time_text", "place"))
    rows = np.flatnonzero(np.isin(numbered["face_id"].to_numpy(np.int64), signs["face_id"].to_numpy(np.int64)))
    ids, cycle, age = (numbered[name].to_numpy()[rows] for name in ("face_id", "cycle", "age_faces"))
    times = numbered["time_text"].tolist()
    found = []
    for n in range(len(kinds)):
        if kinds[n] != "swapped" or reasons[n] != "worn":
            continue
        since = [later for later in range(n + 1, len(kinds)) if places[later] == places[n]]
        after = int(np.searchsorted(rows, places[n])) - 1  # the last face before it
        if after < 0 or any(EVENT_EFFECTS[kinds[later]].cycle for later in since):
            continue
        returned = next((texts[later] for later in since if kinds[later] == "returned"), None)
        if after + 1 < rows.size:
            before, until, ago = after + 1, times[rows[after + 1]], float(age[after + 1])
            back = "has lapped faces since"
        elif returned is not None:
            before, until, ago = after, returned, float(age[after]) + 1.0
            back = "is back in use"
        else:
            continue
        lap, out = str(placed["lap"].iloc[n]), texts[n] or "an unknown time"
        said = (
            f"{lap} was swapped out as worn at {out} and {back}, with no reconditioning logged between. Was it "
            "reconditioned? Say yes or no."
        )
        found.append(
            MissingEvent(
                lap, int(cycle[after]), int(ids[after]), int(ids[before]), until, ago, (), math.inf, said,
            )
        )  # fmt: skip
    return tuple(found)
