"""Watched folders: where dropped logs are taken in from, and which of them could not be read."""

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.parts.page import Page
from dashboard.words import count
from spc.log.moments import shown_time

__all__ = ["unread_sentence", "watched", "watched_folder_sentence"]

_MOST_SHOWN = 20
_TAKEN_OFF = "The file stays where it is; it is listed again when it changes and still cannot be read."


def watched_folder_sentence() -> str:
    """Say where logs can be dropped, or how to have such a folder."""
    folder = data.watched_folder()
    if folder:
        return f"Logs dropped into {folder} are taken in by themselves as soon as they are whole; they stay there."
    return "To have logs taken in by themselves, start the screens with: `lapcell serve --watch FOLDER`"


def unread_sentence(page: Page) -> str:
    """Say how many files of watched folders cannot be read; '' for none."""
    problems = data.watch_problems(page.now)
    if problems.empty:
        return ""
    if "" in set(problems["name"]):
        return "A watched folder cannot be reached."
    return f"{count(len(problems), 'dropped file').capitalize()} cannot be read."


def watched(page: Page, person: str) -> None:
    """List what is wrong in watched folders, each until it is put right, taken away or taken off the list."""
    problems = data.watch_problems(page.now)
    if problems.empty:
        return
    st.html(cards.section("Dropped into a watched folder and not read"))
    if not person:
        st.html(cards.sentences([], empty="Say above who signs to take one off this list."))
    for place, (_, row) in enumerate(problems.head(_MOST_SHOWN).iterrows()):
        with st.container(key=f"unread-{place}", horizontal=True, vertical_alignment="center", wrap=False):
            st.html(cards.notice(_line(page, row), kind="stop"))
            if person and st.button("Take off this list", key=f"unread-{row['folder']}-{row['name']}", help=_TAKEN_OFF):
                with data.open_store() as store:
                    store.report_watched(row["folder"], row["name"], "", who=person)
                st.rerun()
    if len(problems) > _MOST_SHOWN:
        st.html(cards.sentences([f"{len(problems) - _MOST_SHOWN:,} more are not shown."]))


def _line(page: Page, row: pd.Series) -> str:
    since = shown_time(row["at"].value // 1000, page.site.time_zone)
    where = f", in {row['folder']}" if row["name"] else ""
    return f"{str(row['problem']).rstrip('.')}. Found {since}{where}."
