"""What needs a person this shift: the laps in order of need, holds, what changed, pace, and one alarm for the room."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.bow_signals import form_is_written
from spc.board.cell_charts import CellCharts, go_look_list
from spc.board.cell_view import CellView
from spc.board.false_calls import GoLook
from spc.board.lap_frames import no_frames
from spc.board.lap_state import SECOND_READER_FIRST, plural
from spc.board.pace import faces_per_shift, minutes_by_part, pace_of_laps
from spc.board.relap_signals import relap_false_calls
from spc.board.results import STATES, LapReport, ReconditionSlot, RoomAlarm, ShiftReport, Signal
from spc.board.room_answer import asked_of_room
from spc.board.room_history import RoomHistory
from spc.board.shifts import ShiftSpan, breaks_ahead, shift_at, shift_before
from spc.board.slots import LapNeed, plan_slots
from spc.board.to_come import cell_words
from spc.chart.share_interval import share_interval
from spc.log.moments import has_clock, shown_wall
from spc.log.name_list import name_list

__all__ = ["go_look_words", "in_order_of_need", "shift_of"]

STALE_HOURS = 2.0  # a running shift without a new face for this long is told; our own rule
_UNDATED = " The log carries no times: all its readings are counted as one week's."
_TURNING = (
    " Beside it: a form is called turning that is not, in at most one cycle in 50, and faces are said to have begun to "
    "read as twist that have not, in as many."
)
_BREAKS = 4  # natural breaks ahead that reconditioning is planned over
_MOST_NAMED = 8  # laps in one sentence
_DONE = ["lap", "event", "operator", "sort_us", "intake_id", "row_number"]
_ORDER = {state: rank for rank, state in enumerate(STATES)}


def shift_of(view: CellView, cell: CellCharts, reports: Iterable[LapReport], *, room: RoomHistory) -> ShiftReport:
    """Report on the shift of a cell already looked at.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its charts, from `chart_cell`.
    reports : iterable of LapReport
        Of every lap of the view, from `report_of`.
    room : RoomHistory
        From `look_at_room`.

    Returns
    -------
    ShiftReport
    """
    laps = in_order_of_need(tuple(reports))
    stopped = tuple(r.lap for r in laps if any(s.severity == "stop" for s in r.signals))
    listed, chosen = go_look_list(view, cell, never_filtered=stopped, with_room=room.with_it)
    states = {report.lap: report.state for report in laps}
    span = shift_at(view.now, view.shifts_by)
    before = shift_before(span, view.shifts_by)
    logged = {lap: view.memo.once(lap, "logged", (rows,), partial(_logged, rows)) for lap, rows in _lapped(view)}
    newest = max(logged.values(), key=lambda lap: lap.newest_us, default=_NOTHING)
    n_faces, dated = sum(lap.faces for lap in logged.values()), any(lap.dated for lap in logged.values())
    relaps = int((_within((rows for _, rows in _lapped(view)), "attempt", span) > 1).sum())
    signs = [frames.signs for frames in view.by_lap.values()]
    relapped = _within(signs, "relapped", span) | _within(signs, "passed_before", span)
    firsts = relapped.size
    share = share_interval(int(relapped.sum()), firsts)  # by face: see `face_signs`
    minutes = (view.memo.once(lap, "minutes", (rows,), partial(minutes_by_part, rows)) for lap, rows in _lapped(view))
    slots, slots_note = _slots(view, laps)
    to_come, alarm = cell_words(view.faces_to_come, view.settings), _room(view, room)
    return ShiftReport(
        as_of_text=shown_wall(view.now),
        shift_text=span.text,
        sentence=_sentence(laps, alarm, room.not_the_room, n_faces, to_come=bool(to_come)),
        laps=laps,
        room=alarm,
        room_before=room.before,
        changed=(*_moved(room), *_changed(view, laps, span, before)),
        holds=tuple(r.sentence for r in laps if r.state == "held" or _stopped_at_rest(r)),
        faces_this_shift=firsts,
        relaps_this_shift=relaps,
        relap_share_low=share.low if firsts else float("nan"),
        relap_share_high=share.high if firsts else float("nan"),
        pace=tuple(p.sentence for p in pace_of_laps(minutes, since_us=span.start_us)),
        false_calls="".join(
            (
                cell.plan.sentence,
                _UNDATED * (cell.plan.widths is not None and not dated),
                _TURNING * (cell.plan.widths is not None and form_is_written(view)),
                relap_false_calls(view, cell),
            )
        ),
        go_look=listed,
        go_look_sentence=go_look_words({str(lap): states[str(lap)] for lap in view.laps["lap"]}, chosen),
        newest_face_text=newest.newest_text,
        stale=" ".join(said for said in (to_come, _stale(view, newest, dated=dated) if n_faces else "") if said),
        slots=slots,
        slots_note=slots_note,
        not_the_room=room.not_the_room,
        not_the_room_before=room.not_the_room_before,
    )


def _room(view: CellView, room: RoomHistory) -> RoomAlarm | None:
    """Give the alarm of the running shift, ready to be answered."""
    if room.alarm is None:
        return None
    return asked_of_room(view, room.alarm, room.running, direction=room.moved[-1].direction)


def _moved(room: RoomHistory) -> tuple[str, ...]:
    """Say that most laps moved together this shift, and whether they had in the shift before."""
    found = room.alarm or room.not_the_room
    if found is None:
        return ()
    return (f"{'Again' if room.before is not None else 'New'} this shift: {found.sentence.split(': ', 1)[0]}.",)


def in_order_of_need(laps: tuple[LapReport, ...]) -> tuple[LapReport, ...]:
    """Held first, then due, watch, cutting, resting; within a state the fewest faces left first."""

    def need(report: LapReport) -> tuple[int, float, float, str]:
        left = report.faces_left
        known = left.low if left.low is not None else (0.0 if left.status == "over" else np.inf)
        middle = left.median if left.median is not None else np.inf
        return _ORDER[report.state], float(known), float(middle), report.lap

    return tuple(sorted(laps, key=need))


def go_look_words(states: Mapping[str, str], chosen: GoLook) -> str:
    """Say which laps stand apart from the others this shift, and what that means beside their states.

    Parameters
    ----------
    states : mapping of str to str
        Lap to state, in the order in which `chosen` lists them.
    chosen : GoLook
        From `go_look`.

    Returns
    -------
    str
        Sentences; '' if no lap is listed.
    """
    if not chosen.listed.any():
        return ""
    apart = [lap for lap, p in zip(states, chosen.adjusted_p, strict=True) if p <= chosen.q]
    calm = [lap for lap in apart if states[lap] in ("cutting", "resting")]
    told = []
    if apart:
        told.append(f"{_and(apart)} {'stands' if len(apart) == 1 else 'stand'} apart from the other laps this shift.")
    if calm:
        are, their, they = ("is", "its", "it") if len(calm) == 1 else ("are", "their", "they")
        told.append(
            f"{_and(calm)} {are} not among the laps that need a person: by {their} own charts and forecast {they} may "
            "carry on, and the look is a hint."
        )
    return " ".join([*told, chosen.sentence])


def _slots(view: CellView, laps: tuple[LapReport, ...]) -> tuple[tuple[ReconditionSlot, ...], str]:
    breaks = breaks_ahead(view.now, view.settings, most=_BREAKS)
    if not breaks:
        return (), "No plan: the site settings give no shift hours, so no natural break is known."
    needs = []
    for report in laps:
        left = report.faces_left
        known = left.unit == "faces" and left.low is not None and not left.from_lives
        low = 0.0 if left.status == "over" else float(left.low) if known and left.low is not None else float("nan")
        rows = view.lapped_of(report.lap)
        pace = view.memo.once(report.lap, "pace", (rows,), partial(faces_per_shift, rows))
        needs.append(LapNeed(report.lap, report.state, low, pace, over=left.status == "over", counted=left.counted))
    slots = plan_slots(needs, breaks)
    note = (
        f"Planned over the next {plural(len(breaks), 'break')}, one lap at each, so that every lap lasts until its "
        "break at its usual pace and the low end of its faces left."
    )
    if not slots:
        note = f"No lap needs a break before the {breaks[-1].text.removeprefix('end of the ')}."
    in_use = [report for report in laps if report.state not in ("held", "resting")]
    unread = [report.lap for report in in_use if not _planned(report)]
    if unread and len(unread) == len(in_use):
        return slots, "No plan: of no lap in use do the readings tell when a limit is reached."
    out = f" Not in this plan: {_and(unread)}, whose readings do not tell when a limit is reached." if unread else ""
    return slots, f"{note}{out}"


def _planned(report: LapReport) -> bool:
    """Whether the faces left of a lap rest on its readings, so that a break can be planned by them."""
    return report.faces_left.status in ("range", "over") and not report.faces_left.from_lives


def _sentence(
    laps: tuple[LapReport, ...], room: RoomAlarm | None, apart: RoomAlarm | None, faces: int, *, to_come: bool
) -> str:
    """Say what needs a person: what moved most laps before any lap; `apart` = it is one operator's or one part's."""
    if faces == 0:
        return "No face counts yet." if to_come else "No face has been logged yet."
    named = {state: [r.lap for r in laps if r.state == state] for state in STATES}
    held = [f"{_and(named['held'])} held for a person"] if named["held"] else []
    first = ""
    if room is not None and not room.answered:  # what the states of the laps rest on is not known before
        return " ".join([room.sentence, *(f"{said}." for said in held)])
    if room is not None:
        first = f"{room.sentence.split(': ', 1)[0]}. {room.answered} "
    if apart is not None:
        first = f"{apart.sentence.split(': ', 1)[0]}: {apart.checks[0].rstrip('?.')}. "
    told = held
    unsure = [r.lap for r in laps if r.state == "due" and r.next_step == SECOND_READER_FIRST]
    due = [lap for lap in named["due"] if lap not in unsure]
    if due:
        told.append(f"{_and(due)} due for reconditioning")
    if unsure:
        told.append(f"{_and(unsure)} due for reconditioning if a second reader reads the same")
    if named["watch"]:
        told.append(f"{_and(named['watch'])} to be watched")
    stopped = [r.lap for r in laps if _stopped_at_rest(r)]
    if stopped:
        told.append(f"{_and(stopped)} resting with a stop that nobody has answered")
    fresh = sum(r.age_faces == 0 for r in laps if r.state == "cutting")
    unusual = [r.lap for r in laps if r.state == "cutting" and (r.unusual_wear or r.faces_left.own_way)]
    moved = {lap for alarm in (room, apart) if alarm is not None for lap in alarm.laps}
    calm_laps = [r for r in laps if r.state == "cutting" and r.age_faces > 0 and r.lap not in unusual]
    told_of = [r.faces_left for r in calm_laps if r.lap not in moved]
    with_most = len(calm_laps) - len(told_of)
    by_lives = sum(left.from_lives for left in told_of)
    unread = sum(not left.own_faces and not left.from_lives for left in told_of)
    new = sum(left.own_faces > 0 and not left.past_cycles for left in told_of)
    usual = len(told_of) - by_lives - unread - new
    calm = [f"{plural(usual, 'lap')} wearing as usual"] if usual else []
    if unusual:
        calm.append(f"{plural(len(unusual), 'lap')} not wearing as usual, with faces left ({_and(unusual)})")
    calm += [f"{plural(with_most, 'lap')} moved so, with faces left"] if with_most else []
    calm += [f"{plural(new, 'lap')} with faces left and no past cycle to compare with"] if new else []
    calm += [f"{plural(by_lives, 'lap')} with faces left, going by how long past cycles lasted"] if by_lives else []
    calm += [f"{plural(unread, 'lap')} with faces left and no reading of this cycle that counts"] if unread else []
    calm += [f"{plural(fresh, 'lap')} fresh, with no face yet"] if fresh else []
    if not told and not calm:
        return f"Nothing needs a person: {plural(len(laps), 'lap')} resting, none in use."
    if not told:
        return f"{first}{'' if first else 'Nothing needs a person: '}{'; '.join(calm)}."
    return f"{first}{'; '.join(told)}." + (f" {'; '.join(calm)}." if calm else "")


def _stopped_at_rest(report: LapReport) -> bool:
    """Whether a lap rests in its cycle with a stop signal open: nothing goes on it, but its faces may be passed on."""
    stop = any(signal.severity == "stop" for signal in report.signals)
    return stop and report.state == "resting" and report.faces_left.status != "ended"


def _changed(view: CellView, laps: tuple[LapReport, ...], span: ShiftSpan, before: ShiftSpan) -> tuple[str, ...]:
    """Say what happened since the last shift began to end: signals that are new, and what was done to the laps."""
    told = []
    for report in laps:
        faces = view.faces_of(report.lap)
        new = set(faces["face_id"].to_numpy()[faces["sort_us"].to_numpy() >= span.start_us].tolist())
        told += [f"New this shift: {signal.sentence}" for signal in report.signals if _spoke(signal) in new]
    of_laps = ((frames.events[_DONE], _place(frames.events, span)) for frames in view.by_lap.values())
    events = pd.concat([rows.iloc[place] for rows, place in of_laps if place.size] or [no_frames().events])
    events = events.sort_values(["sort_us", "intake_id", "row_number"], kind="stable")
    for lap, event, who in zip(events["lap"], events["event"], events["operator"], strict=True):
        told.append(f"{lap} {_DONE_TO.get(event, f'was {event}')}{f' by {who}' if who else ''}.")
    ran, here = ({lap for lap, rows in _lapped(view) if _place(rows, own).size} for own in (before, span))
    idle = sorted(ran - here - {r.lap for r in laps if r.state == "resting"})
    if idle and here:
        told.append(f"Ran in the shift before and not in this one yet: {_and(idle)}.")
    return tuple(dict.fromkeys(told))


_DONE_TO = {"ring moved": "had its ring moved", "grit changed": "had its grit changed"}  # else 'was' and its name


def _spoke(signal: Signal) -> int:
    """Face at which the spell of a signal first spoke."""
    return signal.face_id if signal.spoke_face_id < 0 else signal.spoke_face_id


def _stale(view: CellView, newest: "_Logged", *, dated: bool) -> str:
    if not dated:
        return "No face carries a time: how old the newest is cannot be said, nor how many a week."
    text = newest.newest_text
    if not newest.clock:
        today = shift_at(view.now, replace(view.settings, shifts=()))
        days = round((today.start_us - newest.newest_us) / 86.4e9)
        ago = f", {days} days ago" if days > 1 else ""
        return f"No face is dated today: the newest is of {text}{ago}." if days > 0 else ""
    hours = (view.now_us - newest.newest_us) / 3.6e9
    if hours <= STALE_HOURS:
        return ""
    ago = f"{hours:.0f} hours" if hours < 48 else f"{hours / 24:.0f} days"
    return f"No new face for {ago}: the newest is of {text}."


class _Logged(NamedTuple):
    """What one lap's lappings say of the whole log."""

    faces: int
    newest_us: int
    newest_text: str
    clock: bool  # and it tells the time of day
    dated: bool  # any carries a time


