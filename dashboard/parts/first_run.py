"""First run: an empty log offers the invented cell, an own file or a watched folder, and a tour of the screens."""

from pathlib import Path

import streamlit as st

from dashboard import cards, data
from dashboard.parts.filling import fill, filling_of, wait_for
from dashboard.parts.new_lap import new_lap
from dashboard.parts.page import Page
from dashboard.parts.person import signed_by
from dashboard.parts.waiting import waiting_sentence
from dashboard.parts.watched import unread_sentence, watched_folder_sentence

__all__ = ["first_run", "nothing_yet"]


def nothing_yet(page: Page) -> bool:
    """Whether there is no board to show: the log is empty, or the invented cell is still on its way into it."""
    return not data.lap_names(page.now) or filling_of(Path(page.now.store).parent) is not None


def first_run(page: Page, *, by_hand: bool = False) -> None:
    """Offer the ways to fill an empty log, or say how far it has been filled.

    `by_hand`: the first lap is named here; elsewhere a link leads to where it is.
    """
    under_way = filling_of(Path(page.now.store).parent)
    if under_way is not None:
        st.html(
            cards.headline("The invented cell is being taken in.", kicker="A few seconds more; it goes on by itself")
        )
        wait_for(under_way)
        return
    waiting = waiting_sentence(page)
    if waiting:
        st.html(cards.headline("No face could be taken in yet.", kicker="All that came is kept"))
        st.html(cards.notice(f"{waiting} The log view says why, row by row, and takes the answer.", kind="look"))
        if "log" in page.routes and not page.wall:
            st.page_link(page.routes["log"], label="See the rows that wait", query_params={"section": "rows"})
    else:
        st.html(cards.headline("This log is empty.", kicker="Nothing has been logged or taken in yet"))
    unread = unread_sentence(page)
    if unread:
        st.html(cards.notice(f"{unread} The log view says why.", kind="look"))
    if page.wall:
        st.html(cards.sentences([watched_folder_sentence()]))
        return
    with st.container(key="ways"):
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
            if "log" in page.routes and st.button("Take in a file", key="take-in", type="primary"):
                st.switch_page(page.routes["log"], query_params={"section": "file"})
        with st.container(key="way-hand"):
            _by_hand(page, here=by_hand)
        if not waiting:
            with st.container(key="way-demo"):
                _look_around(page)
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


def _by_hand(page: Page, *, here: bool) -> None:
    """Offer to type the first face: its lap is named first."""
    st.html(cards.section("Face by face, by hand"))
    st.html(cards.sentences(["No file is needed: name the first lap, then log its first face with a few taps."]))
    if here:
        new_lap(page, signed_by(page))
    elif "lap" in page.routes:
        st.page_link(page.routes["lap"], label="Log the first face")


def _look_around(page: Page) -> None:
    st.html(cards.section("Look around first"))
    st.html(
        cards.sentences(
            [
                "An invented cell: two shifts, four months, every number made up by a seeded program.",
                "`lapcell demo` opens it apart from this log.",
            ]
        )
    )
    if "tour" in page.routes:
        st.page_link(page.routes["tour"], label="Take the two-minute tour")
    _offer_demo(page)


def _offer_demo(page: Page) -> None:
    """Offer the invented cell in the log itself; it is asked for twice, for it is a log for real faces."""
    store = Path(page.now.store)
    if store.name != "lapcell.db" or page.now.settings:
        return
    with st.expander("Or fill this log with it"):
        st.html(
            cards.notice(
                f"This writes thousands of invented faces into this very log ({store}), where real ones taken in later "
                "would stand among them. To be rid of them, stop lapcell, delete what it wrote there (lapcell.db, "
                "lapcell.toml, events.csv, limits.csv and the folder logs), and begin anew.",
                kind="look",
            )
        )
        if st.button("Yes, fill this log with the invented cell", key="demo"):
            wait_for(fill(store.parent))
