"""First run."""

import streamlit as st

from dashboard.parts.page import Page

__all__ = ["first_run"]


def first_run(page: Page) -> None:
    """Offer the demo or an own file."""
    st.write("first run")