_NOTHING = _Logged(0, -(2**62), "", False, False)


def _logged(lapped: pd.DataFrame) -> _Logged:
    if lapped.empty:
        return _NOTHING
    at = int(lapped["sort_us"].to_numpy().argmax())
    texts = lapped["time_text"]
    clock = bool(has_clock(texts.iloc[[at]])[0])
    return _Logged(len(lapped), int(lapped["sort_us"].iloc[at]), str(texts.iloc[at]), clock, bool((texts != "").any()))


def _lapped(view: CellView) -> Iterator[tuple[str, pd.DataFrame]]:
    return ((lap, view.lapped_of(lap)) for lap in view.by_lap)


def _within(frames: Iterable[pd.DataFrame], column: str, span: ShiftSpan) -> NDArray[Any]:
    """Values of a column in those rows of the frames, each in order of time, that fall in a shift."""
    found = [rows[column].to_numpy()[place] for rows in frames if (place := _place(rows, span)).size]
    return np.concatenate(found) if found else np.zeros(0, dtype=bool)


def _place(rows: pd.DataFrame, span: ShiftSpan) -> NDArray[np.int64]:
    first, last = np.searchsorted(rows["sort_us"].to_numpy(np.int64), [span.start_us, span.end_us])
    return np.arange(int(first), int(last))


def _and(names: list[str]) -> str:
    if len(names) <= _MOST_NAMED:
        return name_list(names)
    return name_list(names[: _MOST_NAMED - 1], more=f"{len(names) - _MOST_NAMED + 1} more laps")
