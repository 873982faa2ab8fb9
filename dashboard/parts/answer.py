"""Answers to signals: buttons a gloved hand can press, each kept as a reaction in the log. One tap undoes.

What it was is asked first, the likeliest causes one tap each; then what was done. Whatever is done is counted as the
likeliest cause that it puts right, and says so.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import streamlit as st

from dashboard import cards, data
from dashboard.entry import event_row
from dashboard.parts import answered, draft, said
from dashboard.parts.once import once
from dashboard.parts.page import Page, moment_on, speak_as, up_to_now
from dashboard.parts.pulse import count_the_tap, tapped
from dashboard.parts.undo import UNSIGNED, say_with_undo
from spc.board.cause_table import CAUSES, UNKNOWN
from spc.board.cause_words import (
    NOT_A_READING,
    NOT_FOUND,
    SOMETHING_ELSE,
    cause_cured_by,
    cause_meant,
    short_words,
)
from spc.board.missing_answer import keep_all
from spc.board.reactions import HANDED, keep_answer
from spc.board.results import RECONDITIONING, Cause, Signal
from spc.board.room_answer import ROOM
from spc.store.store import Store

__all__ = ["ANSWERS", "Answer", "answer_signals"]

_LAST = "lc_answered"
_CLOSED = "lc_answers_closed"  # session key: the signals answered here, each with the state its page showed
_UNDO = (
    "Takes the answer back, signed with your name. It stays on record, counts no more, and the signal is open again."
)
_TOO_SOON_S = 1.0  # a tap on another signal this soon after an answer is the same tap, landing twice
_AGAIN = " It is asked again: it also stands for a face that this answer does not cover."
_TOO_SOON = "That tap came at once after the last answer, and may not have been meant: nothing was kept. Tap again."


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: the words on the button and what they say in the log."""

    words: str
    check_done: str
    cause: str  # as the board counts findings; "bad wipe" also strikes the reading out
    action: str
    result: str  # '' = what comes of it is not said
    event: str = ""  # the event on the lap that this answer also logs
    strikes_out: bool = False  # it is about one reading, and says nothing of later ones


@dataclass(frozen=True, slots=True)
class _Kept:
    """What was last answered from this screen."""

    lap: str
    said: str
    slot: int  # where among the signals it stood: what came of it is said there, so that the others hardly move
    numbers: tuple[int, ...] = ()  # of the reactions while they can be taken back
    settled: str = ""  # the sign of the signal, if the answer closed it
    at: float = field(default_factory=time.monotonic)


ANSWERS: tuple[Answer, ...] = (
    Answer(
        "Bad wipe", "wiped and read again", NOT_A_READING[0], "read again", "the reading no longer counts",
        strikes_out=True,
    ),
    Answer("Recharged", "rate and finish looked at", "charge used up", "recharged", "", event="recharged"),
    Answer(
        "Reconditioned", "lap face checked", "lap worn out of shape", "reconditioned", "new cycle",
        event="reconditioned",
    ),
    Answer("Handed to lead", "looked at", NOT_FOUND, HANDED, "stays open, with the lead"),
    Answer("Not found", "looked at", NOT_FOUND, "none", ""),
)  # fmt: skip
_OWN_WORDS = "In your own words"

_YES_OR_NO: tuple[Answer, ...] = (  # to whether a reconditioning was left out of the log
    Answer("Yes, reconditioned", "asked", "reconditioned", "logged", "new cycle", event="reconditioned"),
    Answer("No", "asked", "not reconditioned", "none", "the cycle goes on"),
)
_ALL: tuple[Answer, ...] = (  # the same to every such question about a lap at once
    replace(_YES_OR_NO[0], words="All: yes, reconditioned each time"), replace(_YES_OR_NO[1], words="All: no"),
)  # fmt: skip


