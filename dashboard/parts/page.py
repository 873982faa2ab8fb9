"""What every view is handed: the snapshot, the look, the unit, whether it hangs on a wall, and how to link on."""

from dataclasses import dataclass, field, replace
from datetime import datetime

import streamlit as st

from dashboard import cards, data
from dashboard.data import Snapshot
from dashboard.entry import entry_unit
from dashboard.parts.pulse import state_now
from dashboard.theme import Look
from dashboard.units import MICROMETRE, UNIT_CHOICES, DisplayUnit, band_key
from dashboard.words import clock_words, markdown_text, speak
from spc.board.site_clock import moment_to_log
from spc.log.moments import shown_wall
from spc.report.locale import LOCALES, Locale
from spc.settings import Settings

__all__ = [
    "VIEWS", "Page", "in_unit_of", "link_to_lap", "lost_line", "moment_on", "speak_as", "typed_site",
    "unit_of", "up_to_now",
]  # fmt: skip

VIEWS = {"shift": "Shift", "lap": "Lap", "proof": "Proof", "log": "Log", "tour": "Tour"}  # the first is shown first


@dataclass(frozen=True, slots=True)
class Page:
    """One run of one view."""

    now: Snapshot
    site: Settings
    look: Look
    unit: DisplayUnit
    unit_as_typed: bool = False  # on one lap's page its own unit stands in for `unit`
    numbers: Locale = LOCALES["en"]
    wall: bool = False
    routes: dict[str, st.Page] = field(default_factory=dict)  # 'shift', 'lap', 'proof', 'log', 'tour'


def in_unit_of(lap: str, page: Page) -> Page:
    """Return the page in the unit one lap's newest face was read in, unless a person or the site chose another."""
    return replace(page, unit=unit_of(lap, page)) if page.unit_as_typed else page


def unit_of(lap: str, page: Page) -> DisplayUnit:
    """Return the unit one lap's newest face was read in; micrometres where that is none of those shown."""
    faces = data.recent_faces(page.now, lap)
    own = entry_unit(faces.iloc[-1].to_dict() if len(faces) else None, page.site)
    return UNIT_CHOICES.get(band_key(own.lamp or page.site.lamp) if own.name == "band" else own.name, MICROMETRE)


def moment_on(page: Page, lap: str) -> datetime:
    """Return the moment under which a row of a lap is logged now."""
    return moment_to_log(page.site, after_us=data.newest_us(page.now, lap))


def up_to_now(page: Page) -> Page:
    """Return a page as it is read now; as it was drawn where the store cannot be read just then."""
    now = state_now()
    return page if isinstance(now, str) else replace(page, now=now)


def speak_as(page: Page) -> None:
    """Write numbers and names as the page does: what a tap runs, and a part of the page run alone, begin anew."""
    speak(page.numbers, tuple(data.lap_names(page.now)))


def lost_line(page: Page) -> str:
    """Return the sentence that shows itself when a page to type into has lost the server."""
    return cards.lost_line(clock_words(shown_wall(moment_to_log(page.site))), typed=True)


def typed_site(page: Page) -> Settings:
    """Return the site's settings with the decimal mark of whoever types here: one chosen on the screen goes first."""
    chosen = page.numbers.decimal if page.numbers.name != "en" else page.site.decimal
    return replace(page.site, decimal=chosen)


def link_to_lap(page: Page, lap: str, *, view: str = "lap", section: str = "", sign: str = "", label: str = "") -> None:
    """Offer the way to one lap's view, the lap in the link, and the section and the sign if they are named."""
    if view in page.routes:
        named = {"lap": lap, "section": section, "sign": sign}
        params = {name: value for name, value in named.items() if value}
        st.page_link(page.routes[view], label=label or f"Open {markdown_text(lap)}", query_params=params)
