"""Answers to signals."""

from dashboard.parts.page import Page
from spc.board.results import LapReport

__all__ = ["answer_signals"]


def answer_signals(report: LapReport, page: Page) -> None:
    """Offer one-tap answers."""
