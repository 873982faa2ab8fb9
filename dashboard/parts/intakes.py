"""What has been taken in: every delivery with its counts; and files dropped again that held nothing new."""

import json

import pandas as pd
import streamlit as st

from dashboard import cards, data, log_data
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.words import count, moments, number_of

__all__ = ["intakes"]

_NEWEST = 20  # deliveries whose remarks are told


def intakes(page: Page) -> None:
    """List deliveries, newest first."""
    table = data.intakes(page.now)
    if table.empty:
        st.html(cards.sentences([], empty="Nothing has been taken in yet."))
        return
    rows, waits = int(table["rows"].sum()), int(table["quarantined"].sum())
    deliveries = count(len(table), "delivery", "deliveries")
    st.html(
        cards.sentences([f"{deliveries}, {count(rows, 'row')}, {number_of(waits)} of them had to wait for a person."])
    )
    zone = page.site.time_zone or "UTC"
    shown = table.iloc[::-1].assign(at=moments(table["at"], zone))
    names = ["at", "name", "who", "rows", "faces", "repeats", "events", "quarantined", "doubles", "new_versions"]
    show_table(
        shown[names].rename(
            columns={"at": f"taken in ({zone})", "quarantined": "had to wait", "new_versions": "changed rows"}
        ),
        key="intakes",
    )
    _remarks(shown.iloc[:_NEWEST])
    _known(page)


def _remarks(newest: pd.DataFrame) -> None:
    """Say what was remarked of the newest deliveries: whole sentences, which the cell of a grid would cut."""
    told = [(name, _joined(text)) for name, text in zip(newest["name"], newest["remarks"], strict=True)]
    told = [(name, remarks) for name, remarks in told if remarks]
    if told:
        with st.expander("How the newest deliveries were understood"):
            st.html(cards.table(("delivery", "remarks"), told))


def _known(page: Page) -> None:
    """List files dropped into a watched folder of which every row was held: they wrote no delivery."""
    drops = log_data.known_drops(page.now)
    if drops.empty:
        return
    st.html(cards.section("Dropped into a watched folder, with nothing new"))
    zone = page.site.time_zone or "UTC"
    shown = drops.assign(at=moments(drops["at"], zone))
    names = {"at": f"seen ({zone})", "name": "file", "folder": "folder", "sentence": "why nothing was taken in"}
    show_table(shown[list(names)].rename(columns=names), key="known-drops")


def _joined(text: str) -> str:
    return "; ".join(str(line) for line in json.loads(text or "[]"))
