"""Two pictures or lists side by side where there is room, one under the other on a tablet held upright."""

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

__all__ = ["pair"]


def pair(key: str) -> tuple[DeltaGenerator, DeltaGenerator]:
    """Return the two places; `key` tells pairs of one page apart."""
    with st.container(key=f"pair-{key}"):
        left, right = st.columns(2, gap="large")
    return left, right
