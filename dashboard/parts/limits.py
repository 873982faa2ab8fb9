"""The limits of the drawings: every revision with who and why, and a form that adds one."""

import math
from dataclasses import dataclass
from functools import partial

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.parts import draft, said
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page, speak_as
from dashboard.parts.picture import show_table
from dashboard.parts.study_choice import length_unit
from dashboard.units import DisplayUnit
from dashboard.words import clock_at, count, number
from spc.store.frames import CHARACTERISTICS

__all__ = ["limits"]

_PLACE = "limit"
_DIGITS, _DIMENSION_DIGITS = 4, 8  # a dimension of millimetres is limited in hundredths of a micrometre
_TWO_SIDED = ("thickness", "thickness_before")  # a dimension may be too small; a form or a roughness may not


@dataclass(frozen=True, slots=True)
class _Limit:
    """A limit as typed, in the shown unit; None = no such end."""

    part: str
    characteristic: str
    upper: float | None
    lower: float | None
    why: str


def limits(page: Page, person: str) -> None:
    """Show what the limits are, what they were, and let a person change one."""
    history = data.limit_history(page.now)
    if history.empty:
        st.html(
            cards.notice("No limit is set: without one there are no faces left to count and no index. Set one below.")
        )
    else:
        st.html(cards.sentences([f"{count(len(history), 'revision')}, newest first; an old one is never changed."]))
        show_table(_shown(history, page), key="limits")
    st.html(cards.section("Set a limit"))
    characteristic = st.selectbox(
        "What is limited", CHARACTERISTICS, format_func=_words, key="limit-characteristic", width=320
    )
    _form(page, str(characteristic), person)


@st.fragment
def _form(page: Page, characteristic: str, person: str) -> None:
    """Ask for a limit of one characteristic, and why it is set."""
    speak_as(page)
    unit = length_unit(characteristic, page.unit)
    form = draft.name(_PLACE, characteristic, unit.key)
    typed = partial(draft.typed, form)
    with st.container(key="limit-form", border=True):
        part = st.text_input(
            "Part number", placeholder="* for any part", help="* stands for any part.", **typed("part")
        )
        signed = characteristic in _TWO_SIDED
        least = -math.inf if signed else 0.0
        upper = number_field(f"At most, {unit.label}", least=least, **typed("upper"))
        lower = number_field(f"At least, {unit.label}", least=least, **typed("lower")) if signed else None
        why = st.text_input("Why", placeholder="drawing revision C", **typed("why"))
        if st.button("Keep this limit", key=f"send-{form}", type="primary"):
            said.sent(_PLACE)
            _keep(_Limit(part, characteristic, upper, lower, why), unit, person)
        said.say(_PLACE, person=person)
        draft.offer_to_clear(form, _PLACE)


def _words(characteristic: str) -> str:
    return characteristic.replace("_", " ")


def _keep(limit: _Limit, unit: DisplayUnit, person: str) -> None:
    if not person or not limit.why.strip():
        said.refuse(_PLACE, "A limit is signed and explained: say who, and why.", person=person)
        return
    if not limit.part.strip():
        said.refuse(_PLACE, "Say which part number it is for, or * for any part.", person=person)
        return
    if unread(limit.upper) or unread(limit.lower):
        said.refuse(_PLACE, "Nothing was kept: the limit could not be read.", person=person)
        return
    if limit.upper is None and limit.lower is None:
        said.refuse(_PLACE, "A limit must be a length: type at most how much.", person=person)
        return
    if limit.upper is not None and limit.lower is not None and limit.lower >= limit.upper:
        said.refuse(_PLACE, "No size lies between these two: at least must be less than at most.", person=person)
        return
    ends = {"upper": limit.upper, "lower": limit.lower}
    lengths = {f"{end}_um": None if value is None else value * unit.um_per_unit for end, value in ends.items()}
    texts = {f"{end}_text": "" if value is None else _written(value, unit) for end, value in ends.items()}
    try:
        with data.open_store() as store:
            done = store.set_limit(
                limit.part, limit.characteristic, **lengths, **texts, who=person, why=limit.why.strip()
            )  # fmt: skip
    except ValueError as error:
        said.refuse(_PLACE, str(error), person=person)
        return
    ends_said = " to ".join(text for text in (texts["lower_text"], texts["upper_text"]) if text)
    kept = "Kept" if done.new else f"Nothing changed, as revision {done.revision} says so already"
    said.done(_PLACE, f"{kept}: {_words(limit.characteristic)} of {limit.part} {ends_said}.")
    st.rerun()


def _written(value: float, unit: DisplayUnit) -> str:
    """Return a limit to its last digit, its unit as the board writes it."""
    return unit.named(f"{value:.15g}").replace("µ", "u")


def _shown(history: pd.DataFrame, page: Page) -> pd.DataFrame:
    newest, unit, zone = history.iloc[::-1], page.unit, page.site.time_zone or "UTC"
    return pd.DataFrame(
        {
            "revision": newest["revision"],
            "part": newest["part"],
            "what is limited": newest["characteristic"].map(_words),
            "in force": (~newest.duplicated(["part", "characteristic"])).map({True: "yes", False: "replaced"}),
            "as typed": newest["upper_text"].where(
                newest["lower_text"] == "", newest["lower_text"] + " to " + newest["upper_text"]
            ),
            "at most": _lengths(newest["upper_um"], newest["characteristic"], unit),
            "at least": _lengths(newest["lower_um"], newest["characteristic"], unit),
            f"valid from ({zone})": [clock_at(text, zone) for text in newest["valid_from"]],
            "who": newest["who"],
            "why": newest["why"],
        }
    )


def _lengths(values_um: pd.Series, characteristics: pd.Series, unit: DisplayUnit) -> list[str]:
    """Write each limit in the unit its characteristic is said in; '' where there is none."""
    units = [length_unit(characteristic, unit) for characteristic in characteristics]
    return [
        own.named(number(value / own.um_per_unit, _DIMENSION_DIGITS if name in _TWO_SIDED else _DIGITS))
        if math.isfinite(value)
        else ""
        for value, own, name in zip(values_um, units, characteristics, strict=True)
    ]
