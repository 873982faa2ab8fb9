"""What the words on the screens mean."""

import streamlit as st

from dashboard.glossary import GLOSSARY
from dashboard.words import html_text

__all__ = ["glossary"]


def glossary() -> None:
    """Show every word with its meaning."""
    rows = "".join(
        f'<tr><th scope="row">{html_text(word)}</th><td>{html_text(meaning)}</td></tr>'
        for word, meaning in GLOSSARY.items()
    )
    head = '<thead><tr><th scope="col">word</th><th scope="col">what it means here</th></tr></thead>'
    st.html(f'<table class="lc-table">{head}<tbody>{rows}</tbody></table>')
