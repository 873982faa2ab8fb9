"""View."""

import streamlit as st

from dashboard.parts.page import Page

__all__ = ["render"]


def render(page: Page) -> None:
    """Draw."""
    st.write("later")
