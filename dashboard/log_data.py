"""What the log view reads beside `dashboard.data`: corrections and alias decisions, cached by the snapshot."""

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.data import Snapshot, open_store, settings
from spc.log.rereading import with_registered_laps
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["MOST_EDITS", "alias_history", "edits", "known_drops", "reading_of", "reading_site", "settled"]

MOST_EDITS = 500
_MOST_DROPS = 20


@st.cache_data(max_entries=8, show_spinner=False)
def alias_history(now: Snapshot) -> pd.DataFrame:
    """Return every decision on a way of writing a lap, oldest first."""
    with open_store() as store:
        return store.alias_history()


@st.cache_data(max_entries=8, show_spinner=False)
def edits(now: Snapshot, *, after_signal: bool) -> pd.DataFrame:
    """Return the newest corrections, newest first; `after_signal`: only those that came after one."""
    with open_store() as store:
        return store.edits(after_signal=after_signal, last=MOST_EDITS)


@st.cache_data(max_entries=8, show_spinner=False)
def known_drops(now: Snapshot) -> pd.DataFrame:
    """Return the newest files dropped into a watched folder that held nothing new, newest first."""
    with open_store() as store:
        return store.known_drops(last=_MOST_DROPS)


@st.cache_data(max_entries=16, show_spinner=False)
def reading_of(store_path: str, intake_id: int) -> dict[str, Any]:
    """Return how the columns of one delivery were understood; a delivery never changes."""
    with Store.open(store_path) as store:
        return store.reading_of(intake_id)


@st.cache_data(max_entries=8, show_spinner=False)
def reading_site(now: Snapshot) -> Settings:
    """Return the site's settings as a log is read by them: the laps of the register are known too."""
    with open_store() as store:
        return with_registered_laps(settings(now), store)


@st.cache_data(max_entries=8, show_spinner=False)
def settled(now: Snapshot) -> pd.DataFrame:
    """Return how the newest rows that waited were settled, those taken back since too, newest first."""
    with open_store() as store:
        return store.settlings(last=MOST_EDITS)
