"""The sidebar: the unit each person reads lengths in, kept in the link."""

import streamlit as st

from dashboard.units import UNIT_CHOICES, DisplayUnit, display_unit
from spc.settings import Settings

__all__ = ["unit_choice"]

_KEY = "lc_unit"


def unit_choice(site: Settings) -> DisplayUnit:
    """Ask for the unit to show lengths in: first the link's, then the site's own, then micrometres."""
    own = f"band-{site.lamp.replace(' ', '-')}" if site.flatness_unit == "band" and site.lamp else site.flatness_unit
    fallback = own if own in UNIT_CHOICES else "um"
    if _KEY not in st.session_state:
        asked = st.query_params.get("unit", "")
        st.session_state[_KEY] = asked if asked in UNIT_CHOICES else fallback
    key = st.sidebar.selectbox(
        "Show lengths in",
        list(UNIT_CHOICES),
        format_func=lambda name: UNIT_CHOICES[name].label,
        key=_KEY,
        help="For this screen only; every reading stays in the store as it was typed.",
    )
    if key != fallback:
        st.query_params["unit"] = key
    elif "unit" in st.query_params:
        del st.query_params["unit"]
    return display_unit(key)
