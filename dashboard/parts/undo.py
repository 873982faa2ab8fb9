"""One tap that takes back what was just kept, beside the word of it."""

from collections.abc import Callable

import streamlit as st

from dashboard import cards
from dashboard.parts import said
from dashboard.parts.once import once
from spc.store.database import StoreError

__all__ = ["UNSIGNED", "say_with_undo"]

UNSIGNED = "Say first who signs this."


def say_with_undo(
    sentence: str, *, place: str, person: str, undo_key: str, tip: str, take_back: Callable[[], None]
) -> None:
    """Say what was kept, with the button that takes it back.

    Parameters
    ----------
    sentence : str
    place : str
        Where it is said; names the container too.
    person : str
        Who signs, '' = nobody yet: then nothing is taken back.
    undo_key : str
        Key of the button, '' = it cannot be taken back.
    tip : str
    take_back : callable
        Writes to the store; a StoreError is said as a refusal.
    """
    with st.container(key=place):
        st.html(cards.notice(sentence))
        if undo_key:
            st.button("Undo", key=undo_key, help=tip, on_click=once(_undo), args=(place, person, take_back))
        said.say(place, person=person)


def _undo(place: str, person: str, take_back: Callable[[], None]) -> None:
    said.sent(place)
    if not person:
        said.refuse(place, UNSIGNED, person=person)
        return
    try:
        take_back()
    except StoreError as error:
        said.refuse(place, str(error), person=person)
