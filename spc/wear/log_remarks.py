"""What is odd about the order of a log: clocks that jump back, events that cannot be placed, cycles of one face."""

import numpy as np
import pandas as pd

from spc.wear.cycle_table import ENDINGS, list_cycles
from spc.wear.event_order import BEGINNINGS, EVENT_EFFECTS, EventOrder, order_events

__all__ = ["contradicted", "log_remarks", "of_one_face", "unknown_reasons"]

_NAMED = 3  # events named in one remark, the last ones


def log_remarks(numbered: pd.DataFrame, events: pd.DataFrame, cycles: pd.DataFrame | None = None) -> tuple[str, ...]:
    """Say in words what is odd about the order of faces and events; nothing odd gives nothing.

    Parameters
    ----------
    numbered : DataFrame, shape (n_faces, ...)
        Result of `spc.wear.cycle.number_cycles`, one or many laps.
    events : DataFrame, shape (n_events, ...)
        The same events frame.
    cycles : DataFrame, optional
        Result of `list_cycles` on both, where it is at hand.

    Returns
    -------
    tuple of str
        Each says what was found and how it was taken.
    """
    if len(numbered) == 0:
        return ()
    remarks = [_clock(numbered), *_events(numbered, events)]
    cycles = list_cycles(numbered, events) if cycles is None else cycles
    for lap, own in cycles.groupby("lap", sort=False):
        finished = own[own["ended"] != "running"]
        if not own["start_known"].any():
            remarks.append(f"{lap}: no reconditioning is logged, so its age is counted from the first face logged.")
        single = of_one_face(finished)
        if single:
            remarks.append(f"{lap}: {single}; check for a reconditioning logged twice.")
        silent = int((~finished["reason_given"]).sum())
        if silent:
            counts = "counts" if silent == 1 else "count"
            said = unknown_reasons(finished)
            remarks.append(
                f"{lap}: {_many(silent, 'cycle')} ended with no reason {said or 'logged'} and {counts} as worn."
            )
        remarks += [f"{lap}: {said}" for said in contradicted(finished)]
    return tuple(r for r in remarks if r)


def unknown_reasons(cycles: pd.DataFrame) -> str:
    """Name the reasons in words that are not known among endings that say nothing else; '' = there are none.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of `list_cycles`.
    """
    words = list(dict.fromkeys(cycles.loc[~cycles["reason_given"].astype(bool) & (cycles["reason"] != ""), "reason"]))
    if not words:
        return ""
    more = f" and {len(words) - _NAMED} more" if len(words) > _NAMED else ""
    named = ", ".join(f'"{word}"' for word in words[:_NAMED])
    return f"that is known ({named}{more}; known are worn, planned, routine, damaged, contamination)"


def of_one_face(cycles: pd.DataFrame) -> str:
    """Count the cycles that ended after one face, in words; '' = there are none.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of `list_cycles`.
    """
    single = (cycles["faces"] == 1) & cycles["start_known"] & (cycles["ended"] != "running")  # else older faces hide
    count = int(single.sum())
    return f"{_many(count, 'cycle')} of one face" if count else ""


def contradicted(cycles: pd.DataFrame) -> tuple[str, ...]:
    """Name the endings of which two reconditionings, with no face between, say that it was worn and that it was not.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of `list_cycles`.
    """
    odd = cycles[cycles["said_too"] != ""]
    columns = (odd[name].tolist() for name in ("cycle", "end_event", "end_text", "ended", "said_too"))
    return tuple(
        f"cycle {cycle} was {event} at {text or 'an unknown time'} ({ENDINGS[ended]}), and the next one, with no face "
        f"between, says otherwise ({ENDINGS[other]}): the first counts; take back the one that is wrong "
        "(`lapcell events take-back`)."
        for cycle, event, text, ended, other in zip(*columns, strict=True)
    )


def _many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _clock(numbered: pd.DataFrame) -> str:
    """Rows of one file whose time is before that of the row above them."""
    order = np.lexsort((numbered["row_number"].to_numpy(), numbered["intake_id"].to_numpy()))
    us = numbered["sort_us"].to_numpy(np.int64)[order]
    same_file = np.diff(numbered["intake_id"].to_numpy()[order]) == 0
    back = np.flatnonzero(same_file & (np.diff(us) < 0))
    if back.size == 0:
        return ""
    worst = int(back[np.argmin(np.diff(us)[back])])
    row = numbered.iloc[order[worst + 1]]
    hours = (us[worst] - us[worst + 1]) / 3.6e9
    size = f"{hours:.1f} hours" if hours >= 1 else f"{hours * 60:.0f} minutes"
    size = f"{hours / 24:.0f} days" if hours >= 48 else size
    return (
        f"The clock jumps back {_many(int(back.size), 'time')} within a file, most by {size} at data row "
        f"{row['row_number']} ({row['time_text'] or 'no time typed'}); faces are taken in order of their time."
    )


