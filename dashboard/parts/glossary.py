"""What the words on the screens mean: all of them, or those of one section where they appear."""

import streamlit as st

from dashboard.glossary import GLOSSARY
from dashboard.words import html_text

__all__ = ["glossary", "words_here"]


def glossary() -> None:
    """Show every word with its meaning."""
    st.html(_table(tuple(GLOSSARY)))


def words_here(words: tuple[str, ...]) -> None:
    """Offer the meaning of the words of one section, folded until somebody asks."""
    if words:
        with st.expander("What the words here mean"):
            st.html(_table(words))


def _table(words: tuple[str, ...]) -> str:
    rows = "".join(
        f'<tr><th scope="row">{html_text(word)}</th><td>{html_text(GLOSSARY[word])}</td></tr>' for word in words
    )
    head = '<thead><tr><th scope="col">word</th><th scope="col">what it means here</th></tr></thead>'
    return f'<table class="lc-table">{head}<tbody>{rows}</tbody></table>'
