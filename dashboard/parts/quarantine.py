"""Quarantine."""

import streamlit as st

from dashboard import data
from dashboard.parts.page import Page

__all__ = ["quarantine"]


def quarantine(page: Page, person: str) -> None:
    """Settle rows."""
    st.write(len(data.waiting(page.now)))
