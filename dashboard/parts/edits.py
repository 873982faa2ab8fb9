"""What was changed: corrections after a signal first, then all, rows that waited, and every alias decision."""

import json

import pandas as pd
import streamlit as st

from dashboard import cards, log_data
from dashboard.parts.aliases import aliases
from dashboard.parts.answered import answered_before
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.words import count, moments, number_of

__all__ = ["edits"]

_BECAME = {"alias": "taken in as it was", "fixed": "taken in as it was", "discarded": "discarded"}


def edits(page: Page, person: str) -> None:
    """List corrections with who, when and why; those after a signal stand apart; answers can be taken back."""
    after = log_data.edits(page.now, after_signal=True)
    every = log_data.edits(page.now, after_signal=False)
    if after.empty:
        st.html(cards.subject("Nothing was changed after it had set off a signal or gone over its limit."))
    else:
        changed = f"{count(len(after), 'row').capitalize()} {'was' if len(after) == 1 else 'were'} changed"
        st.html(cards.subject(f"{changed} after a signal or a reading over its limit."))
        show_table(_shown(after, page), key="edits-after")
    st.html(cards.section("Every correction"))
    if every.empty:
        st.html(cards.sentences([], empty="No row has been corrected, no row and no answer taken back."))
    else:
        newest = (
            f"the newest {number_of(log_data.MOST_EDITS)} corrections"
            if len(every) == log_data.MOST_EDITS
            else count(len(every), "correction")
        )
        st.html(cards.sentences([f"{newest[:1].upper()}{newest[1:]}, newest first; the old version of each is kept."]))
        show_table(_shown(every, page), key="edits-all")
    answered_before(page, person)
    _settled(page)
    aliases(page, person)


def _shown(edited: pd.DataFrame, page: Page) -> pd.DataFrame:
    zone = page.site.time_zone or "UTC"
    names = [f"{kind} {number}" for kind, number in zip(edited["kind"], edited["id"], strict=True)]
    return pd.DataFrame(
        {
            f"when ({zone})": moments(edited["at"], zone),
            "what": names,
            "lap": edited["lap"],
            "changed": [
                _taken_back(text) if gone else _differences(text)
                for gone, text in zip(edited["withdrawn"], edited["differences"], strict=True)
            ],
            "who": edited["who"],
            "why": edited["reason"],
            "came after": edited["edited_after"],
        }
    )


def _taken_back(text: str) -> str:
    """Say that a row was taken back, of an answer to a signal also what it had said."""
    answered = json.loads(text or "{}").get("cause")
    return f"taken back: {answered[0]}" if answered else "taken back"


def _differences(text: str) -> str:
    """Say what differs in words: readings as typed, not the intervals behind them."""
    found: dict[str, list[object]] = json.loads(text or "{}")
    typed = {name: pair for name, pair in found.items() if not name.endswith(("_low_um", "_high_um"))}
    shown = typed or found
    return "; ".join(f"{_name(name)} from {_value(old)} to {_value(new)}" for name, (old, new) in shown.items())


def _name(column: str) -> str:
    return column.removesuffix("_text").replace("_", " ")


def _value(value: object) -> str:
    return "nothing" if value in (None, "") else str(value)


def _settled(page: Page) -> None:
    """List the rows that waited, what became of each, and who said so."""
    rows = log_data.settled(page.now)
    st.html(cards.section("Rows that waited"))
    if rows.empty:
        st.html(cards.sentences([], empty="No row that waited has been settled."))
        return
    zone = page.site.time_zone or "UTC"
    became = [
        f"taken in as {text}" if text not in ("", raw) else _BECAME[how]
        for how, raw, text in zip(rows["how"], rows["raw"], rows["new_text"], strict=True)
    ]
    back = [
        f"{said}, then taken back by {who}, {at}: {why}" if who else said
        for said, who, why, at in zip(
            became, rows["back_by"], rows["back_why"], moments(rows["back_at"], zone), strict=True
        )
    ]
    show_table(
        pd.DataFrame(
            {
                f"when ({zone})": moments(rows["at"], zone),
                "file": rows["name"],
                "row": rows["row_number"],
                "who": rows["who"],
                "why": rows["reason"],
                "what became of it": back,
                "as delivered": rows["raw"],
            }
        ),
        key="settled",
    )
