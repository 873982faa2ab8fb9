"""One lap as all three users need it: state, sentence, evidence, faces left, causes, the cycle picture."""

from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from spc.board.answers import answer_questions, pass_to_pass
from spc.board.bow_signals import bow_signal, form_signals, rows_of_cycle_now, running_bow, twist_signal
from spc.board.called_worn import called_worn
from spc.board.causes import Diagnosis, Pattern
from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.board.charge import Charge, charge_of_lap
from spc.board.cycle_picture import draw_cycle
from spc.board.data_health import check_data_health
from spc.board.grit_names import grit_name_remarks, registered_otherwise
from spc.board.lap_diagnosis import SignsOfLap, as_sentence, diagnose_lap, part_that_moved, shown_causes
from spc.board.lap_forecast import LapForecast, forecast_lap, without_faces_left
from spc.board.lap_lead import laps_until_good, lead_of
from spc.board.lap_names import lap_name_remarks
from spc.board.lap_rest import Rest, no_face_left, rest_of
from spc.board.lap_state import SAY_YES_OR_NO, decide_state, plural
from spc.board.lap_words import confidence_words, lead_words, set_aside_words, turns_words
from spc.board.life_left import LifeLeft, life_left, told_by_lives
from spc.board.limit_remarks import limit_remarks
from spc.board.lives import running_grit
from spc.board.missing import as_if_confirmed, cycles_if_confirmed, doubt_of_now, first_doubts, missing_of_lap
from spc.board.missing_places import begun_anew, sure_cycles
from spc.board.moved_parts import MovedPart
from spc.board.new_parts import new_part_words
from spc.board.one_source import carried_words, waits_for_second_reader
from spc.board.open_signals import open_signals
from spc.board.over_limit import over_limit_remarks
from spc.board.pace import faces_per_shift, minutes_lapped
from spc.board.pass_scatter import pass_scatter
from spc.board.past_held import NO_DOUBT, RangesDoubt, ranges_doubt
from spc.board.reactions import answered_faces, handed_text, is_answered, place_of
from spc.board.relap_signals import relap_signal
from spc.board.results import CANNOT_WAIT, LapReport, RoomAlarm, Signal
from spc.board.room_answer import answer_to_room
from spc.board.room_history import RoomHistory, RoomOfLap, own_faces, own_signs
from spc.board.room_source import one_of_words
from spc.board.safety import lap_cautions
from spc.board.scope import OTHER_PART, SECOND_READER
from spc.board.shifts import next_break, shift_at
from spc.board.shown_length import shown_length
from spc.board.stops import cycle_closed, stop_signals
from spc.board.to_come import event_words, face_words
from spc.board.trade_remarks import trade_remarks
from spc.board.wear_report import wear_finding
from spc.chart.stream import SIGNS
from spc.measure.shown import MICROMETRE
from spc.wear.cycle_table import no_face_yet
from spc.wear.lead_sign import LeadSign, lead_move
from spc.wear.log_remarks import log_remarks
from spc.wear.sign_moves import SignMove, sign_moves
from spc.wear.signed_bow import SignedBow

__all__ = ["UnknownLapError", "known_lap", "report_of"]

HEALTH_ROWS = 120  # newest rows asked about their health: what was wrong months ago is history
_HIDES = (
    "cannot say: flatness is logged only when a face is good and hides the wear; log the first reading of every face, "
    "or how many passes it took"
)
_EQUAL = (
    "cannot say: its last readings are all equal, which shows no wear, and no past cycle tells how it wears; log a "
    "finer reading, or chart minutes and passes"
)
_NEVER_MOVED = (
    "cannot say: no reading of this cycle counts yet, and within no past cycle did the readings differ, which shows no "
    "wear; log a finer reading, or chart minutes and passes"
)
_OF_THE_FORM = frozenset(("flatness", "bow", "re-lap share"))  # say whether the faces are good at all


class UnknownLapError(ValueError):
    """A lap that neither the register nor any log names; the sentence lists the nearest."""


