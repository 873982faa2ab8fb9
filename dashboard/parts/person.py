"""Who signs what is written from these screens."""

import streamlit as st

from dashboard import data
from dashboard.parts.page import Page

__all__ = ["last_operator", "signed_by"]

_KEPT = "lc_signed"


def last_operator(page: Page, lap: str) -> str:
    """Return who logged the lap's newest face; '' if nobody did or said so."""
    faces = data.recent_faces(page.now, lap)
    return str(faces["operator"].iloc[-1]) if len(faces) else ""


def signed_by(page: Page, *, first: str = "") -> str:
    """Ask who is writing; the last answer is kept for the session, a new name may be typed."""
    kept = str(st.session_state.get(_KEPT, first))
    options = list(dict.fromkeys([name for name in (kept, *data.operators(page.now.store)) if name]))
    chosen = st.selectbox(
        "Signed by",
        options,
        index=0 if options else None,
        key=f"lc_person-{kept}",
        accept_new_options=True,
        placeholder="Your name",
        help="Every entry keeps who made it. A new name can be typed.",
        width=320,
    )
    name = str(chosen or "").strip()
    if name and name != kept:
        st.session_state[_KEPT] = name
    return name
