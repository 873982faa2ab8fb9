"""Asks, while a file is looked at, what its readings are in where the file does not say: a unit is never guessed."""

import re

import pandas as pd
import streamlit as st

from dashboard import cards
from dashboard.parts import draft
from spc.log.rows import ParsedLog
from spc.measure.length import LAMPS
from spc.store.frames import CHARACTERISTICS

__all__ = ["UNIT_WORDS", "asked_units"]

UNIT_WORDS = {"um": "µm", "band": "light bands", "uin": "µin", "nm": "nm", "mm": "mm", "in": "inches"}
_OF_FORM = ("flatness", "parallelism", "squareness")  # bands measure these, and neither roughness nor thickness


def asked_units(found: pd.DataFrame, parsed: ParsedLog, form: str) -> pd.DataFrame:
    """Ask for the unit of every column whose rows would wait for want of one, and the lamp of bands.

    Parameters
    ----------
    found : DataFrame
        As from `dashboard.column_choice.column_table`.
    parsed : ParsedLog
        The file as understood without an answer.
    form : str
        Under whose name what was tapped is kept.

    Returns
    -------
    DataFrame
        `found` with the answers in its unit and lamp columns; itself where nothing is to ask.
    """
    reasons = parsed.rows.loc[parsed.rows["outcome"] == "quarantine", "reasons"].unique().tolist()
    answered = found.copy()
    for position, row in found.iterrows():
        field = str(row["read as"])
        if field not in CHARACTERISTICS:
            continue
        wants_unit = not row["unit"] and _waits(field, "has no unit", reasons)
        wants_lamp = row["unit"] == "band" and not row["lamp"] and _waits(field, "lamp", reasons)
        if wants_unit or wants_lamp:
            unit, lamp = _ask(form, int(str(position)), field, str(row["header"]), str(row["unit"]))
            answered.loc[position, ["unit", "lamp"]] = [unit, lamp]
    return answered


def _ask(form: str, position: int, field: str, header: str, unit: str) -> tuple[str, str]:
    """Ask for the unit of one column, if it has none, and for the lamp of bands; '' = not answered."""
    what = "lamp its bands are read under" if unit else "unit its readings are in"
    st.html(cards.notice(f"\u201c{header}\u201d does not say which {what}. It is never guessed: tap it.", kind="look"))
    with st.container(key=f"unit-question-{position}", horizontal=True):
        if not unit:
            units = [name for name in UNIT_WORDS if name != "band" or field in _OF_FORM]
            unit = (
                st.pills("Unit", units, format_func=UNIT_WORDS.__getitem__, **draft.field(form, f"unit-{position}"))
                or ""
            )
        lamp = st.pills("Lamp", list(LAMPS), **draft.field(form, f"lamp-{position}")) or "" if unit == "band" else ""
    return (unit, lamp) if unit != "band" or lamp else ("", "")  # bands without their lamp say nothing


def _waits(field: str, want: str, reasons: list[str]) -> bool:
    """Whether a row waits because a column of this field lacks what is wanted."""
    told = re.compile(rf"(?:^|[;:] ?){re.escape(field.replace('_', ' '))}\b[^;]*{want}")
    return any(told.search(reason) for reason in reasons)
