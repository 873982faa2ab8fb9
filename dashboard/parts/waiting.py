"""Rows that no machine may settle, in one sentence for every page that they matter to."""

from dashboard import data
from dashboard.parts.page import Page
from dashboard.words import count

__all__ = ["waiting_sentence"]


def waiting_sentence(page: Page) -> str:
    """Say how many rows wait for a person; '' for none."""
    waiting = len(data.waiting(page.now))
    if not waiting:
        return ""
    return f"{count(waiting, 'row').capitalize()} {'waits' if waiting == 1 else 'wait'} for a person."