def known_lap(view: CellView, lap: str) -> None:
    """Raise `UnknownLapError` when no log and no register names the lap."""
    names = view.laps["lap"].tolist()
    if lap not in names:
        known = ", ".join(names[:12]) + (" and others" if len(names) > 12 else "")
        raise UnknownLapError(f"no lap called {lap!r}; " + (f"known are {known}" if names else "no lap is known yet"))


def report_of(view: CellView, cell: CellCharts, lap: str, *, room: RoomHistory) -> LapReport:
    """Report on one lap of a cell already looked at.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its charts, from `chart_cell`.
    lap : str
        Known to the view.
    room : RoomHistory
        From `look_at_room`.

    Returns
    -------
    LapReport
        Without the answer to which lap serves, which hangs on the states of other laps: `Board.lap` adds it.
    """
    memo = view.memo
    here = memo.same(lap, "room", room.of(lap))
    own = memo.once(lap, "own", _hangs_on(view, cell, lap, here), lambda: _own_of(view, cell, lap, here))
    asked = missing_of_lap(view, lap, here)
    rest = rest_of(view, lap)
    doubt = doubt_of_now(view, lap, asked, retired=rest.ended == "retired")
    since = doubt.age_faces if doubt is not None else 0.0
    foretell = partial(forecast_lap, view, lap, room=here, since_age=since, until=first_doubts(view, lap, room))
    forecast = foretell()
    ranges = ranges_doubt(view, lap, room) if forecast.faces_left.status == "range" else NO_DOUBT
    forecast = foretell(missed=ranges.missed) if ranges.missed else forecast
    unread = own.lead.hides or forecast.faces_left.status == "refused"
    as_before = turns_words(own.bow, own.lead, forecast)
    form = form_signals(None if as_before else own.turning, own.twist, place=partial(place_of, view, lap))
    said = (*stop_signals(view, lap), *own.charted, *form, *own.relaps)
    said = tuple(sorted((replace(s, handed=handed_text(view, s)) for s in said), key=_need))
    part = part_that_moved(view, cell, lap, said)
    seen = SignsOfLap(own.moves, own.bow, own.identical, own.charge, own.room, own.unread, bool(as_before))
    pattern, diagnosis, follows = diagnose_lap(view, cell, lap, seen, said, room, part)
    elsewhere = _Elsewhere(
        rest=rest,
        said=said,
        asked=asked,
        doubt=doubt,
        diagnosed=(pattern, diagnosis),
        follows=follows if said else (),
        next_break=next_break(view.now, view.settings),
        part=part,
        to_come=(
            *event_words(lap, view.to_come.get(lap), view.settings),
            *face_words(lap, view.faces_to_come.get(lap), view.settings),
        ),
        names=(*lap_name_remarks(view, lap), *grit_name_remarks(view, lap)),
        registered_grit=registered_otherwise(view, lap),
        left_over=over_limit_remarks(view, lap, ended=cycle_closed(view, lap)),
        room_found=answer_to_room(view, room.running) if here.alarm else "",
        not_the_room=room.not_the_room if room.not_the_room is not None and lap in room.not_the_room.laps else None,
        ranges=ranges,
        life=life_left(view, lap, room) if unread else None,
    )
    elsewhere = memo.same(lap, "elsewhere", elsewhere)
    return memo.once(lap, "report", (own, elsewhere, forecast), lambda: _report(view, lap, own, elsewhere, forecast))


def _need(signal: Signal) -> tuple[bool, bool]:
    """Sort key: what stops the lap, then what its form says, then time and finish; as they came among equals."""
    return signal.severity != "stop", signal.sign not in _OF_THE_FORM


