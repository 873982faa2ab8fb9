"""Log a face or an event: a tap on the reading, a tap to keep it; the rest comes from the last face. One tap undoes.

What is tapped is written before anything is drawn, then this part is drawn alone, and then the page that counts it:
so the answer to a tap waits for no report.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.correction import changed_since, corrected_words
from dashboard.entry import (
    FaceEntry,
    LengthUnit,
    event_row,
    face_id_of,
    face_row,
    form_unit,
    number_of,
    thousands_words,
    typed_here,
    usual_readings,
)
from dashboard.far_reading import FarReadingError, Yardstick, usual_um
from dashboard.parts import draft, said
from dashboard.parts.logged import (
    Logged,
    Shown,
    a_moment_ago,
    keep_in_mind,
    not_again,
    nothing,
    refused_after,
    show_last,
    show_what_came,
)
from dashboard.parts.number_field import minutes_typed, number_field, typed_marks
from dashboard.parts.once import once
from dashboard.parts.page import Page, moment_on, speak_as, typed_site, up_to_now
from dashboard.parts.pulse import count_the_tap
from dashboard.parts.undo import UNSIGNED
from dashboard.parts.unit_question import UNIT_WORDS
from dashboard.words import clock_words, marks_kept
from spc.board.site_clock import moment_to_log
from spc.measure.length import LAMPS
from spc.measure.reading import Reading
from spc.store.frames import EVENT_KINDS

__all__ = ["log_form"]

_SHIFT_MINUTES = 479.0  # 480 in a log means the whole shift, not one face
_DAY_MINUTES = 1440.0
_MINUTES, _TOOK = "Minutes on the lap", "Minutes it took"
_SHAPES = ("convex", "concave", "twist", "flat")
_OUTCOMES = ("", "ok", "re-lap", "regrind", "scrap")
_TEXTS = ("shape", "finish", "grit", "part", "serial", "outcome", "note")  # fields of the form that are text as typed


@dataclass(frozen=True, slots=True)
class _Begun:
    """One lap, its last face, its unit and its usual readings when a form was begun."""

    place: str  # of the form
    lap: str
    last: dict[str, Any] | None
    unit: LengthUnit
    usual: tuple[Reading, ...]
    usual_um: float  # what it usually reads at most, NaN = not known

    @property
    def face_id(self) -> int:
        return face_id_of(self.last)

    @property
    def form(self) -> str:
        return draft.name(self.place, self.face_id, (self.last or {}).get("version", 0))


_WAYS = ("Face", "Event", "Correct last face")
_Send = Callable[[str, Callable[[Page, str, str], Logged]], None]  # a place of the forms, and what a tap there writes


@st.fragment
def log_form(page: Page, lap: str, person: str, *, limit_um: float = math.nan, out_of_use: str = "") -> None:
    """Offer the forms for one lap, and say what came of the last tap on them.

    A reading far above what it usually reads, and above its limit of flatness, is asked about again. `out_of_use` says
    that nothing is to be lapped on it as it lies there, '' = it is in use.
    """
    speak_as(page)
    drawn, page = page, up_to_now(page)
    faces = data.recent_faces(page.now, lap)
    last = faces.iloc[-1].to_dict() if len(faces) else None
    send = partial(_send, drawn, lap, person)
    st.html(cards.section("Log on this lap"))
    if out_of_use:
        st.html(cards.notice(f"{out_of_use} Before a face on it, log what was done to it, under Event.", kind="look"))
    face, event, mend = st.tabs(_WAYS, key=f"ways-{lap}", on_change="rerun")
    draft.let_go(f"face-{lap}", f"mend-{lap}")
    came = partial(show_last, drawn, lap, person)
    with face:
        began = _began(f"face-{lap}", lap, faces, page)
        if began.face_id != face_id_of(last) and last is not None:
            _offer_newer(last)
            tip = "Part, grit and minutes come from that face."
            st.button("Start from it", key=f"newer-{lap}", help=tip, on_click=once(draft.drop), args=(began,))
        against = Yardstick(began.usual_um, limit_um)
        elsewhere = event.open or mend.open
        _face_form(page, lap, began, person, send, against, came=nothing if elsewhere else came)
    # A browser takes as long over fields nobody sees as over those in sight: a form nobody has opened is not drawn. One
    # that was opened stays, for it may be half typed.
    with event:
        if draft.opened(lap, "event", event.open):
            _event_form(page, lap, last, person, send, came=came if event.open else nothing)
    with mend:
        if draft.opened(lap, "mend", mend.open):
            began = _began(f"mend-{lap}", lap, faces, page)
            _correction_form(page, faces, began, person, send, against, came=came if mend.open else nothing)
    count_the_tap(drawn.now, partial(data.lap_report, lap=lap))


def _send(drawn: Page, lap: str, person: str, place: str, keep: Callable[[Page, str, str], Logged]) -> None:
    """Write what was tapped in a place of the forms; what comes of it is said when they are drawn next."""
    speak_as(drawn)
    said.sent(place)
    if not person:
        said.refuse(place, UNSIGNED, person=person)
        return
    try:
        keep_in_mind(keep(up_to_now(drawn), lap, person), drawn)
    except ValueError as error:  # a store's refusal is one too
        typed = error.typed if isinstance(error, FarReadingError) else ""
        said.refuse(place, str(error), person=person, typed=typed)
        refused_after()


def _began(place: str, lap: str, faces: pd.DataFrame, page: Page) -> _Begun:
    """Return what a form on this screen began from: it stays while a person fills it in, whoever else writes."""
    began: _Begun | None = draft.begun(place)
    if began is None:
        unit = form_unit(faces, page.site)
        last = faces.iloc[-1].to_dict() if len(faces) else None
        began = _Begun(place, lap, last, unit, tuple(usual_readings(faces, unit)), usual_um(faces))
        draft.begin(place, began)
    return began


def _offer_newer(last: dict[str, Any]) -> None:
    """Say that a newer face came from elsewhere."""
    read = marks_kept(last["flatness_text"]) or "no flatness"
    what = ", ".join([read, last["part"] or "no part", clock_words(last["time_text"]) or "no time"])
    st.html(cards.sentences([f"Newer on {last['lap']}: {what}."]))


def _face_form(
    page: Page, lap: str, began: _Begun, person: str, send: _Send, against: Yardstick, *, came: Shown
) -> None:
    unit = began.unit
    before = began.last or {}
    form, place = began.form, began.place
    tapped_in, typed_in = partial(draft.field, form), partial(draft.typed, form)
    with st.container(key=f"form-{place}"):
        usual = [reading.text for reading in began.usual]
        if usual:
            st.pills(f"Flatness, {unit.label}", usual, **tapped_in("tap"))
        _ask_unit(unit, form)
        st.text_input(
            "or type it" if usual else f"Flatness, {unit.label}",
            placeholder=typed_marks("1.5   <0.5   1-1.5   2+"),
            **typed_in("typed"),
        )
        st.pills("Shape", _SHAPES, **tapped_in("shape"))
        number_field(_MINUTES, number_of(before, "minutes"), most=_SHIFT_MINUTES, **typed_in("minutes"))
        st.checkbox("A scratch", **tapped_in("scratch"))
        with st.expander("Part, grit, finish, result", expanded=not before):  # a first face repeats none
            st.text_input("Part", value=str(before.get("part", "")), **typed_in("part"))
            st.text_input(
                "Serial",
                help="Left empty it is not known; the last face's serial is not repeated.",
                **typed_in("serial"),
            )
            st.text_input("Which face of the part", value=str(before.get("face", "")), **typed_in("side"))
            st.text_input("Grit", value=str(before.get("grit", "")), **typed_in("grit"))
            finish_unit = "µin" if page.site.finish_unit == "uin" else page.site.finish_unit or "µm"
            st.text_input(f"Finish Ra, {finish_unit}", **typed_in("finish"))
            st.selectbox("Result", _OUTCOMES, format_func=lambda word: word or "not said", **tapped_in("outcome"))
            st.text_input("Note", **typed_in("note"))
        keep = partial(_log_face, form=form, unit=unit, usual=began.usual, against=against)
        below = partial(show_what_came, place, person, came, sure=partial(_offer_to_confirm, place, keep, send))
        draft.end(form, place, "Log this face", send, (place, keep), below=below)


def _ask_unit(unit: LengthUnit, form: str) -> None:
    """Ask for the unit of a form's reading, and for the lamp of bands, where neither the log nor the site says it."""
    if not unit.name:
        names = list(UNIT_WORDS)
        st.pills("Flatness is read in", names, format_func=UNIT_WORDS.__getitem__, **draft.field(form, "unit"))
    if unit.name in ("", "band") and not unit.lamp:
        st.pills("Light bands of which lamp", list(LAMPS), **draft.field(form, "lamp"))


