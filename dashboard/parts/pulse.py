"""The live pulse: asks the store every two seconds whether it has grown, and redraws the page when it has."""

import streamlit as st

from dashboard import data
from spc.settings import SettingsError
from spc.store.database import StoreError

__all__ = ["pulse", "state_now"]

_SEEN = "lc_seen"


def state_now() -> data.Snapshot | str:
    """Return the state of the store and settings, or the sentence that says why they cannot be read."""
    try:
        return data.snapshot()
    except (SettingsError, StoreError) as error:
        return str(error)


def pulse(now: data.Snapshot | str) -> None:
    """Redraw the page when the store or the settings change or can be read again, or a stretch of the clock ends."""
    st.session_state[_SEEN] = now
    _beat()


@st.fragment(run_every=2.0)
def _beat() -> None:
    if state_now() != st.session_state.get(_SEEN):
        st.rerun()
