"""Laps swapped out as worn, or retired, that are in use again with no reconditioning logged: a person is asked."""

import math

import numpy as np
import pandas as pd

from spc.wear.event_order import BEGINNINGS, EVENT_EFFECTS, order_events
from spc.wear.missing_event import MissingEvent

__all__ = ["back_in_use"]


def back_in_use(signs: pd.DataFrame, numbered: pd.DataFrame, events: pd.DataFrame) -> tuple[MissingEvent, ...]:
    """Find where one lap was swapped out as worn, or retired, and came back or lapped on without a reconditioning.

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
        that of the next. A lap that laps on after its retirement counts as a new life until somebody answers.

    Notes
    -----
    Where a reconditioning is logged on the same day and a date alone does not say which came first, nothing is asked.
    A retirement taken back is asked after where it gave a reason that the lap itself has, such as damage. A lap that
    went out more than once without lapping between is asked after once, for the last time it did.
    """
    if not events["event"].isin(("swapped", "retired")).any():
        return ()
    placed = order_events(numbered, events).events
    columns = ("event", "effect", "reason", "time_text", "place", "earliest", "latest")
    kinds, effects, reasons, texts, places, earliest, latest = (placed[name].tolist() for name in columns)
    of_a_day = placed["by_readings"].to_numpy(bool) | (placed["earliest"] < placed["latest"]).to_numpy()
    begun = np.flatnonzero(of_a_day & placed["event"].isin(BEGINNINGS).to_numpy()).tolist()
    rows = np.flatnonzero(np.isin(numbered["face_id"].to_numpy(np.int64), signs["face_id"].to_numpy(np.int64)))
    ids, cycle, age = (numbered[name].to_numpy()[rows] for name in ("face_id", "cycle", "age_faces"))
    times = numbered["time_text"].tolist()
    found = []
    for n in range(len(kinds)):
        retired = effects[n] == "retired"
        if not retired and not _taken_out_for_wear(kinds[n], reasons[n]):
            continue
        since = [later for later in range(n + 1, len(kinds)) if places[later] == places[n]]
        after = int(np.searchsorted(rows, places[n])) - 1  # the last face before it
        again = not retired and any(_taken_out_for_wear(kinds[later], reasons[later]) for later in since)
        if after < 0 or again or any(EVENT_EFFECTS[kinds[later]].cycle for later in since):
            continue
        if any(earliest[k] <= latest[n] and earliest[n] <= latest[k] for k in begun):
            continue
        returned = next((texts[later] for later in since if kinds[later] == "returned"), None)
        if after + 1 < rows.size:
            before, until, ago = after + 1, times[rows[after + 1]], float(age[after + 1])
            back = f"has lapped faces since, from face {ids[before]} on"
        elif returned is not None and not retired:
            before, until, ago = after, returned, float(age[after]) + 1.0
            back = f"is back in use after face {ids[after]}"
        else:
            continue
        lap, out = str(placed["lap"].iloc[n]), texts[n] or "an unknown time"
        done = "swapped out as worn" if kinds[n] == "swapped" else f"retired{f' ({reasons[n]})' if reasons[n] else ''}"
        said = (
            f"{lap} was {done} at {out} and {back}, with no reconditioning logged between. Was it "
            "reconditioned? Say yes or no."
        )
        found.append(
            MissingEvent(
                lap, int(cycle[before if retired else after]), int(ids[after]), int(ids[before]), until, ago, (),
                math.inf, said, retired,
            )
        )  # fmt: skip
    return tuple(found)


def _taken_out_for_wear(event: str, reason: str) -> bool:
    return (event == "swapped" and reason == "worn") or (event == "retired" and reason not in ("", "planned"))
