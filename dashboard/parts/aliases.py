"""Ways of writing a lap: every decision on them, and the way back from one approved by mistake."""

import pandas as pd
import streamlit as st

from dashboard import cards, data, log_data
from dashboard.parts import draft, said
from dashboard.parts.page import Page, speak_as
from dashboard.parts.picture import show_table
from dashboard.words import count, moments
from spc.log.rereading import take_back_alias

__all__ = ["aliases"]

_PLACE = "alias-back"


def aliases(page: Page, person: str) -> None:
    """List every decision on a way of writing a lap; one in force can be taken back."""
    history = log_data.alias_history(page.now)
    st.html(cards.section("Ways of writing a lap"))
    _take_back(page, person)
    if history.empty:
        st.html(cards.sentences([], empty="No other way of writing a lap has been approved."))
        return
    zone = page.site.time_zone or "UTC"
    newest = history.iloc[::-1]
    show_table(
        pd.DataFrame(
            {
                f"when ({zone})": moments(newest["at"], zone),
                "as typed": newest["typed"],
                "read as": newest["lap"].where(newest["lap"] != "", "taken back"),
                "approved by": newest["approved_by"],
                "why": newest["why"],
            }
        ),
        key="aliases",
    )


@st.fragment
def _take_back(page: Page, person: str) -> None:
    speak_as(page)
    in_force = data.aliases(page.now)
    if in_force:
        _form(in_force, person)
    said.say(_PLACE, person=person)


def _form(in_force: dict[str, str], person: str) -> None:
    form = draft.name(_PLACE)
    with st.container(key=_PLACE, border=True):
        typed = st.selectbox(
            "Approved by mistake", list(in_force), index=None, placeholder="Choose what was typed",
            format_func=lambda name: f"{name}, read as {in_force[name]}", **draft.field(form, "typed"),
        )  # fmt: skip
        why = st.text_input("Why it is not that lap", **draft.typed(form, "why"))
        if st.button("Take the alias back", key=f"send-{form}"):
            said.sent(_PLACE)
            if typed is None or not person or not why.strip():
                said.refuse(_PLACE, "Choose what was typed, and say who takes it back, and why.", person=person)
            else:
                _write(typed, person, why)
            st.rerun()
        draft.offer_to_clear(form, _PLACE)


def _write(typed: str, person: str, why: str) -> None:
    try:
        with data.open_store() as store:
            done = take_back_alias(store, typed, who=person, why=why)
    except ValueError as error:
        said.refuse(_PLACE, f"{str(error)[:1].upper()}{str(error)[1:]}.", person=person)
        return
    moved = f" {count(done.moved, 'face').capitalize()} typed under it stand on {typed} again." if done.moved else ""
    said.done(
        _PLACE,
        f"{typed} is no longer read as {done.lap}.{moved} Rows of logs stay on {done.lap} until their log is taken in "
        f"again; where only listed laps are known, say first which lap {typed} is.",
    )
