"""Who signs what is written from these screens."""

import streamlit as st

from dashboard import data
from dashboard.parts.page import Page

__all__ = ["SIGNER_OFFERED", "signed_by", "signer"]

SIGNER_OFFERED = "lc_signed_offered"  # session key: lap and who was offered when its page was opened

_KEPT = "lc_signed"


def signed_by(page: Page, *, lap: str = "") -> str:
    """Ask who is writing; the last answer is kept for the session, a new name may be typed.

    Until somebody answers, who logged the lap's newest face is offered: as it was when the page was opened, for what
    others log meanwhile must not sign what is written here. Where no face of one lap is written nobody is: who lapped
    last signs no limit and no study.
    """
    offered = st.session_state.get(SIGNER_OFFERED)
    if offered is None or offered[0] != lap:
        offered = st.session_state[SIGNER_OFFERED] = (lap, _last_operator(page, lap))
    kept = str(st.session_state.get(_KEPT, offered[1]))
    options = list(dict.fromkeys([name for name in (kept, *data.operators(page.now.store)) if name]))
    chosen = st.selectbox(
        "Signed by",
        options,
        index=0 if kept else None,
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


def signer() -> str:
    """Return who has signed in this session, where nobody is asked; '' = nobody."""
    return str(st.session_state.get(_KEPT, ""))


def _last_operator(page: Page, lap: str) -> str:
    faces = data.recent_faces(page.now, lap) if lap else ()
    return str(faces["operator"].iloc[-1]) if len(faces) else ""