def _unit_said(unit: LengthUnit, form: str) -> LengthUnit:
    """Return the unit of a form's reading with what was tapped where it asked."""
    tapped = {name: str(st.session_state.get(f"{name}-{form}") or "") for name in ("unit", "lamp")}
    return LengthUnit(unit.name or tapped["unit"], unit.lamp or tapped["lamp"])


def _offer_to_confirm(place: str, keep: Callable[..., Logged], send: _Send) -> None:
    """Offer to keep the reading that was asked about as it stands in the form."""
    typed = said.to_confirm(place)
    if not typed:
        return
    with st.container(key=f"confirm-{place}"):  # apart from the form's own button, beside which none is shown
        st.button(
            "Yes, I read that", key=f"sure-{place}", on_click=once(send), args=(place, partial(keep, sure_of=typed))
        )


def _typed_face(form: str, person: str, usual: tuple[Reading, ...]) -> FaceEntry:
    """Return the face that stands in the form; raises ValueError if its minutes cannot be read."""
    flatness = str(st.session_state[f"typed-{form}"]).strip()
    tapped_on = "" if flatness else str(st.session_state.get(f"tap-{form}") or "")
    typed = {name: st.session_state.get(f"{name}-{form}") or "" for name in _TEXTS}
    return FaceEntry(
        flatness=flatness or tapped_on,
        offered=next((reading for reading in usual if reading.text == tapped_on), None),
        minutes=minutes_typed(_MINUTES, f"minutes-{form}", most=_SHIFT_MINUTES),
        operator=person,
        face=str(st.session_state[f"side-{form}"]),
        scratch=bool(st.session_state[f"scratch-{form}"]),
        **typed,
    )


