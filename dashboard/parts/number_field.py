"""A number typed by a person, with a point or a comma.

A browser's own number field drops the mark it does not expect: "0,5" typed into one that wants a point becomes 5, and
nobody is told. So decimal numbers are typed as text and read here; what cannot be read is said under the field.
"""

import math
from typing import Literal

import streamlit as st

from dashboard import cards
from dashboard.words import spoken
from spc.measure.number import parse_number

__all__ = ["minutes_typed", "number_field", "read_number", "typed_marks", "unread"]


def number_field(
    label: str,
    value: float | None = None,
    *,
    key: str | None = None,
    persist_state: Literal["session"] | None = None,
    live: bool = False,
    least: float = 0.0,
    most: float = math.inf,
    above: bool = False,
    placeholder: str = "",
    help: str | None = None,  # noqa: A002 - the name the framework's own fields have
    width: int | None = None,
) -> float | None:
    """Ask for a number.

    Parameters
    ----------
    label : str
    value : float, optional
        What stands in the field at first.
    key, persist_state, live, placeholder, help, width
        As of the framework's own fields.
    least, most : float
        What it may be; `above` leaves `least` itself out.
    above : bool

    Returns
    -------
    float or None
        None where nothing is typed; NaN where it cannot be taken, after a sentence under the field.
    """
    typed = st.text_input(
        label, value=typed_marks(f"{value:.9g}") if value is not None else "", key=key, persist_state=persist_state,
        live=live, placeholder=placeholder or None, help=help, width=width or "stretch",
    )  # fmt: skip
    try:
        return read_number(label, typed, least=least, most=most, above=above)
    except ValueError as error:
        st.html(cards.notice(str(error), kind="refused"))
        return math.nan


def read_number(
    label: str, typed: str, *, least: float = 0.0, most: float = math.inf, above: bool = False
) -> float | None:
    """Read what was typed into a number field; None where nothing was.

    Raises
    ------
    ValueError
        If it cannot be taken; the sentence for the person who typed it.
    """
    if not typed.strip():
        return None
    try:
        number = float(parse_number(typed, decimal=spoken().decimal).value)
    except ValueError as error:
        raise ValueError(f"{label}: {error}.") from None
    if number > most or number < least or (above and number == least):
        ends = f"more than {least:g}" if above else f"{least:g} or more"
        raise ValueError(f"{label}: must be {ends}{f', at most {most:,g}' if math.isfinite(most) else ''}.")
    return number


def minutes_typed(label: str, key: str, *, most: float) -> float | None:
    """Return the minutes typed into the field of a form, None where it is empty; the field itself says why not."""
    try:
        return read_number(label, str(st.session_state[key]), most=most)
    except ValueError:
        raise ValueError("Nothing was kept: the minutes could not be read.") from None


def typed_marks(text: str) -> str:
    """Return an example or a value, written with a point and no thousands, as this person types it."""
    return text.replace(".", spoken().decimal)


def unread(number: float | None) -> bool:
    """Whether something was typed that could not be taken; the sentence stands under its field."""
    return number is not None and math.isnan(number)
