"""A lap that the log does not know yet: named by hand, so that its first face can be logged on the screens."""

from functools import partial

import streamlit as st

from dashboard import data
from dashboard.parts import draft, said
from dashboard.parts.page import Page, speak_as
from spc.log.rereading import add_lap

__all__ = ["NEW", "new_lap"]

NEW = "new"  # of a link to the lap view: it asks for the form of a new lap
_PLACE = "new-lap"
_OR_NOT = "may be left empty"
_WIDTH = 480


@st.fragment
def new_lap(page: Page, person: str, *, name: str = "") -> None:
    """Ask for a lap's name and what is known of it, and open its page; `name` stands in the field at first."""
    speak_as(page)
    form = draft.name(_PLACE, name)
    with st.container(key=f"form-{_PLACE}"):
        typed = partial(draft.typed, form)
        lap = st.text_input("Name of the new lap", value=name, placeholder="CI-1", width=_WIDTH, **typed("lap"))
        material = st.text_input("Made of", placeholder=f"cast iron; {_OR_NOT}", width=_WIDTH, **typed("material"))
        kind = st.text_input("What it is", placeholder=f"hand lap; {_OR_NOT}", width=_WIDTH, **typed("kind"))
        if st.button("Add this lap", key=f"send-{form}", type="primary"):
            said.sent(_PLACE)
            _add(page, lap.strip(), material.strip(), kind.strip(), person)
        said.say(_PLACE, person=person)
        draft.offer_to_clear(form, _PLACE)


def _add(page: Page, lap: str, material: str, kind: str, person: str) -> None:
    why = _why_not(page, lap, person)
    if why:
        said.refuse(_PLACE, why, person=person)
        return
    with data.open_store() as store:
        add_lap(store, lap, settings=page.site, who=person, why="named at the screens", material=material, kind=kind)
    said.begun_anew(_PLACE)
    st.query_params.pop(NEW, None)
    st.query_params["lap"] = lap
    st.rerun()


def _why_not(page: Page, lap: str, person: str) -> str:
    """Say why a lap cannot be added; '' where it can."""
    if not lap:
        return "Say what the lap is called."
    if not person:
        return "Say first who signs this."
    alike = next((name for name in data.lap_names(page.now) if name.casefold() == lap.casefold()), "")
    if alike:
        return f"{alike} is in the log already: choose it, or give the new lap another name."
    meant = data.aliases(page.now).get(lap, "")
    return f"{lap} is read as {meant}, another way of writing it: give the new lap another name." if meant else ""