def _log_face(
    page: Page, lap: str, person: str, *, form: str, unit: LengthUnit, usual: tuple[Reading, ...], against: Yardstick,
    sure_of: str = "",
) -> Logged:  # fmt: skip
    entry = _typed_face(form, person, usual)
    last = a_moment_ago(lap)
    emptied = last is not None and last.kind == "face" and not draft.half_typed(form)  # under the second tap
    if last is not None and (emptied or last.tapped == (entry,)):
        return not_again(last)
    unit = _unit_said(unit, form)
    what = f"{unit.named(entry.flatness)} on {lap}"
    return _append(page, lap, entry, what, unit, person, against=None if entry.flatness == sure_of else against)


def _append(
    page: Page, lap: str, entry: FaceEntry, what: str, unit: LengthUnit, person: str, *, against: Yardstick | None
) -> Logged:
    """Write a face, unless the same face stands in the log, and say so.

    A replayed log has a clock that stands still: what was taken back a moment ago bears the very same time, and is no
    reason to turn away what is logged in its place. It is written a second later then.
    """
    at = moment_on(page, lap)
    with data.open_store() as store:
        while True:
            before = store.revision()
            row = face_row(entry, lap=lap, unit=unit, site=typed_site(page), at=at, against=against)
            face_id = store.append_face(row, who=person)
            if store.revision() != before:
                said_so = f"Logged: {what}.{thousands_words(row)}"
                said.begun_anew(f"face-{lap}")
                return Logged(lap, said_so, what, kind="face", number=face_id, tapped=(entry,))
            if face_id in set(store.faces(lap=lap, last=200)["face_id"]):
                return Logged(lap, f"{what} was logged already; nothing was added.")
            at += timedelta(seconds=1)


def _event_form(page: Page, lap: str, last: dict[str, Any] | None, person: str, send: _Send, *, came: Shown) -> None:
    place = f"event-{lap}"
    form = draft.name(place)
    tapped_in, typed_in = partial(draft.field, form), partial(draft.typed, form)
    with st.container(key=f"form-{place}"):
        st.pills("What was done", EVENT_KINDS, **tapped_in("kind"))
        with st.expander("Grit, minutes, note"):
            st.text_input("Grit now on the lap", value=str((last or {}).get("grit", "")), **typed_in("grit"))
            number_field(_TOOK, most=_DAY_MINUTES, **typed_in("minutes"))
            st.text_input("Note", **typed_in("note"))
        keep = partial(_log_event, place=place, form=form, grit_from=str((last or {}).get("grit", "")))
        below = partial(show_what_came, place, person, came)
        draft.end(form, place, "Log this event", send, (place, keep), below=below)


