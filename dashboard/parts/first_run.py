"""First run: an empty log offers an own file, a watched folder or the invented demo cell, and says what is where."""

from pathlib import Path

import streamlit as st

from dashboard import cards
from dashboard.parts.page import Page
from dashboard.parts.watched import unread_sentence, watched_folder_sentence

__all__ = ["first_run"]

_TOUR = (
    "Shift: what needs a person, laps in order of need. It also hangs on a wall.",
    "Lap: may I go on with this lap, and for how many faces; log a face, answer a signal.",
    "Proof: the chart behind a sentence, limits, an index with its interval or a refusal.",
    "Log: take in CSV files, settle the rows that wait.",
)


def first_run(page: Page) -> None:
    """Offer the ways to fill an empty log."""
    st.html(cards.headline("This log is empty.", kicker="Nothing has been logged or taken in yet"))
    unread = unread_sentence(page)
    if unread:
        st.html(cards.notice(f"{unread} The log view says why.", kind="look"))
    own, demo = st.columns(2, gap="large")
    with own:
        st.html(cards.section("Your own log"))
        st.html(
            cards.sentences(
                [
                    "Any CSV file with a lap, and flatness or minutes per face. Operator, grit, finish, time, part and "
                    "serial are understood too.",
                    "You see how each column is read before anything is kept.",
                    watched_folder_sentence(),
                ]
            )
        )
        if "log" in page.routes:
            st.page_link(page.routes["log"], label="Take in a file")
    with demo:
        st.html(cards.section("Look around first"))
        st.html(
            cards.sentences(
                [
                    "An invented cell: two shifts, four months, every number made up by a seeded program.",
                    "It goes into this empty log. For a log of your own start again with a new store file.",
                ]
            )
        )
        _offer_demo(page)
    st.html(cards.section("What is where") + cards.sentences(_TOUR))


def _offer_demo(page: Page) -> None:
    store = Path(page.now.store)
    if store.name != "lapcell.db" or page.now.settings:
        st.html(cards.notice("Start it apart from this log with the command: lapcell demo"))
        return
    if st.button("Fill this log with the invented cell", key="demo"):
        from demo_data.scenario import build

        bar = st.progress(0.0, text="Inventing four months of faces")
        build(
            store.parent, progress=lambda done, total: bar.progress(done / max(1, total), text="Taking in the papers")
        )
        st.rerun()
