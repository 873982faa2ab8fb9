"""Proof view: the chart, the index or its refusal, the limits, how we know, and what the words mean."""

from collections.abc import Callable

import streamlit as st

from dashboard import cards
from dashboard.parts.acceptance_section import acceptance_section
from dashboard.parts.age_section import age_section
from dashboard.parts.capability_section import capability_section
from dashboard.parts.chart_section import chart_section
from dashboard.parts.dimension_section import dimension_section
from dashboard.parts.gauge_section import gauge_section
from dashboard.parts.glossary import glossary, words_here
from dashboard.parts.how_we_know import how_we_know
from dashboard.parts.limits import limits
from dashboard.parts.page import Page, in_unit_of, lost_line
from dashboard.parts.replay_section import replay_section
from dashboard.parts.variation_section import variation_section
from dashboard.parts.wear_section import wear_section
from dashboard.views.lap import choose_lap

__all__ = ["SECTIONS", "render"]

SECTIONS: dict[str, Callable[[Page, str, str], None]] = {
    "Chart": chart_section,
    "Wear": lambda page, lap, person: wear_section(page, lap),
    "Past day": lambda page, lap, person: replay_section(page, lap),
    "Index": capability_section,
    "Dimension": lambda page, lap, person: dimension_section(page, lap),
    "Reading": lambda page, lap, person: gauge_section(page),
    "Acceptance": lambda page, lap, person: acceptance_section(page, lap),
    "Variation": lambda page, lap, person: variation_section(page),
    "Age": lambda page, lap, person: age_section(page, lap),
    "Limits": lambda page, lap, person: limits(page, person),
    "How we know": lambda page, lap, person: how_we_know(),
    "Words": lambda page, lap, person: glossary(),
}
_OF_EVERY_LAP = ("Reading", "Variation", "Limits", "How we know", "Words")
_WORDS: dict[str, tuple[str, ...]] = {
    "Chart": ("limit", "interval", "baseline", "trial limits", "revision", "drifting average", "false call", "signal"),
    "Wear": ("cycle", "recondition", "re-lap", "signal"),
    "Past day": ("signal", "revision", "seal"),
    "Index": ("capability index", "performance index", "refusal", "fitted law", "interval", "seal"),
    "Dimension": ("performance index", "limit", "interval"),
    "Reading": ("repeat reading", "repeatability", "interval", "band"),
    "Acceptance": ("acceptance limit", "limit", "fitted law", "repeatability"),
    "Variation": ("cycle", "repeat reading", "refusal"),
    "Age": ("cycle", "recondition"),
    "Limits": ("limit", "revision"),
    "How we know": ("false call", "interval"),
}


def render(page: Page) -> None:
    """Draw the proof view; only the section asked for is computed."""
    chosen = choose_lap(page, view="proof")
    if chosen is None:
        return
    lap, person = chosen
    heading = st.container()
    with st.container(key="proof-body"):
        section = st.segmented_control(
            "Section",
            list(SECTIONS),
            default="Chart",
            required=True,
            key="section",
            bind="query-params",
            label_visibility="collapsed",
        )
        about = "every lap" if section in _OF_EVERY_LAP else lap
        heading.html(lost_line(page) + cards.headline(f"What stands behind {about}."))
        SECTIONS[str(section)](in_unit_of(lap, page), lap, person)
        words_here(_WORDS.get(str(section), ()))
