"""Rows that were discarded, newest first, each with the way back: it waits for a person again then."""

from functools import partial

import pandas as pd
import streamlit as st

from dashboard import data, log_data
from dashboard.parts import draft, said
from dashboard.parts.once import once
from dashboard.parts.page import Page
from dashboard.parts.pulse import tapped
from dashboard.words import html_text, moments, number_of, prose
from spc.store.database import StoreError

__all__ = ["discarded_before"]

_SHOWN = 20  # the newest; the command line takes back any
_PLACE = "discarded-before"
_TIP = "The row waits again. That it was discarded stays on record, with your name and why it is taken back."


def discarded_before(page: Page, person: str) -> None:
    """Offer the discarded rows, folded away until somebody asks for them."""
    rows = log_data.settled(page.now)
    rows = rows[(rows["how"] == "discarded") & (rows["back_by"] == "")].iloc[:_SHOWN]
    if len(rows):
        folded = st.expander("Discarded before", key=_PLACE, on_change="rerun")
        if folded.open:
            with folded:
                _list(rows, page, person)
    said.say(_PLACE, person=person)


def _list(rows: pd.DataFrame, page: Page, person: str) -> None:
    asked = draft.typed(draft.name(_PLACE), "why")
    st.text_input("Why it is to wait again", **asked)
    when = moments(rows["at"], page.site.time_zone or "UTC")
    for row, at in zip(rows.to_dict("records"), when, strict=True):
        place = f"Row {number_of(row['row_number'])} of {row['name']}"
        number = int(row["quarantine_id"])
        with st.container(key=f"discarded-{number}"):
            told = prose(f"{place}: {row['reason']}. Signed {row['who']}, {at}.")
            st.html(f'<p>{told}</p><pre class="lc-raw">{html_text(row["raw"])}</pre>')
            tap = partial(_tap, number, asked["key"], person=person, page=page)
            st.button("Take back", key=f"wait-again-{number}", help=_TIP, on_click=once(tap))


def _tap(number: int, asked: str, *, person: str, page: Page) -> None:
    said.sent(_PLACE)
    why = str(st.session_state.get(asked, ""))  # as it is now: it may have been typed since the button was drawn
    if not person or not why.strip():
        said.refuse(_PLACE, "Say who takes it back, and why.", person=person)
        return
    try:
        with data.open_store() as store:
            place = store.take_back_discard(number, who=person, reason=why)
    except StoreError as error:
        said.refuse(_PLACE, f"{str(error)[:1].upper()}{str(error)[1:]}.", person=person)
        return
    said.done(_PLACE, f"{place[:1].upper()}{place[1:]} waits again.")
    tapped(page.now)
