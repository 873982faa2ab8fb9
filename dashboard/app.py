"""The screens of lapcell: routes, how each person reads them, and the live pulse. Start it with `lapcell serve`."""

import importlib
import logging
from functools import partial
from pathlib import Path

import streamlit as st

from dashboard import cards, data
from dashboard.parts import draft, said
from dashboard.parts.display import chosen_display, display_choice, take_on_light
from dashboard.parts.page import VIEWS, Page
from dashboard.parts.person import SIGNER_OFFERED
from dashboard.parts.picture import words_first
from dashboard.parts.pulse import pulse, state_now
from dashboard.theme import look_for, stylesheet
from dashboard.words import speak
from spc.settings import SettingsError
from spc.store.database import StoreError

__all__: list[str] = []

_LOG = logging.getLogger("lapcell.screens")
_ICON = Path(__file__).parent / "icon.png"


def main() -> None:
    """Draw the page the link names."""
    st.set_page_config(page_title="lapcell", page_icon=str(_ICON), layout="wide", initial_sidebar_state="collapsed")
    now = state_now()
    if isinstance(now, str):
        st.html(stylesheet(look_for(st.context.theme.type), wall=False) + _cannot(now))
        pulse(now)
        return
    site = data.settings(now)
    wall = st.query_params.get("wall") == "1"
    look = look_for(st.context.theme.type, scale=1.5 if wall else 1.0)
    st.html(stylesheet(look, wall=wall))
    take_on_light()
    display = chosen_display(site)
    speak(display.numbers, tuple(data.lap_names(now)))
    routes: dict[str, st.Page] = {}
    page = Page(
        now=now, site=site, look=look, unit=display.unit, unit_as_typed=display.as_typed, numbers=display.numbers,
        wall=wall, routes=routes,
    )  # fmt: skip
    for name, title in VIEWS.items():
        routes[name] = st.Page(partial(_draw, name, page), title=title, url_path=name, default=not routes)
    chosen = st.navigation(list(routes.values()), position="hidden" if wall else "top")
    _run(chosen)
    if not wall:
        display_choice(page)
    pulse(now)


def _run(chosen: st.Page) -> None:
    """Draw the page; what goes wrong in it is said in a sentence, and the whole of it goes to the server's own log."""
    try:
        with words_first():
            chosen.run()
    except Exception as error:  # a person at a bench is never shown a program's own words for a failure
        _LOG.exception("the page %s could not be drawn", chosen.title)
        known = isinstance(error, (StoreError, SettingsError))
        st.html(_cannot(str(error) if known else "The window that lapcell was started in says what failed."))


def _cannot(why: str) -> str:
    return cards.headline("This page cannot be shown.", kicker="Nothing in the log was changed") + cards.notice(
        why, kind="stop"
    )


def _draw(name: str, page: Page) -> None:
    """Draw one view; only the view asked for is loaded, so that the first screen is there soon."""
    if name != "lap":
        draft.let_go()  # a form that is not on screen, and in which nothing is typed, begins anew when it is
        st.session_state.pop(SIGNER_OFFERED, None)
    said.begin()
    importlib.import_module(f"dashboard.views.{name}").render(page)
    said.forget_left()


main()
