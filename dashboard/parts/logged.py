"""What was last logged from this screen: said under the button pressed, with the one tap that takes it back."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import streamlit as st

from dashboard import data
from dashboard.parts import draft, said
from dashboard.parts.page import Page
from dashboard.parts.pulse import tapped
from dashboard.parts.undo import say_with_undo

__all__ = [
    "Logged",
    "Shown",
    "a_moment_ago",
    "keep_in_mind",
    "nothing",
    "not_again",
    "refused_after",
    "show_last",
    "show_what_came",
]

_LAST = "lc_logged"
_DOUBLE_TAP_S = 8.0  # the same entry on the same lap within this is one tap too many
_UNDO = "Takes it back, signed with your name. It stays on record, and counts no more."
_REASON = "undone at the form"
Shown = Callable[[], None]  # draws a part of what came of the last tap


@dataclass(frozen=True, slots=True)
class Logged:
    """What was last logged from this screen."""

    lap: str
    said: str
    what: str = ""  # what was logged, while it can be taken back
    kind: str = ""  # 'face' or 'event' while it can be taken back
    number: int = 0
    tapped: tuple[object, ...] = ()
    at: float = field(default_factory=time.monotonic)
    before: bool = False  # what was sent after it was not taken


def keep_in_mind(logged: Logged, drawn: Page) -> None:
    """Say what came of the last entry; the next form begins from the lap's last face."""
    st.session_state[_LAST] = logged
    draft.let_go()
    tapped(drawn.now)


def refused_after() -> None:
    """Note that what was sent after the last entry was not taken."""
    if isinstance(last := st.session_state.get(_LAST), Logged):
        st.session_state[_LAST] = replace(last, before=True)


def a_moment_ago(lap: str) -> Logged | None:
    """Return what this screen logged on a lap so short a time ago that the same once more is one tap too many."""
    last: Logged | None = st.session_state.get(_LAST)
    recent = last is not None and last.lap == lap and time.monotonic() - last.at < _DOUBLE_TAP_S
    return last if recent else None


def not_again(last: Logged) -> Logged:
    """Say that a second tap adds nothing; what the first one logged can still be taken back."""
    return replace(last, said=f"{last.what} was logged a moment ago; nothing was added.")


def nothing() -> None:
    """Draw nothing: what was last logged stands in the form that is open."""


def show_what_came(place: str, person: str, last: Shown, sure: Shown = nothing) -> None:
    """Say what came of the last tap on a form; what was logged before a tap that was refused stands below the refusal.

    `last` says what was last logged here, `sure` offers to keep what was asked about.
    """
    refused = said.stands(place)
    if not refused:
        last()
    said.say(place, person=person)
    sure()
    if refused:
        last()


def show_last(drawn: Page, lap: str, person: str) -> None:
    """Say what was last logged here from this screen, with the one tap that takes it back."""
    last = st.session_state.get(_LAST)
    if last is None or last.lap != lap:
        return
    key = f"undo-{last.kind}-{last.number}" if last.kind else ""
    take_back = partial(_take_back, drawn, last, person)
    words = f"The entry before stays. {last.said}" if last.before else last.said
    say_with_undo(words, place="last-logged", person=person, undo_key=key, tip=_UNDO, take_back=take_back)


def _take_back(drawn: Page, last: Logged, person: str) -> None:
    with data.open_store() as store:
        take_back = store.withdraw_face if last.kind == "face" else store.withdraw_event
        take_back(last.number, who=person, reason=_REASON)
    keep_in_mind(Logged(last.lap, f"Taken back: {last.what}. It stays on record as taken back."), drawn)
