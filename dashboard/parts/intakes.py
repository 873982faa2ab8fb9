"""What has been taken in: every delivery with its counts; and files dropped again that held nothing new."""

import json

import streamlit as st

from dashboard import cards, data, log_data
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.words import count, moments, number_of

__all__ = ["intakes"]


def intakes(page: Page) -> None:
    """List deliveries, newest first."""
    table = data.intakes(page.now)
    if table.empty:
        st.html(cards.sentences([], empty="Nothing has been taken in yet."))
        return
    rows, waits = int(table["rows"].sum()), int(table["quarantined"].sum())
    deliveries = count(len(table), "delivery", "deliveries")
    st.html(cards.sentences([f"{deliveries}, {count(rows, 'row')}, {number_of(waits)} of them quarantined."]))
    shown = table.iloc[::-1].assign(remarks=[_joined(text) for text in table["remarks"].iloc[::-1]])
    names = [
        "at",
        "name",
        "who",
        "rows",
        "faces",
        "repeats",
        "events",
        "quarantined",
        "doubles",
        "new_versions",
        "remarks",
    ]
    zone = page.site.time_zone or "UTC"
    shown["at"] = moments(shown["at"], zone)
    show_table(shown[names].rename(columns={"at": f"taken in ({zone})", "new_versions": "changed rows"}), key="intakes")
    _known(page)


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
