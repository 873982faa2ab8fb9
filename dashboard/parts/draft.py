"""What is half typed in a form: it stays while a person looks elsewhere, until it is kept or cleared.

A form of the framework's own holds what is typed in the browser until its button is pressed, and loses it when the page
is left. So the fields of a form here stand by themselves: what is typed is known to the session, one tab of one person,
as soon as nothing more is typed for a moment, and stays known when the page is left. Nothing of it is data before the
form's button is pressed. A form begins anew, empty, under another name, which carries its round (`said.round_of`).
"""

from collections.abc import Callable
from typing import Any, Literal, Protocol, TypedDict

import streamlit as st

from dashboard.parts import said
from dashboard.parts.once import once

__all__ = [
    "Begun",
    "Field",
    "Typed",
    "begin",
    "begun",
    "drop",
    "end",
    "field",
    "half_typed",
    "let_go",
    "name",
    "offer_to_clear",
    "opened",
    "typed",
]

_FIELDS = "lc_draft_fields"  # session key: by form, what each of its fields held at first, by its key
_OPENED = "lc_draft_opened"  # session key: the lap, and which of its forms were opened
_BEGUN = "lc_draft_begun"  # session key: by place, what its form began from
_NOT_DRAWN = "\x00"  # what no field holds
_CLEAR = "Clear what is typed"


class Field(TypedDict):
    """What a field of a form is told of where what is typed into it is kept."""

    key: str
    persist_state: Literal["session"]


class Typed(Field):
    """The same of a field that is typed into."""

    live: Literal[True]  # known a quarter of a second after the last letter: who leaves at once has no time to lose it


class Begun(Protocol):
    """What a form began from."""

    @property
    def form(self) -> str:
        """The name of the form."""


def name(place: str, *about: object) -> str:
    """Name the form of a place, and what it is about: another one each time that the place begins anew."""
    return "-".join(map(str, (place, *about, said.round_of(place))))


def field(form: str, of: str) -> Field:
    """Name a field of a form for the framework's own function that draws it."""
    key = f"{of}-{form}"
    _fields().setdefault(form, {}).setdefault(key, _NOT_DRAWN)
    return Field(key=key, persist_state="session")


def typed(form: str, of: str) -> Typed:
    """Name a field of a form that is typed into."""
    return Typed(**field(form, of), live=True)


def half_typed(form: str) -> bool:
    """Whether a field of a form holds something else than at first."""
    return any(st.session_state.get(key, held) != held for key, held in _fields().get(form, {}).items())


def end(
    form: str, place: str, label: str, on_click: Callable[..., None], args: tuple[Any, ...], *,
    below: Callable[[], None], first: bool = True,
) -> None:  # fmt: skip
    """Draw the end of a form: its button, what came of the last tap on it, and, of one half typed, what clears it.

    The button is the form's own: a tap on one that is on its way out is none on that of the form begun anew. `below`
    draws what came of the tap, right under the button: what clears a form goes a moment after it, and moves nothing.
    `first`: whether the button is the page's first thing to press.
    """
    kind: Literal["primary", "secondary"] = "primary" if first else "secondary"
    st.button(label, key=f"send-{form}", type=kind, width="stretch", on_click=once(on_click), args=args)
    below()
    offer_to_clear(form, place)


def offer_to_clear(form: str, place: str) -> None:
    """Offer to clear a form in which something is half typed; called when all its fields are drawn."""
    for key, held in (fields := _fields().get(form, {})).items():
        if held == _NOT_DRAWN:
            fields[key] = st.session_state.get(key)
    if half_typed(form):
        st.button(_CLEAR, key=f"clear-{form}", type="tertiary", on_click=once(_clear), args=(form, place))


def opened(lap: str, form: str, now: bool) -> bool:
    """Whether one of a lap's forms is open `now`, or was since this lap was chosen."""
    of, shown = st.session_state.setdefault(_OPENED, (lap, set()))
    if of != lap:
        of, shown = st.session_state[_OPENED] = (lap, set())
    if now:
        shown.add(form)
    return form in shown


def begun(place: str) -> Any:
    """Return what the form of a place began from, or None."""
    return _all_begun().get(place)


def begin(place: str, what: Begun) -> None:
    """Note what the form of a place begins from: it stays while something is half typed in it."""
    _all_begun()[place] = what


def drop(what: Begun) -> None:
    """Drop what is typed in the form that began from this: it begins from the log as it is."""
    _fields().pop(what.form, None)
    let_go()


def let_go(*but: str) -> None:
    """Let forms in which nothing is typed begin from the log as it is, when drawn next; not those of places named."""
    kept = _all_begun()
    for place in [place for place, what in kept.items() if place not in but and not half_typed(what.form)]:
        del kept[place]


def _clear(form: str, place: str) -> None:
    _fields().pop(form, None)
    said.sent(place)
    said.begun_anew(place)
    let_go()


def _fields() -> dict[str, dict[str, Any]]:
    held: dict[str, dict[str, Any]] = st.session_state.setdefault(_FIELDS, {})
    return held


def _all_begun() -> dict[str, Begun]:
    kept: dict[str, Begun] = st.session_state.setdefault(_BEGUN, {})
    return kept
