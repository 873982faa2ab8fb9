"""Log view: take in a file, settle the rows that wait, see what was taken in."""

import streamlit as st

from dashboard import cards, data
from dashboard.parts.discarded import discarded_before
from dashboard.parts.edits import edits
from dashboard.parts.intakes import intakes
from dashboard.parts.page import Page, lost_line
from dashboard.parts.person import signed_by
from dashboard.parts.quarantine import quarantine
from dashboard.parts.upload import upload
from dashboard.parts.waiting import waiting_sentence
from dashboard.parts.watched import unread_sentence, watched
from dashboard.words import count, number_of

__all__ = ["render"]

_SECTION = "log-section"
_LINKED = "lc_log_section"  # what the link last named


def render(page: Page) -> None:
    """Draw the log view."""
    waiting = len(data.waiting(page.now))
    deliveries = len(data.intakes(page.now))
    st.html(
        lost_line(page)
        + cards.headline(
            _sentence(waiting_sentence(page), deliveries, unread_sentence(page)),
            kicker="The log of record: nothing in it is ever overwritten",
        )
    )
    with st.container(key="top-row", horizontal=True):
        person = signed_by(page)
    unread = len(data.watch_problems(page.now))
    taken = f"Taken in ({number_of(unread)} not read)" if unread else "Taken in"
    names = {
        "file": "Take in a file",
        "rows": f"Rows that wait ({number_of(waiting)})",
        "taken": taken,
        "edits": "Corrections",
        "health": "Health",
    }
    _follow_link(list(names))
    section = st.segmented_control(
        "Section", list(names), format_func=names.__getitem__, required=True, key=_SECTION,
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    st.query_params["section"] = st.session_state[_LINKED] = str(section)
    if section == "file":
        upload(page, person)
    elif section == "rows":
        quarantine(page, person)
        discarded_before(page, person)
    elif section == "taken":
        watched(page, person)
        intakes(page)
    elif section == "edits":
        edits(page, person)
    else:
        _health(page)


def _follow_link(names: list[str]) -> None:
    """Open the section the link names; a section chosen on the page since then stays."""
    asked = st.query_params.get("section", "")
    if asked in names and asked != st.session_state.get(_LINKED):
        st.session_state[_SECTION] = asked
    st.session_state.setdefault(_SECTION, names[0])


def _health(page: Page) -> None:
    """Say what the log cannot be trusted for, lap by lap."""
    if not data.lap_names(page.now):
        st.html(cards.sentences([], empty="No face is logged yet."))
        return
    found = {lap.lap: lap.data_health for lap in data.shift_report(page.now).laps if lap.data_health}
    if not found:
        st.html(cards.sentences([], empty="Nothing speaks against the readings of any lap."))
        return
    st.html(cards.health_table(found))


def _sentence(waiting: str, deliveries: int, unread: str) -> str:
    if not deliveries:
        return unread or "Nothing has been taken in yet."
    if waiting:
        return f"{waiting} {unread}".rstrip()
    return unread or f"Every row of {count(deliveries, 'delivery', 'deliveries')} is settled."