class _Own(NamedTuple):
    """What the rows, events, limits and charts of one lap say by themselves."""

    charted: tuple[Signal, ...]
    turning: Signal | None
    twist: Signal | None
    relaps: tuple[Signal, ...]
    bow: SignedBow
    lead: LeadSign
    moves: tuple[SignMove, ...]
    identical: bool  # the last readings all say the same
    last_part: str
    charge: Charge | None
    new_parts: tuple[str, ...]  # parts whose usual size its charts do not know, a sentence each
    room: RoomOfLap
    unusual: str  # what its sloping chart finds unusual
    set_aside: tuple[str, ...]  # faces of this cycle that tell nothing of the lap, or less, a sentence a shift
    unread: bool  # suspect faces of it wait for a second reader
    rate_basis: str  # what the removal rate is told per and why, '' where neither load nor speed is logged


class _Elsewhere(NamedTuple):
    """What more a report says that other laps, past answers or the clock have a part in."""

    rest: Rest  # how it lies out of use
    said: tuple[Signal, ...]
    asked: tuple[Signal, ...]  # reconditionings that may not be logged
    doubt: Signal | None  # the newest of the running cycle, if the lap is not retired
    diagnosed: tuple[Pattern, Diagnosis]
    follows: tuple[str, ...]  # what the moved signs follow, a sentence; () = nothing can be said
    next_break: str
    part: MovedPart | None  # that moved on several laps, this one among them
    to_come: tuple[str, ...]  # events and faces that do not count yet, in sentences
    registered_grit: str  # where another one runs on it, else ''
    left_over: tuple[str, ...]  # faces over a limit that hold it no longer, a sentence each
    names: tuple[str, ...]  # of laps and grits kept apart by how they are written alone, a sentence each
    not_the_room: RoomAlarm | None  # that most laps moved, this one among them, in the faces of one operator or part
    ranges: RangesDoubt  # whether ranges by readings held too few past cycles
    life: LifeLeft | None  # what is left by how long past cycles lasted, where readings do not tell it
    room_found: str  # what people found where the lap moved with the room this shift, '' = nothing yet


def _hangs_on(view: CellView, cell: CellCharts, lap: str, room: RoomOfLap) -> tuple[object, ...]:
    """All that `_own_of` makes use of, as objects that stay the same as long as they say the same."""
    same = partial(view.memo.same, lap)
    return (
        *view.frames_of(lap),
        view.as_read[lap],
        view.limits,
        view.settings,
        same("register", tuple(view.lap_row(lap).tolist())),
        same("answered", answered_faces(view, lap)),
        room,
        same("widths", repr(cell.plan.widths)),
        cell.begun[lap],
        laps_until_good(view),
        same("shift", shift_at(view.now, view.shifts_by).start_us),
        *(cell.charts[lap, sign] for sign in SIGNS),
    )


def _own_of(view: CellView, cell: CellCharts, lap: str, room: RoomOfLap) -> _Own:
    rows, signs, faces = view.faces_of(lap), view.signs_of(lap), view.lapped_of(lap)
    cycles = view.cycles_of(lap)
    fresh = cycle_closed(view, lap)
    bow, turning, twist, relaps = running_bow(view, lap, room), None, None, None
    shift_us = shift_at(view.now, view.shifts_by).start_us

    def unanswered(signal: Signal | None) -> Signal | None:
        return None if signal is None or is_answered(view, lap, signal.sign, signal.since_face_id) else signal

    if not fresh:
        turning = unanswered(bow_signal(lap, rows_of_cycle_now(view, lap, room), bow, shift_us=shift_us))
        twist = unanswered(
            twist_signal(lap, own_faces(view, lap, room), cycle_now=view.cycle_now(lap), shift_us=shift_us)
        )
        relaps = relap_signal(view, cell, lap, room)
    texts = (rows.iloc[:0] if fresh else rows)["flatness_text"]
    texts = texts[texts != ""].iloc[-12:]
    last = faces.iloc[-1] if len(faces) else None
    return _Own(
        charted=() if fresh else open_signals(view, cell, lap, room=room),
        turning=turning,
        twist=twist,
        relaps=(relaps,) if relaps is not None else (),
        bow=bow,
        lead=lead_of(view, lap),
        moves=sign_moves(signs.iloc[:0] if fresh else own_signs(view, lap, room), cycle_now=view.cycle_now(lap)),
        identical=len(texts) == 12 and texts.nunique() == 1,
        last_part=str(last["part"]) if last is not None else "",
        charge=charge_of_lap(
            faces, view.events_of(lap), (cell.charts[lap, sign].replayed for sign in ("minutes", "removal rate"))
        ),
        new_parts=() if fresh else new_part_words(cell.charts[lap, sign].replayed for sign in SIGNS),
        room=room,
        unusual="" if fresh else wear_finding(view, cell, lap, room=room),
        set_aside=(*set_aside_words(faces, cycles, room), *(() if fresh else carried_words(rows, room.carried))),
        unread=not fresh and waits_for_second_reader(rows, room.carried),
        rate_basis=cell.charts[lap, "removal rate"].replayed.stream.basis_words,
    )


