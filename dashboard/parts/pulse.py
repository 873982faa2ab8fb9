"""The live pulse: asks the store every two seconds whether it has grown, and redraws the page when it has."""

import streamlit as st

from dashboard import data

__all__ = ["pulse"]

_SEEN = "lc_seen"


def pulse(now: data.Snapshot) -> None:
    """Redraw the page when the store or the settings change, or a stretch of the clock ends."""
    st.session_state[_SEEN] = now
    _beat()


@st.fragment(run_every=2.0)
def _beat() -> None:
    if data.snapshot() != st.session_state.get(_SEEN):
        st.rerun()
