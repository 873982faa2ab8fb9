"""How we know: the tables of the simulations that the statistics were held against, as the full run wrote them."""

import json
from importlib.resources import files
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import cards
from dashboard.parts.picture import show_table
from dashboard.words import number

__all__ = ["how_we_know", "simulation_tables"]


def simulation_tables() -> list[dict[str, Any]]:
    """Return every table with its title, statement, columns and rows, in name order; none before the full run."""
    folder = files("dashboard") / "how_we_know"
    if not folder.is_dir():
        return []
    found = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".json")), key=lambda entry: entry.name)
    return [json.loads(entry.read_text(encoding="utf-8")) for entry in found]


def how_we_know() -> None:
    """Show the simulation tables, the sentence first."""
    tables = simulation_tables()
    st.html(
        cards.sentences(
            [
                "Every claim on these screens rests on a method that was checked three ways: against published values, "
                "by a second way of computing, and by simulation with known truth. These are the simulations.",
            ]
        )
    )
    if not tables:
        st.html(cards.notice("The simulations have not been run at full size for this copy; DEVELOPERS.md says how."))
    for place, table in enumerate(tables):
        with st.expander(table["title"]):
            st.html(cards.sentences([table["statement"]]))
            rows = [[_cell(value) for value in row] for row in table["rows"]]
            show_table(pd.DataFrame(rows, columns=table["columns"]), key=f"simulation-{place}")


def _cell(value: object) -> str:
    return number(value) if isinstance(value, float) else str(value)
