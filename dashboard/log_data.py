"""What the log view reads beside `dashboard.data`: corrections and alias decisions, cached by the snapshot."""

import pandas as pd
import streamlit as st

from dashboard.data import Snapshot, open_store

__all__ = ["MOST_EDITS", "alias_history", "edits"]

MOST_EDITS = 500


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
