"""When a page is drawn anew: within two seconds of a change, and at once after a tap that wrote to the store."""

import contextlib
import time
from collections.abc import Callable

import streamlit as st

from dashboard import data
from spc.settings import SettingsError
from spc.store.database import StoreError

__all__ = ["count_the_tap", "pulse", "state_now", "tapped"]

_SEEN = "lc_seen"
_TAPPED = "lc_tapped"  # session key: the state a page showed when a tap on it wrote to the store
_SHOWN_S = 0.1  # in which a browser draws what came of a tap, before it is sent the page that counts it


def state_now() -> data.Snapshot | str:
    """Return the state of the store and settings, or the sentence that says why they cannot be read."""
    try:
        return data.snapshot()
    except (SettingsError, StoreError) as error:
        return str(error)


def pulse(now: data.Snapshot | str) -> None:
    """Redraw the page when the store or the settings change or can be read again, or a stretch of the clock ends.

    So it is when the device turns light or dark: the framework changes its own colours by itself, and not those of
    the page.
    """
    st.session_state[_SEEN] = now, st.context.theme.type
    _beat()


def tapped(drawn: data.Snapshot) -> None:
    """Note that a tap on a page wrote to the store; `drawn` is the state the page shows."""
    st.session_state[_TAPPED] = drawn


def count_the_tap(drawn: data.Snapshot, make: Callable[[data.Snapshot], object]) -> None:
    """Draw the page anew if a tap on it wrote to the store; the part that was tapped calls this when it is drawn.

    `make` makes the report that the page will show, meanwhile: the browser has what came of the tap to draw.
    """
    if st.session_state.pop(_TAPPED, None) != drawn:  # a run of the whole page shows a newer state: it counts the tap
        return
    began = time.monotonic()
    now = state_now()
    if isinstance(now, data.Snapshot):
        with contextlib.suppress(Exception):  # the page fails at it too, and says so
            make(now)
    time.sleep(max(_SHOWN_S - (time.monotonic() - began), 0.0))
    st.rerun()


@st.fragment(run_every=2.0)
def _beat() -> None:
    if (state_now(), st.context.theme.type) != st.session_state.get(_SEEN):
        st.rerun()
