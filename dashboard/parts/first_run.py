"""First run: an empty log offers the invented cell, an own file or a watched folder, and a tour of the screens."""

from pathlib import Path

import streamlit as st

from dashboard import cards
from dashboard.parts.page import Page
from dashboard.parts.watched import unread_sentence, watched_folder_sentence

__all__ = ["first_run"]


def first_run(page: Page) -> None:
    """Offer the ways to fill an empty log."""
    st.html(cards.headline("This log is empty.", kicker="Nothing has been logged or taken in yet"))
    unread = unread_sentence(page)
    if unread:
        st.html(cards.notice(f"{unread} The log view says why.", kind="look"))
    if page.wall:
        st.html(cards.sentences([watched_folder_sentence()]))
        return
    with st.container(key="ways"):
        with st.container(key="way-demo"):
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
            if "tour" in page.routes:
                st.page_link(page.routes["tour"], label="Take the two-minute tour")
        with st.container(key="way-file"):
            st.html(cards.section("Your own log"))
            st.html(
                cards.sentences(
                    [
                        "Any CSV file with a lap, and flatness or minutes per face. Operator, grit, finish, time, "
                        "part and serial are understood too.",
                        "You see how each column is read before anything is kept.",
                    ]
                )
            )
            if "log" in page.routes:
                st.page_link(page.routes["log"], label="Take in a file")
        with st.container(key="way-folder"):
            st.html(cards.section("A watched folder"))
            st.html(
                cards.sentences(
                    [
                        watched_folder_sentence(),
                        "A file still being written is left until it is whole; nothing is moved or deleted.",
                    ]
                )
            )


def _offer_demo(page: Page) -> None:
    store = Path(page.now.store)
    if store.name != "lapcell.db" or page.now.settings:
        st.html(cards.notice("Start it apart from this log with the command: lapcell demo"))
        return
    if st.button("Fill this log with the invented cell", key="demo", type="primary"):
        from demo_data.scenario import build

        bar = st.progress(0.0, text="Inventing four months of faces")
        build(
            store.parent, progress=lambda done, total: bar.progress(done / max(1, total), text="Taking in the papers")
        )
        st.rerun()
