"""Log view: take in a file, settle the rows that wait, see what was taken in."""

import streamlit as st

from dashboard import cards, data
from dashboard.parts.intakes import intakes
from dashboard.parts.page import Page
from dashboard.parts.person import signed_by
from dashboard.parts.quarantine import quarantine
from dashboard.parts.upload import upload
from dashboard.words import count

__all__ = ["render"]


def render(page: Page) -> None:
    """Draw the log view."""
    waiting = len(data.waiting(page.now))
    deliveries = len(data.intakes(page.now))
    st.html(
        cards.headline(_sentence(waiting, deliveries), kicker="The log of record: nothing in it is ever overwritten")
    )
    with st.container(key="top-row", horizontal=True):
        person = signed_by(page)
    take, wait, seen = st.tabs(["Take in a file", f"Rows that wait ({waiting:,})", "Taken in"])
    with take:
        upload(page, person)
    with wait:
        quarantine(page, person)
    with seen:
        intakes(page)


def _sentence(waiting: int, deliveries: int) -> str:
    if not deliveries:
        return "Nothing has been taken in yet."
    if waiting:
        waits = "waits" if waiting == 1 else "wait"
        return f"{count(waiting, 'row').capitalize()} {waits} for a person."
    return f"Every row of {count(deliveries, 'delivery', 'deliveries')} is settled."
