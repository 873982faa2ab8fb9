"""What every view is handed: the snapshot, the look, the unit, whether it hangs on a wall, and how to link on."""

from dataclasses import dataclass, field

import streamlit as st

from dashboard.data import Snapshot
from dashboard.theme import Look
from dashboard.units import DisplayUnit
from dashboard.words import markdown_text
from spc.settings import Settings

__all__ = ["Page", "link_to_lap"]


@dataclass(frozen=True, slots=True)
class Page:
    """One run of one view."""

    now: Snapshot
    site: Settings
    look: Look
    unit: DisplayUnit
    wall: bool = False
    routes: dict[str, st.Page] = field(default_factory=dict)  # 'shift', 'lap', 'proof', 'log'


def link_to_lap(page: Page, lap: str, *, view: str = "lap", label: str = "") -> None:
    """Offer the way to one lap's view, the lap in the link."""
    if view in page.routes:
        params = {"lap": lap}
        st.page_link(page.routes[view], label=label or f"Open {markdown_text(lap)}", query_params=params)
