"""Proof view: the chart, the limits, the index or its refusal, and how we know."""

import pandas as pd
import streamlit as st

from dashboard import cards
from dashboard.glossary import GLOSSARY
from dashboard.parts.how_we_know import how_we_know
from dashboard.parts.limits import limits
from dashboard.parts.page import Page
from dashboard.parts.person import last_operator, signed_by
from dashboard.views.lap import choose_lap

__all__ = ["render"]


def render(page: Page) -> None:
    """Draw the proof view."""
    with st.container(key="top-row", horizontal=True):
        lap = choose_lap(page, view="proof")
        person = signed_by(page, first=last_operator(page, lap)) if lap is not None else ""
    if lap is None:
        return
    st.html(cards.headline(f"What stands behind {lap}."))
    limit, known, words = st.tabs(["Limits", "How we know", "Words"])
    with limit:
        limits(page, person)
    with known:
        how_we_know()
    with words:
        st.table(pd.Series(GLOSSARY, name="what it means"))
