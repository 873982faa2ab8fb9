"""The index of a part number, with its interval, the law and the data list; or the refusal with its cure."""

import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts.page import Page
from dashboard.parts.pair import pair
from dashboard.parts.study_choice import choose_study, exclusions, plan_text
from dashboard.parts.study_kept import keep, kept_studies
from dashboard.parts.study_report import batch, downloads, made_now
from dashboard.parts.study_shown import show_study

__all__ = ["capability_section"]


def capability_section(page: Page, lap: str, person: str) -> None:
    """Ask what to study, show what may be said of it, keep it, and write it out."""
    plan = choose_study(page, lap)
    if plan is None:
        return
    study = proof_data.study_of(page.now, plan_text(plan))
    show_study(study, page, key="now")
    with st.expander("Leave readings out, each with its cause"):
        exclusions(page, plan)
    written, kept = pair("study")
    with written:
        downloads(page, study, made_now(page, person), key="now")
    with kept:
        keep(page, study, person)
    batch(page, plan, person)
    kept_studies(page)
    st.html(cards.sentences([], empty="A kept study holds its own list: faces logged later do not change it."))
