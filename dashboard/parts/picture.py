"""A picture as every view shows it: figure, then its text alternative in an expander."""

import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from dashboard import cards
from dashboard.words import spoken

__all__ = ["show_picture", "show_table"]

_CONFIG = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "responsive": True}


def show_picture(figure: go.Figure, *, key: str, sentence: str, table: pd.DataFrame, title: str) -> None:
    """Show a figure with its sentence for those who cannot see it, and its readings as a table."""
    figure.update_layout(separators=spoken().decimal + spoken().thousands)
    st.plotly_chart(figure, theme=None, config=_CONFIG, key=key, alt=sentence)
    with st.expander(f"{title} in words and numbers"):
        st.html(cards.sentences([sentence]))
        show_table(table, key=f"{key}-table")


def show_table(table: pd.DataFrame, *, key: str, height: int | None = None) -> None:
    """Show a table that cannot be edited; empty ones say so."""
    if table.empty:
        st.html(cards.sentences([], empty="Nothing to list yet."))
        return
    marks = spoken()
    figures = table.select_dtypes("number").columns
    shown = table if marks.name == "en" else table.style.format(_figure, subset=list(figures))
    st.dataframe(shown, hide_index=True, key=key, height=height or "auto", placeholder="")


def _figure(value: float) -> str:
    """Return a number of a table in the reader's marks, to as many digits as it has."""
    if value != value:
        return ""
    return spoken().sentence(f"{value:,.6f}".rstrip("0").rstrip(".") if isinstance(value, float) else f"{value:,}")
