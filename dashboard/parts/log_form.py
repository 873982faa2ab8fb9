"""Log a face."""

from dashboard.parts.page import Page

__all__ = ["log_form"]


def log_form(page: Page, lap: str) -> None:
    """Offer the form."""