def _events(numbered: pd.DataFrame, events: pd.DataFrame) -> list[str]:
    layout = order_events(numbered, events)
    remarks = []
    if len(layout.unplaced):
        known = layout.unplaced["lap"].isin(layout.laps)
        timeless, strange = int(known.sum()), int((~known).sum())
        if timeless:
            remarks.append(f"{_many(timeless, 'event')} without a time cannot be placed among the faces; left out.")
        if strange:
            remarks.append(f"{_many(strange, 'event')} of laps that have no face yet.")
    placed = layout.events
    if len(placed) == 0:
        return remarks
    remarks.append(_timeless(placed))
    code, place = placed["lap_code"].to_numpy(np.int64), placed["place"].to_numpy(np.int64)
    starts = np.array([EVENT_EFFECTS[e].cycle and e != "retired" for e in placed["effect"]], bool)
    count = int(placed.loc[starts, ["lap_code", "place"]].duplicated().sum())
    if count:
        as_one = "counts as one with it" if count == 1 else "count as one"
        remarks.append(f"{_many(count, 'reconditioning')} with no face since the one before {as_one}.")
    remarks += _of_a_day(layout)
    remarks += _while_off(numbered, layout)
    retired = (placed["effect"] == "retired").to_numpy() & (place < layout.block_end[code])
    for lap in sorted({layout.laps[c] for c in code[retired]}):
        remarks.append(f"{lap}: faces are logged after it was retired; they count as a new life.")
    return remarks


def _of_a_day(layout: EventOrder) -> list[str]:
    """Reconditionings of each lap whose place among the faces of their day nobody wrote."""
    placed = layout.events
    read = placed["by_readings"].to_numpy(bool)
    unsure = placed[(read | (placed["earliest"] < placed["latest"])) & placed["event"].isin(BEGINNINGS)]
    remarks = []
    for lap, own in unsure.groupby("lap", sort=False):
        told, many = int(own["by_readings"].sum()), len(own) > 1
        them, fall = ("them", "fall") if many else ("it", "falls")
        put = ["where the readings begin anew"] * bool(told) + ["before the faces of that day"] * (told < len(own))
        which = "" if len(put) == 1 else f" ({told} and {len(own) - told})"
        lives = "; where the readings do not tell, the lives beside are told as a range" if told < len(own) else ""
        remarks.append(
            f"{lap}: {_many(len(own), 'reconditioning')}{', the last' if many else ''} on "
            f"{own['time_text'].iloc[-1]}, {fall} among faces of one day, and a date alone does not say between which: "
            f"put {' or '.join(put)}{which}{lives}. Give {them} and the faces a time of day, or log {them} in the file "
            "of the faces, in a row between theirs."
        )
    return remarks


def _while_off(numbered: pd.DataFrame, layout: EventOrder) -> list[str]:
    """Faces of each lap after it was swapped out and before it is back; one swapped out as worn is asked about."""
    effects, places, codes, reasons, texts = (
        layout.events[name].tolist() for name in ("effect", "place", "lap_code", "reason", "time_text")
    )
    is_face = (numbered["kind"] == "face").to_numpy()[layout.order]
    found: dict[str, list[tuple[int, str]]] = {}
    for n in range(len(effects)):
        if effects[n] != "swapped" or reasons[n] == "worn":
            continue
        own = (k for k in range(n + 1, len(effects)) if codes[k] == codes[n])
        back = (places[k] for k in own if effects[k] in ("swapped", "returned") or EVENT_EFFECTS[effects[k]].cycle)
        faces = int(is_face[places[n] : next(back, layout.block_end[codes[n]])].sum())
        if faces:
            found.setdefault(layout.laps[codes[n]], []).append((faces, texts[n] or "an unknown time"))
    remarks = []
    for lap, times in found.items():
        faces, at = times[-1]
        before = f" (so too after {_many(len(times) - 1, 'swap')} before)" if len(times) > 1 else ""
        remarks.append(
            f"{lap}: {_many(faces, 'face')} logged after it was swapped out at {at}, and no return between{before}; "
            "they count in its cycle: log the return, or take the swap back (`lapcell events take-back`)."
        )
    return remarks


def _timeless(placed: pd.DataFrame) -> str:
    """Events that only their place in the file puts among the faces."""
    own = placed[(placed["time_text"] == "") & placed["time_utc"].isna()]
    count = len(own)
    if not count:
        return ""
    newest = zip(own["event"].iloc[-_NAMED:], own["row_number"].iloc[-_NAMED:], strict=True)
    named = ", ".join(f"{event} at data row {row}" for event, row in newest)
    more = f", and {count - _NAMED} before" if count > _NAMED else ""
    is_placed, it = ("is", "it a time") if count == 1 else ("are", "each a time")
    what = f"{_many(count, 'event')} without a time {is_placed} placed by the place in the file"
    return f"{what} ({named}{more}): give {it}."
