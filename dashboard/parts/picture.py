"""A picture as every view shows it: figure, then its text alternative in an expander."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

import pandas as pd
import plotly.graph_objects as go
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard import cards
from dashboard.words import spoken

__all__ = ["after_the_words", "show_picture", "show_table", "words_first"]

_CONFIG = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "responsive": True}


_BEGUN = "lc_words_first"  # session key: the first page has been drawn
_WAITING = "lc_pictures_wait"  # session key: pictures to draw once the words are on the screen
# In which a browser draws the words: it draws nothing while it draws a picture, less so while it reads the code for it.
_PAUSE_S, _FIRST_PAUSE_S = 0.2, 0.5
_FOLDED_PX = 58  # of the folded words and numbers under a picture, with the gap above them


@contextmanager
def words_first() -> Iterator[None]:
    """Send the words of a page before its pictures and their tables, which keep a browser busy longest.

    On the first page of a session a browser has yet to read the code for them: there the words get time to be drawn.
    """
    waiting = st.session_state[_WAITING] = []
    try:
        yield
    finally:
        del st.session_state[_WAITING]
    if waiting:
        time.sleep(_PAUSE_S if _BEGUN in st.session_state else _FIRST_PAUSE_S)
    st.session_state[_BEGUN] = True
    for place, draw in waiting:
        with place:
            draw()


def show_picture(
    figure: Callable[[], go.Figure], *, key: str, height: int, sentence: str, table: pd.DataFrame, title: str
) -> None:
    """Show a figure with its sentence for those who cannot see it, and its readings as a table.

    The figure is made when it is drawn: a page's words wait for none. Its room, `height` pixels, is kept meanwhile, so
    that nothing moves under a hand when it comes.
    """
    st.html(f"<style>.st-key-room-{key} {{ min-height: {height + _FOLDED_PX}px; }}</style>")
    with st.container(key=f"room-{key}"):  # it holds a place: one that held nothing would not be on the page
        place = st.container(key=f"picture-{key}")
    _later(place, partial(_draw, figure, key=key, height=height, sentence=sentence, table=table, title=title))


def after_the_words(draw: Callable[[], None]) -> None:
    """Draw a part of the page here, once all words of the page and the pictures above it are on the screen."""
    _later(st.container(), draw)


def _later(place: DeltaGenerator, draw: Callable[[], None]) -> None:
    if _WAITING in st.session_state:
        st.session_state[_WAITING].append((place, draw))
        return
    with place:
        draw()


def _draw(
    figure: Callable[[], go.Figure], *, key: str, height: int, sentence: str, table: pd.DataFrame, title: str
) -> None:
    drawn = figure()
    drawn.update_layout(height=height, separators=spoken().decimal + spoken().thousands)
    st.plotly_chart(drawn, theme=None, config=_CONFIG, key=key, alt=sentence)
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
