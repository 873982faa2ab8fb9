"""What needs a person this shift: the laps in order of need, holds, what changed, pace, and one alarm for the room."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, look_at_cell
from spc.board.chart_signals import CellCharts, chart_cell, go_look_list, room_alarm
from spc.board.lap_report import report_of
from spc.board.lap_state import plural
from spc.board.pace import faces_per_shift, pace_by_part
from spc.board.results import STATES, LapReport, ReconditionSlot, RoomAlarm, ShiftReport
from spc.board.shifts import ShiftSpan, breaks_ahead, shift_at, shift_before
from spc.board.slots import LapNeed, plan_slots
from spc.chart.share_interval import share_interval
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["in_order_of_need", "report_shift", "shift_of"]

AHEAD_HOURS = 26.0  # a log without a zone may be ahead of the clock by up to this, and be right
STALE_HOURS = 2.0  # a running shift without a new face for this long is told; our own rule
_UNDATED = " The log carries no times: all its readings are counted as one week's."
_BREAKS = 4  # natural breaks ahead that reconditioning is planned over
_MOST_NAMED = 8  # laps in one sentence
_ORDER = {state: rank for rank, state in enumerate(STATES)}


def report_shift(store: Store, settings: Settings) -> ShiftReport:
    """Report on the whole cell at the site's present moment.

    Parameters
    ----------
    store : Store
    settings : Settings

    Returns
    -------
    ShiftReport
        `laps` in order of need; an empty store gives a report that says so.
    """
    view = look_at_cell(store, settings)
    cell = chart_cell(view)
    room = room_alarm(view, cell)
    names = [str(lap) for lap in view.laps["lap"]]
    return shift_of(view, cell, [report_of(view, cell, lap, room=room) for lap in names], room=room)


def shift_of(view: CellView, cell: CellCharts, reports: Iterable[LapReport], *, room: RoomAlarm | None) -> ShiftReport:
    """Report on the shift of a cell already looked at.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its charts, from `chart_cell`.
    reports : iterable of LapReport
        Of every lap of the view, from `report_of`.
    room : RoomAlarm or None
        From `room_alarm`.

    Returns
    -------
    ShiftReport
    """
    laps = in_order_of_need(tuple(reports))
    stopped = tuple(r.lap for r in laps if any(s.severity == "stop" for s in r.signals))
    listed, chosen = go_look_list(view, cell, never_filtered=stopped)
    span = shift_at(view.now, view.settings)
    before = shift_before(span, view.settings)
    faces = view.faces[view.faces["kind"] == "face"]
    now = faces[(faces["sort_us"] >= span.start_us) & (faces["sort_us"] < span.end_us)]
    finished = view.signs[(view.signs["sort_us"] >= span.start_us) & (view.signs["sort_us"] < span.end_us)]
    share = share_interval(
        int(finished["relapped"].sum()), len(finished)
    )  # by face: one row may tell of earlier passes
    slots, slots_note = _slots(view, laps)
    return ShiftReport(
        as_of_text=f"{view.now:%A} {view.now.day} {view.now:%B %Y, %H:%M}",
        shift_text=span.text,
        sentence=_sentence(laps, room, len(faces)),
        laps=laps,
        room=room,
        changed=_changed(view, laps, span, before),
        holds=tuple(r.sentence for r in laps if r.state == "held"),
        faces_this_shift=len(finished),
        relaps_this_shift=int((now["attempt"] > 1).sum()),
        relap_share_low=share.low if len(finished) else float("nan"),
        relap_share_high=share.high if len(finished) else float("nan"),
        pace=tuple(p.sentence for p in pace_by_part(faces, since_us=span.start_us)),
        false_calls=cell.plan.sentence + _UNDATED * (cell.plan.widths is not None and _undated(faces)),
        go_look=listed,
        go_look_sentence=chosen.sentence if listed else "",
        newest_face_text=_newest_text(faces),
        stale=_stale(view, faces),
        slots=slots,
        slots_note=slots_note,
    )


def in_order_of_need(laps: tuple[LapReport, ...]) -> tuple[LapReport, ...]:
    """Held first, then due, watch, cutting, resting; within a state the fewest faces left first."""

    def need(report: LapReport) -> tuple[int, float, float, str]:
        left = report.faces_left
        known = left.low if left.low is not None else (0.0 if left.status == "over" else np.inf)
        middle = left.median if left.median is not None else np.inf
        return _ORDER[report.state], float(known), float(middle), report.lap

    return tuple(sorted(laps, key=need))


def _slots(view: CellView, laps: tuple[LapReport, ...]) -> tuple[tuple[ReconditionSlot, ...], str]:
    breaks = breaks_ahead(view.now, view.settings, most=_BREAKS)
    if not breaks:
        return (), "No plan: the site settings give no shift hours, so no natural break is known."
    needs = []
    for report in laps:
        left = report.faces_left
        known = left.unit == "faces" and left.low is not None
        low = 0.0 if left.status == "over" else float(left.low) if known and left.low is not None else float("nan")
        pace = faces_per_shift(view.faces_of(report.lap))
        needs.append(LapNeed(report.lap, report.state, low, pace, over=left.status == "over"))
    slots = plan_slots(needs, breaks)
    note = (
        f"Planned over the next {plural(len(breaks), 'break')}, one lap at each, so that every lap lasts until its "
        "break at its usual pace and the low end of its faces left."
    )
    return slots, note if slots else f"No lap needs a break before the {breaks[-1].text.removeprefix('end of the ')}."


def _sentence(laps: tuple[LapReport, ...], room: RoomAlarm | None, faces: int) -> str:
    if faces == 0:
        return "No face has been logged yet."
    if room is not None:
        return room.sentence
    named = {state: [r.lap for r in laps if r.state == state] for state in STATES}
    told = []
    if named["held"]:
        told.append(f"{_and(named['held'])} held for a person")
    if named["due"]:
        told.append(f"{_and(named['due'])} due for reconditioning")
    if named["watch"]:
        told.append(f"{_and(named['watch'])} to be watched")
    if not told and not named["cutting"]:
        return f"Nothing needs a person: {plural(len(laps), 'lap')} resting, none in use."
    if not told:
        return f"Nothing needs a person: {plural(len(named['cutting']), 'lap')} wearing as usual."
    return f"{'; '.join(told)}." + (
        f" {plural(len(named['cutting']), 'lap')} wearing as usual." if named["cutting"] else ""
    )


def _changed(view: CellView, laps: tuple[LapReport, ...], span: ShiftSpan, before: ShiftSpan) -> tuple[str, ...]:
    """Say what happened since the last shift began to end: signals that are new, and what was done to the laps."""
    told = []
    when = view.faces.set_index("face_id")["sort_us"]
    for report in laps:
        for signal in report.signals:
            if int(when.get(signal.face_id, 0)) >= span.start_us:
                told.append(f"New this shift: {signal.sentence}")
    events = view.events[(view.events["sort_us"] >= span.start_us) & (view.events["sort_us"] < span.end_us)]
    for lap, event, who in zip(events["lap"], events["event"], events["operator"], strict=True):
        told.append(f"{lap} was {event}{f' by {who}' if who else ''}.")
    last = view.faces[(view.faces["sort_us"] >= before.start_us) & (view.faces["sort_us"] < before.end_us)]
    ran = set(last.loc[last["kind"] == "face", "lap"])
    here = view.faces[(view.faces["sort_us"] >= span.start_us) & (view.faces["sort_us"] < span.end_us)]
    idle = sorted(ran - set(here["lap"]) - {r.lap for r in laps if r.state == "resting"})
    if idle and len(here):
        told.append(f"Ran in the shift before and not in this one yet: {_and(idle)}.")
    return tuple(dict.fromkeys(told))


def _stale(view: CellView, faces: pd.DataFrame) -> str:
    if faces.empty:
        return ""
    if _undated(faces):
        return "No face carries a time: how old the newest is cannot be said, nor how many a week."
    newest = int(faces["sort_us"].max())
    hours = (view.now_us - newest) / 3.6e9
    if hours < -AHEAD_HOURS:
        return (
            f"The newest face is of {_newest_text(faces)}, which is still to come: look at the site's clock or dates."
        )
    if hours <= STALE_HOURS:
        return ""
    text = _newest_text(faces)
    ago = f"{hours:.0f} hours" if hours < 48 else f"{hours / 24:.0f} days"
    return f"No new face for {ago}: the newest is of {text}."


def _undated(faces: pd.DataFrame) -> bool:
    return not (faces["time_text"] != "").any()


def _newest_text(faces: pd.DataFrame) -> str:
    return str(faces["time_text"].iloc[int(faces["sort_us"].to_numpy().argmax())]) if len(faces) else ""


def _and(names: list[str]) -> str:
    if len(names) > _MOST_NAMED:
        names = [*names[: _MOST_NAMED - 1], f"{len(names) - _MOST_NAMED + 1} more laps"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
