"""Answers to signals: five buttons a gloved hand can press, each kept as a reaction in the log. One tap undoes."""

from dataclasses import dataclass
from functools import partial

import streamlit as st

from dashboard import cards, data
from dashboard.entry import event_row
from dashboard.parts import said
from dashboard.parts.page import Page, moment_on
from dashboard.parts.undo import UNSIGNED, say_with_undo
from spc.board.reactions import HANDED, keep_answer, take_back_answer
from spc.board.results import LapReport, Signal

__all__ = ["ANSWERS", "Answer", "answer_signals"]

_LAST = "lc_answered"
_UNDO = (
    "Takes the answer back, signed with your name. It stays on record, counts no more, and the signal is open again."
)
_REASON = "undone at the answer"


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: the words on the button and what they say in the log."""

    words: str
    check_done: str
    cause: str  # as the board counts findings; "bad wipe" also strikes the reading out
    action: str
    result: str
    event: str = ""  # the event on the lap that this answer also logs
    strikes_out: bool = False  # it is about one reading, and says nothing of later ones


@dataclass(frozen=True, slots=True)
class _Kept:
    """What was last answered from this screen."""

    lap: str
    said: str
    number: int = 0  # of the reaction while it can be taken back


ANSWERS: tuple[Answer, ...] = (
    Answer(
        "Bad wipe", "wiped and read again", "bad wipe", "read again", "the reading no longer counts", strikes_out=True
    ),
    Answer("Recharged", "rate and finish looked at", "charge used up", "recharged", "carries on", event="recharged"),
    Answer(
        "Conditioned", "lap face checked", "lap worn out of shape", "reconditioned", "new cycle", event="reconditioned"
    ),
    Answer("Handed to lead", "looked at", "not found", HANDED, "stays open, with the lead"),
    Answer("Not found", "looked at", "not found", "none", "carries on"),
)


def answer_signals(report: LapReport, page: Page, person: str) -> None:
    """Show the open signals of a lap, each with its sentence and the answers, and what was last kept here."""
    _show_last(report.lap, person)
    if not report.signals:
        return
    st.html(cards.section("Say what you found"))
    for place, signal in enumerate(report.signals):
        with st.container(key=f"signal-{place}-{signal.severity}"):
            st.html(cards.notice(signal.sentence, kind="stop" if signal.severity == "stop" else "look"))
            if signal.handed:
                st.html(cards.notice(f"{signal.handed[:1].upper()}{signal.handed[1:]}: open until it is answered."))
            with st.container(horizontal=True, key=f"answers-{place}"):
                for answer in ANSWERS:
                    if signal.handed and answer.action == HANDED:
                        continue
                    key = f"answer-{place}-{signal.face_id}-{signal.sign}-{answer.words}"
                    if st.button(answer.words, key=key, help=_help(answer)):
                        _keep(signal, answer, person=person, page=page)
            said.say(_place(signal), person=person)


def _help(answer: Answer) -> str:
    also = f" Also logs the lap as {answer.event} now." if answer.event else ""
    return f"Keeps: {answer.check_done}; {answer.result}.{also}"


def _place(signal: Signal) -> str:
    return f"answer-{signal.lap}-{signal.face_id}-{signal.sign}-{signal.rule}"


def _keep(signal: Signal, answer: Answer, *, person: str, page: Page) -> None:
    if not person:
        said.refuse(_place(signal), UNSIGNED, person=person)
        return
    event = None
    if answer.event:
        at = moment_on(page, signal.lap)
        event = event_row(answer.event, lap=signal.lap, operator=person, site=page.site, at=at)
    with data.open_store() as store, store.writing(who=person, what=f"{answer.words.lower()}: {signal.lap}"):
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
    st.toast(f"Kept: {answer.words.lower()}, signed {person}.")  # said at once; the page that counts it follows
    also = f" {signal.lap} is logged as {answer.event} too." if answer.event else ""
    kept = f"Kept on {signal.lap}: {answer.words.lower()}, signed {person}; {answer.result}.{also}"
    st.session_state[_LAST] = _Kept(signal.lap, kept, number)
    st.rerun()


def _show_last(lap: str, person: str) -> None:
    """Say what was last answered here from this screen, with the one tap that takes it back."""
    last = st.session_state.get(_LAST)
    if last is None or last.lap != lap:
        return
    key = f"undo-answer-{last.number}" if last.number else ""
    take_back = partial(_take_back, last, person)
    say_with_undo(last.said, place="last-answered", person=person, undo_key=key, tip=_UNDO, take_back=take_back)


def _take_back(last: _Kept, person: str) -> None:
    with data.open_store() as store:
        event = take_back_answer(store, last.number, who=person, reason=_REASON)
    also = f" {last.lap} is no longer logged as {event}." if event else ""
    st.session_state[_LAST] = _Kept(
        last.lap,
        f"Taken back on {last.lap}, signed {person}: the signal is open again.{also} The answer stays on record.",
    )
    st.rerun()
