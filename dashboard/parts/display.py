"""How each person reads the screens: unit, number and date marks, light or dark; all of it in the link."""

from dataclasses import dataclass
from urllib.parse import urlencode

import streamlit as st

from dashboard.parts.page import Page
from dashboard.units import AS_TYPED, UNIT_CHOICES, DisplayUnit, band_key, display_unit
from dashboard.words import html_text
from spc.report.locale import LOCALES, Locale
from spc.settings import Settings

__all__ = ["Display", "chosen_display", "display_choice", "first_display", "take_on_light"]

_NUMBERS = {"en": "1,234.5 and 2026-03-04", "de": "1.234,5 und 04.03.2026", "fr": "1\u202f234,5 et 04/03/2026"}
_NUMBERS_FIRST = "en"
_LIGHT = {"": "As this device", "light": "Light", "dark": "Dark"}
_ON = ' aria-current="true">\u2713 '  # which one is on, by a mark and not by its shade alone
_TAKE_ON = """<script>
const here = new URL(window.location);
if (here.searchParams.get("%(name)s") !== "%(value)s") {
  here.searchParams.set("%(name)s", "%(value)s");
  window.location.replace(here);
}
</script>"""
_THEME = "embed_options"  # the framework's own name for it in a link, which it loses on the way to another page


@dataclass(frozen=True, slots=True)
class Display:
    """What one person chose."""

    unit: DisplayUnit
    as_typed: bool  # each lap in the unit of its own readings; `unit` where no one lap is meant
    numbers: Locale


def chosen_display(site: Settings) -> Display:
    """Return what the link or this session says, else the site's own unit or each lap's own, and English marks."""
    unit = _chosen("unit", [AS_TYPED, *UNIT_CHOICES], _own_unit(site))
    return _display(unit, _chosen("numbers", list(LOCALES), _NUMBERS_FIRST))


def first_display(site: Settings) -> Display:
    """Return what somebody sees whose link chooses nothing."""
    return _display(_own_unit(site), _NUMBERS_FIRST)


def _display(unit: str, numbers: str) -> Display:
    return Display(display_unit(unit), unit == AS_TYPED, LOCALES[numbers])


def _own_unit(site: Settings) -> str:
    own = band_key(site.lamp) if site.flatness_unit == "band" and site.lamp else site.flatness_unit
    return own if own in UNIT_CHOICES else AS_TYPED


def take_on_light() -> None:
    """Load the page once more when the link asks for another light than it is drawn in."""
    light = _chosen("light", [option for option in _LIGHT if option], "")
    if light and st.context.theme.type not in (None, light):
        st.html(_TAKE_ON % {"name": _THEME, "value": f"{light}_theme"}, unsafe_allow_javascript=True)


def display_choice(page: Page) -> None:
    """Offer the choices at the foot of a page."""
    with st.container(key="display", horizontal=True):
        with st.popover("Units, numbers, light", key="display-open"):
            units = {AS_TYPED: "as typed on each lap"} | {key: unit.label for key, unit in UNIT_CHOICES.items()}
            _choice("unit", "Show lengths in", units, AS_TYPED if page.unit_as_typed else page.unit.key)
            _choice("numbers", "Write numbers and dates as", _NUMBERS, page.numbers.name)
            st.html(_light_links())
        st.html('<p class="lc-quiet">For this screen only; every reading stays in the log as it was typed.</p>')


def _chosen(name: str, options: list[str], first: str) -> str:
    """Follow a link that changes the choice; otherwise the session keeps it, and the link names it on every page."""
    kept, seen = f"lc_{name}", f"lc_{name}_link"
    asked = st.query_params.get(name, "")
    if asked in options and asked != st.session_state.get(seen):
        st.session_state[kept] = asked
    value = str(st.session_state.setdefault(kept, first))
    if value != first and asked != value:
        st.query_params[name] = value
    elif value == first and name in st.query_params:
        del st.query_params[name]
    st.session_state[seen] = value if value != first else ""
    return value


def _choice(name: str, label: str, options: dict[str, str], value: str) -> None:
    box = f"lc_{name}_box"
    st.session_state[box] = value

    def keep() -> None:
        st.session_state[f"lc_{name}"] = st.session_state[box]
        st.session_state[f"lc_{name}_link"] = st.query_params.get(name, "")

    st.selectbox(label, list(options), format_func=options.__getitem__, key=box, on_change=keep)


def _light_links() -> str:
    said = {name: value for name, value in st.query_params.to_dict().items() if name not in ("light", _THEME)}
    on = st.session_state.get("lc_light", "")
    links = "".join(
        f'<a href="?{html_text(urlencode(said | _asking(option)))}" target="_self"'
        f"{_ON if option == on else '>'}{label}</a>"
        for option, label in _LIGHT.items()
    )
    return f'<p class="lc-light"><span>Light or dark</span>{links}</p>'


def _asking(light: str) -> dict[str, str]:
    return {"light": light, _THEME: f"{light}_theme"} if light else {}