@st.fragment
def answer_signals(
    subject: str, signals: Sequence[Signal], causes: Sequence[Cause], page: Page, person: str
) -> None:  # fmt: skip
    """Show open signals, each with its sentence and the answers, and what was last kept here.

    `subject` is the lap they are of, or the room; `causes` what it may be, likeliest first.
    """
    speak_as(page)
    last: _Kept | None = st.session_state.get(_LAST)
    slot = last.slot if last is not None and last.lap == subject else -1
    signals = [signal for signal in signals if (page.now, _place(signal)) not in _closed()]
    if signals:
        st.html(cards.section("Say what you found"))
    again = last is not None and slot >= 0 and last.settled in {signal.sign for signal in signals}
    for place, signal in enumerate(signals):
        if last is not None and place == slot:
            _show_last(last, page, person, again=again)
        with st.container(key=f"signal-{place}-{signal.severity}"):
            if subject != ROOM:  # its card stands right above
                st.html(cards.notice(signal.sentence, kind="stop" if signal.severity == "stop" else "look"))
            if signal.handed:
                st.html(cards.notice(f"{signal.handed[:1].upper()}{signal.handed[1:]}: open until it is answered."))
            _offer(signal, causes, place, page, person)
            said.say(_place(signal), person=person)
    questions = tuple(signal for signal in signals if signal.sign == RECONDITIONING)
    if len(questions) > 1:
        _offer_all(questions, signals.index(questions[0]), page, person)
    if last is not None and slot >= len(signals):
        _show_last(last, page, person, again=again)
    answered.answered_before(page, person, subject=subject, but=last.numbers if last is not None else ())
    count_the_tap(page.now, data.shift_report if subject == ROOM else partial(data.lap_report, lap=subject))


def _offer(signal: Signal, causes: Sequence[Cause], place: int, page: Page, person: str) -> None:
    """Offer the answers to one signal: its likely causes, all others behind one tap, and what was done."""
    likely = [cause.name for cause in causes if cause.name != UNKNOWN]
    others = [cause.name for cause in CAUSES if cause.name not in (*likely, UNKNOWN)]

    def button(answer: Answer) -> None:
        key = f"answer-{place}-{signal.face_id}-{signal.sign}-{answer.words}"
        tap = partial(_tap, (signal,), answer, slot=place, person=person, page=page)
        st.button(answer.words, key=key, help=_help(signal, answer), on_click=once(tap))

    if signal.sign == RECONDITIONING:
        with st.container(horizontal=True, key=f"answers-{place}"):
            for answer in _YES_OR_NO:
                button(answer)
        return
    with st.container(horizontal=True, key=f"causes-{place}"):
        for name in likely:
            button(_found(name))
        with st.popover("Something else", key=f"else-{place}-{signal.face_id}-{signal.sign}"):  # open for none but it
            with st.container(horizontal=True, key=f"others-{place}"):
                for name in others:
                    button(_found(name))
            form = draft.name(_own_place(signal))
            own = draft.typed(form, "own")
            st.text_input(_OWN_WORDS, **own)
            keep = partial(_tap_own, signal, own["key"], slot=place, person=person, page=page)
            st.button("Keep these words", key=f"send-{form}", on_click=once(keep))
            said.say(_own_place(signal), person=person)
    with st.container(horizontal=True, key=f"answers-{place}"):
        for answer in ANSWERS:
            of_a_lap = answer.event or answer.strikes_out
            if not (signal.handed and answer.action == HANDED) and not (of_a_lap and signal.lap == ROOM):
                button(_counted_as(answer, causes))


def _offer_all(questions: tuple[Signal, ...], slot: int, page: Page, person: str) -> None:
    """Offer one answer to every question whether the lap was reconditioned."""
    with st.container(key="answers-all"):
        st.html(cards.sentences([f"All {len(questions)} questions whether it was reconditioned at once:"]))
        with st.container(horizontal=True):
            for answer in _ALL:
                tap = partial(_tap, questions, answer, slot=slot, person=person, page=page)
                st.button(answer.words, key=f"answer-all-{answer.words}", help=_help_all(answer), on_click=once(tap))
        said.say(_place(*questions), person=person)


def _help_all(answer: Answer) -> str:
    also = f" Also logs the lap as {answer.event} at each of the times asked about." if answer.event else ""
    return f"Keeps for each: {answer.check_done}{_result(answer)}.{also}"


def _found(cause: str) -> Answer:
    return Answer(short_words(cause), "looked at", cause, "none", "")


def _counted_as(answer: Answer, causes: Sequence[Cause]) -> Answer:
    """Count what was done as the likeliest cause that it puts right."""
    if not answer.event:
        return answer
    return replace(answer, cause=cause_cured_by(answer.event, causes, default=answer.cause))


def _tap_own(signal: Signal, key: str, *, slot: int, person: str, page: Page) -> None:
    """Keep a cause in a person's own words, or the table's where they are its words."""
    own = str(st.session_state.get(key, "")).strip()
    said.sent(_own_place(signal))
    if not own:
        said.refuse(_own_place(signal), "Nothing was kept: say in words what it was.", person=person)
        return
    try:
        cause = cause_meant(own)
    except ValueError:
        cause = f"{SOMETHING_ELSE}{own}"
    _tap((signal,), Answer(cause, "looked at", cause, "none", ""), slot=slot, person=person, page=page)


