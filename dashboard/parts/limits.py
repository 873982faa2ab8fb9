"""The limits of the drawings: every revision with who and why, and a form that adds one."""

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.units import DisplayUnit
from dashboard.words import count
from spc.store.frames import CHARACTERISTICS

__all__ = ["limits"]

_ONE_SIDED = tuple(name for name in CHARACTERISTICS if not name.startswith("thickness"))


def limits(page: Page, person: str) -> None:
    """Show what the limits are, what they were, and let a person change one."""
    history = data.limit_history(page.now)
    if history.empty:
        st.html(
            cards.notice("No limit is set: without one there are no faces left to count and no index. Set one below.")
        )
    else:
        st.html(cards.sentences([f"{count(len(history), 'revision')}, newest first; an old one is never changed."]))
        show_table(_shown(history, page.unit), key="limits")
    with st.form("limit", clear_on_submit=True):
        st.html(cards.section("Set a limit"))
        part = st.text_input("Part number", help="* stands for any part.")
        characteristic = st.selectbox("What is limited", _ONE_SIDED)
        value = st.number_input(f"At most, {page.unit.label}", min_value=0.0, value=None, format="%g")
        why = st.text_input("Why", placeholder="drawing revision C")
        if st.form_submit_button("Keep this limit", type="primary"):
            _keep(part, characteristic, value, why, page.unit, person)


def _keep(part: str, characteristic: str, value: float | None, why: str, unit: DisplayUnit, person: str) -> None:
    if not person or not why.strip():
        st.error("A limit is signed and explained: say who, and why.")
        return
    if not value:
        st.error("A limit must be a length greater than 0.")
        return
    try:
        with data.open_store() as store:
            store.set_limit(
                part,
                characteristic,
                upper_um=value * unit.um_per_unit,
                upper_text=f"{value:g} {unit.label}",
                who=person,
                why=why.strip(),
            )
    except ValueError as error:
        st.error(str(error))
        return
    st.toast(f"Kept: {characteristic} of {part} at most {value:g} {unit.label}.")
    st.rerun()


def _shown(history: pd.DataFrame, unit: DisplayUnit) -> pd.DataFrame:
    newest = history.iloc[::-1]
    return pd.DataFrame(
        {
            "revision": newest["revision"],
            "part": newest["part"],
            "characteristic": newest["characteristic"],
            "as typed": newest["upper_text"],
            f"at most, {unit.label}": (newest["upper_um"] / unit.um_per_unit).round(4),
            f"at least, {unit.label}": (newest["lower_um"] / unit.um_per_unit).round(4),
            "valid from": newest["valid_from"].str.slice(0, 16).str.replace("T", " "),
            "who": newest["who"],
            "why": newest["why"],
        }
    )