def _log_event(page: Page, lap: str, person: str, *, place: str, form: str, grit_from: str) -> Logged:
    event, last = str(st.session_state.get(f"kind-{form}") or ""), a_moment_ago(lap)
    if not event and last is not None and last.kind == "event":  # the form was emptied under the second tap
        return not_again(last)
    if not event:
        raise ValueError("Tap what was done first.")
    minutes = minutes_typed(_TOOK, f"minutes-{form}", most=_DAY_MINUTES)
    grit, note = str(st.session_state[f"grit-{form}"]), str(st.session_state[f"note-{form}"])
    entry = (event, grit, minutes, note, person)
    if last is not None and last.tapped == entry:
        said.begun_anew(place)
        return not_again(last)
    row = event_row(
        event, lap=lap, operator=person, site=typed_site(page), at=moment_on(page, lap), grit=grit,
        grit_from=grit_from, minutes=minutes, note=note,
    )  # fmt: skip
    with data.open_store() as store:
        number = store.append_event(row, who=person)
    said.begun_anew(place)
    what = f"{lap} {event}"
    return Logged(lap, f"Logged: {what}.", what, kind="event", number=number, tapped=entry)


def _correction_form(
    page: Page, faces: pd.DataFrame, began: _Begun, person: str, send: _Send, against: Yardstick, *, came: Shown
) -> None:
    """Ask for what a face should say; the face the form began from stays the one meant while a person types."""
    last = began.last
    if last is None:
        st.html(cards.sentences([], empty="No face on this lap yet."))
        came()
        return
    unit = LengthUnit(str(last["flatness_unit"]), str(last["lamp"]))
    since = changed_since(faces, last, unit)
    if since:
        st.html(cards.notice(since, kind="look"))
        tip, key = "What is typed below is dropped.", f"mend-anew-{began.lap}"
        st.button("Start from the log as it is", key=key, help=tip, on_click=once(draft.drop), args=(began,))
    form, place = began.form, began.place
    typed_in = partial(draft.typed, form)
    with st.container(key=f"form-{place}"):
        read = unit.named(str(last["flatness_text"])) or "no flatness"
        when = clock_words(str(last["time_text"])) or "no time"
        st.html(cards.sentences([f"{'Face' if since else 'Last face'}: {read}, {when}."]))
        text = typed_here(last, unit=unit, site=typed_site(page))
        _ask_unit(unit, form)
        st.text_input(f"Flatness, {unit.label}", value=text, **typed_in("typed"))
        number_field(_MINUTES, number_of(last, "minutes"), most=_SHIFT_MINUTES, **typed_in("minutes"))
        st.text_input("Why it is corrected", placeholder="bad wipe, read again", **typed_in("why"))
        keep = partial(_correct, last=last, unit=unit, form=form, text=text, against=against)
        below = partial(show_what_came, place, person, came, sure=partial(_offer_to_confirm, place, keep, send))
        draft.end(form, place, "Keep the correction", send, (place, keep), below=below, first=False)


def _correct(
    page: Page, lap: str, person: str, *, last: dict[str, Any], unit: LengthUnit, form: str, text: str,
    against: Yardstick, sure_of: str = "",
) -> Logged:  # fmt: skip
    """Keep what was changed in the form, where `text` stood as the reading: what was left as it stood is not read."""
    unit = _unit_said(unit, form)
    typed, reason = str(st.session_state[f"typed-{form}"]).strip(), str(st.session_state[f"why-{form}"])
    if not reason.strip():
        raise ValueError("A correction is explained: say why. The old reading is kept.")
    minutes = minutes_typed(_MINUTES, f"minutes-{form}", most=_SHIFT_MINUTES)
    changes: dict[str, Any] = {}
    understood = ""
    was = number_of(last, "minutes")  # the field shows nine digits of it
    if minutes != was and not (minutes and was and math.isclose(minutes, was, rel_tol=1e-8)):
        changes["minutes"] = minutes if minutes else math.nan
    if typed != text.strip():
        at, held_to = moment_to_log(page.site), None if typed == sure_of else against
        row = face_row(FaceEntry(typed), lap=lap, unit=unit, site=typed_site(page), at=at, against=held_to)
        names = ("flatness_low_um", "flatness_high_um", "flatness_text", "flatness_unit", "lamp")
        changes |= {name: row[name] for name in names}
        understood = thousands_words(row)
    if not changes:
        raise ValueError(f"Nothing was changed: it reads {unit.named(typed) or 'nothing'} already.")
    with data.open_store() as store:
        store.correct_face(int(last["face_id"]), changes, who=person, reason=reason)
    said.begun_anew(f"mend-{lap}")
    said_so = f"Corrected: {corrected_words(list(changes), typed, minutes, unit)}.{understood}"
    return Logged(lap, f"{said_so} What it said before is kept.")