def _closed() -> set[tuple[data.Snapshot, str]]:
    """Return the signals answered here: one stays on the page it was answered on until the page that counts it."""
    closed: set[tuple[data.Snapshot, str]] = st.session_state.setdefault(_CLOSED, set())
    return closed


def _help(signal: Signal, answer: Answer) -> str:
    when = f"at {signal.time_text}" if signal.sign == RECONDITIONING else "now"
    also = f" Also logs the lap as {answer.event} {when}." if answer.event else ""
    return f"Keeps: {answer.check_done}{_result(answer)}.{_counts(answer)}{also}"


def _result(answer: Answer) -> str:
    return f"; {answer.result}" if answer.result else ""


def _counts(answer: Answer) -> str:
    """Say as what an answer is counted, where its words do not."""
    same = answer.words.casefold() in (answer.cause.casefold(), answer.action)
    return "" if answer in (*_YES_OR_NO, *_ALL) or (same and not answer.event) else f" Counted as: {answer.cause}."


def _place(signal: Signal, *others: Signal) -> str:
    """Where what comes of an answer is said: to one signal, or to several at once."""
    if others:
        return f"answer-all-{signal.lap}"
    return f"answer-{signal.lap}-{signal.face_id}-{signal.sign}-{signal.rule}"


def _own_place(signal: Signal) -> str:
    """Where what comes of own words is said that were not taken: beside their field."""
    return f"own-{_place(signal)}"


def _lower(words: str) -> str:
    """Say words of a button within a sentence; what a person typed after them stays as typed."""
    return words[:1].lower() + words[1:]


def _tap(signals: tuple[Signal, ...], answer: Answer, *, slot: int, person: str, page: Page) -> None:
    """Keep an answer before anything is drawn; this part is drawn next, and then the page that counts it."""
    if any((page.now, _place(signal)) in _closed() for signal in signals):
        return  # a second tap on a button that was on its way off the screen
    speak_as(page)
    place = _place(*signals)
    said.sent(place)
    if not person:
        said.refuse(place, UNSIGNED, person=person)
        return
    last: _Kept | None = st.session_state.get(_LAST)
    if last is not None and last.numbers and time.monotonic() - last.at < _TOO_SOON_S:
        said.refuse(place, _TOO_SOON, person=person)
        return
    try:
        _keep(signals, answer, slot=slot, person=person, page=page)
    except ValueError as error:  # a store's refusal is one too
        said.refuse(place, str(error), person=person)


def _keep(signals: tuple[Signal, ...], answer: Answer, *, slot: int, person: str, page: Page) -> None:
    signal = signals[0]
    with data.open_store() as store, store.writing(who=person, what=f"{_lower(answer.words)}: {signal.lap}"):
        numbers = _write(store, signals, answer, person=person, page=page)
    also = (f" {signal.lap} is logged as {answer.event} too." if answer.event else "") + _counts(answer)
    kept = f"Kept on {signal.lap}: {_lower(answer.words)}, signed {person}{_result(answer)}.{also}"
    settled = "" if answer.action == HANDED else signal.sign
    st.session_state[_LAST] = _Kept(signal.lap, kept, slot, numbers, settled)
    _closed().update((page.now, _place(each)) for each in signals)
    said.begun_anew(_own_place(signal))
    tapped(page.now)


def _write(store: Store, signals: tuple[Signal, ...], answer: Answer, *, person: str, page: Page) -> tuple[int, ...]:
    signal, event = signals[0], None
    if signal.sign == RECONDITIONING:
        return keep_all(store, signals, said=bool(answer.event), who=person)
    if answer.event:
        at = moment_on(up_to_now(page), signal.lap)
        event = event_row(answer.event, lap=signal.lap, operator=person, site=page.site, at=at)
    number = keep_answer(
        store,
        signal,
        check_done=answer.check_done,
        cause=answer.cause,
        action=answer.action,
        result=answer.result,
        who=person,
        one_reading=answer.strikes_out,
        event=event,
    )
    return (number,)


def _show_last(last: _Kept, page: Page, person: str, *, again: bool) -> None:
    """Say what was last answered here from this screen, with the one tap that takes it back."""
    key = f"undo-answer-{last.numbers[-1]}" if last.numbers else ""
    take_back = partial(_take_back, last, page, person)
    words = last.said + (_AGAIN if again else "")
    say_with_undo(words, place="last-answered", person=person, undo_key=key, tip=_UNDO, take_back=take_back)


def _take_back(last: _Kept, page: Page, person: str) -> None:
    st.session_state[_LAST] = _Kept(last.lap, answered.take_back(last.numbers, last.lap, person), last.slot)
    tapped(page.now)