def _report(view: CellView, lap: str, own: _Own, elsewhere: _Elsewhere, forecast: LapForecast) -> LapReport:
    row, faces, rows = view.lap_row(lap), view.lapped_of(lap), view.faces_of(lap)
    signs, events, cycles = view.signs_of(lap), view.events_of(lap), view.cycles_of(lap)
    once = partial(view.memo.once, lap)
    said, doubt, lead, begun = elsewhere.said, elsewhere.doubt, own.lead, begun_anew(view, lap)
    signals = said if doubt is None else tuple(sorted((doubt, *said), key=_need))
    forecast = forecast if doubt is None else as_if_confirmed(forecast, doubt)
    pattern, diagnosis = elsewhere.diagnosed
    leading = lead_move(signs, lead.sign, cycle_now=view.cycle_now(lap)) if lead.hides else None
    if leading is not None:
        forecast = without_faces_left(forecast, _HIDES)
    left = forecast.faces_left
    why = "" if left.own_faces else _NEVER_MOVED
    still = (_EQUAL if own.identical else why) if left.status == "range" and not forecast.past_moves else ""
    forecast = without_faces_left(forecast, still) if still else forecast
    life = None if still or doubt is not None else elsewhere.life
    forecast = told_by_lives(forecast, life) if life and forecast.faces_left.status == "refused" else forecast
    rest = elsewhere.rest
    forecast = no_face_left(forecast, rest)
    state = decide_state(
        lap,
        signals=signals,
        faces_left=forecast.faces_left,
        next_face=forecast.next_face,
        faces_per_shift=once("pace", (faces,), lambda: faces_per_shift(faces)),
        out_of_use=rest.words,
        limit_text=forecast.limit_text,
        room=own.room.alarm,
        room_found=elsewhere.room_found,
        room_counted=own.room.counted,
        fresh=no_face_yet(cycles),
        unusual=own.unusual,
        part=elsewhere.part.part if elsewhere.part is not None else "",
        one_reader=SECOND_READER in diagnosis.checks,
        one_part=OTHER_PART in diagnosis.checks,
        read_apart=one_of_words(elsewhere.not_the_room) if elsewhere.not_the_room is not None else "",
        equal_readings=bool(still),
        leading=leading,
    )
    over = forecast.faces_left.status == "over" and state.state == "due"
    grit, registered = running_grit(view, lap) or str(row["home_grit"]), elsewhere.registered_grit
    leads = lead_words(leading, forecast.faces_left.lives_sign) if leading is not None else ""
    sentence = state.sentence if state.state in ("held", "resting") else _with(state.sentence, doubt, leads)
    health = (
        *elsewhere.left_over,
        *((rest.remark,) if rest.remark else ()),
        *once("health", (view.as_read[lap],), lambda: _health(view.as_read[lap])),
        *own.new_parts,
        *once("order", (rows, events, begun), lambda: log_remarks(rows, events, sure_cycles(cycles, begun))),
        *((f"{lap} runs with {grit}, and is registered with {registered}.",) if registered else ()),
        *elsewhere.names,
        *elsewhere.to_come,
        *limit_remarks(faces.iloc[-HEALTH_ROWS:], view.limits),
        *trade_remarks(faces.iloc[-HEALTH_ROWS:], pattern.states, view.settings),
    )
    of_now = (faces["cycle"] == cycles["cycle"].iloc[-1]).to_numpy() if len(cycles) else np.ones(len(faces), bool)
    age_faces = int(np.count_nonzero(of_now))
    finished = int(np.count_nonzero(signs["cycle"] == cycles["cycle"].iloc[-1])) if len(cycles) else len(signs)
    told_in = f"It is told in passes: {plural(finished, 'face')} of this cycle took {age_faces} of them."
    passes = (told_in,) if forecast.faces_left.counted == "pass" else ()
    told_as = tuple(one.sentence for one in (elsewhere.part, elsewhere.not_the_room) if one is not None)
    return LapReport(
        lap=lap,
        material=str(row["material"]),
        kind=str(row["kind"]),
        grit=grit,
        registered_grit=registered,
        state=state.state,
        next_step=SAY_YES_OR_NO if doubt is not None and sentence.startswith(doubt.sentence) else state.step,
        sentence=sentence,
        reasons=(
            *((leads,) if leads else ()),
            *told_as,
            *state.reasons,
            *passes,
            *turns_words(own.bow, lead, forecast),
            *elsewhere.follows,
            *own.set_aside,
        ),
        faces_left=forecast.faces_left,
        next_break="" if state.state in ("held", "resting") else CANNOT_WAIT if over else elsewhere.next_break,
        confidence=""
        if state.state == "resting"
        else confidence_words(
            forecast,
            cycles_if_confirmed(elsewhere.asked, signs, cycles),
            elsewhere.ranges,
            called_worn(view, lap, forecast),
        ),
        lead_sign=lead.sign,
        signals=signals,
        causes=shown_causes(diagnosis) if said else (),
        safety=lap_cautions(state.state, str(row["kind"]), diagnosis.safety if said else ()),
        picture=draw_cycle(view, lap, forecast, signals, room=own.room),
        age_faces=age_faces,
        finished_faces=finished,
        age_minutes=minutes_lapped(faces["minutes"].to_numpy(np.float64)[of_now]),
        last_time_text=str(faces["time_text"].iloc[-1]) if len(faces) else "",
        last_part=own.last_part,
        unusual_wear=own.unusual,
        data_health=(
            *(as_sentence(said) for said in (lead.sentence if lead.cut_off else "", own.rate_basis) if said),
            *health,
        ),
        answers=answer_questions(
            _passes(view, lap, held=state.state == "held"),
            pattern=pattern,
            diagnosis=diagnosis,
            called=bool(said),
            unusual=own.unusual,
        ),
        asked=elsewhere.asked,
        retired=rest.ended == "retired",
        less_sure=left.status == "range" and bool(elsewhere.ranges.missed) and not left.by_lives,
    )


def _passes(view: CellView, lap: str, *, held: bool) -> str:
    faces, begun = view.lapped_of(lap), view.memo.same(lap, "shift", shift_at(view.now, view.shifts_by).start_us)
    rows, unit = view.faces_of(lap), shown_length(view, lap, "flatness") or MICROMETRE

    def told() -> str:
        return pass_to_pass(faces, scatter=pass_scatter(rows), held=held, shift_us=begun, unit=unit)

    return view.memo.once(lap, f"passes {held}", (faces, rows, begun, view.settings), told)


def _with(sentence: str, doubt: Signal | None, leads: str) -> str:
    """Add to the one sentence what it must not leave out; a question comes before what hangs on its answer."""
    before = (doubt.sentence,) if doubt is not None and doubt.sentence not in sentence else ()
    after = (leads,) if leads and leads not in sentence else ()
    return " ".join((*before, sentence, *after))


def _health(as_read: pd.DataFrame) -> tuple[str, ...]:
    return tuple(f"{f.sentence} {f.cure}" for f in check_data_health(as_read, last=HEALTH_ROWS))
