"""Proof view: the chart, the index or its refusal, the limits, how we know, and what the words mean."""

import streamlit as st

from dashboard import cards
from dashboard.parts.age_section import age_section
from dashboard.parts.capability_section import capability_section
from dashboard.parts.chart_section import chart_section
from dashboard.parts.glossary import glossary
from dashboard.parts.how_we_know import how_we_know
from dashboard.parts.limits import limits
from dashboard.parts.page import Page
from dashboard.parts.person import last_operator, signed_by
from dashboard.views.lap import choose_lap

__all__ = ["render"]

_SECTIONS = ("Chart", "Index", "Age", "Limits", "How we know", "Words")


def render(page: Page) -> None:
    """Draw the proof view; only the section asked for is computed."""
    with st.container(key="top-row", horizontal=True):
        lap = choose_lap(page, view="proof")
        person = signed_by(page, first=last_operator(page, lap)) if lap is not None else ""
    if lap is None:
        return
    st.html(cards.headline(f"What stands behind {lap}."))
    section = st.segmented_control(
        "Section",
        _SECTIONS,
        default="Chart",
        required=True,
        key="section",
        bind="query-params",
        label_visibility="collapsed",
    )
    if section == "Chart":
        chart_section(page, lap, person)
    elif section == "Index":
        capability_section(page, lap, person)
    elif section == "Age":
        age_section(page, lap)
    elif section == "Limits":
        limits(page, person)
    elif section == "How we know":
        how_we_know()
    else:
        glossary()
