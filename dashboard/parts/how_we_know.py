"""How we know: the tables of simulations and of real wear that the statistics were held against."""

import json
import math
from importlib.resources import files
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import cards
from dashboard.parts.picture import show_table
from dashboard.words import count, number, spoken

__all__ = ["how_we_know", "in_errors", "simulation_tables"]

_COMMAND = "LAPCELL_HONESTY=full .venv/bin/pytest tests/honesty"
_HEADS = {"+-": "Monte Carlo error (\u00b1)", "said": "said by the method", "counted": "counted in the simulation"}


def simulation_tables() -> list[dict[str, Any]]:
    """Return every table with its title, statement, columns and rows, in name order; none before the full run."""
    folder = files("dashboard") / "how_we_know"
    if not folder.is_dir():
        return []
    found = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".json")), key=lambda entry: entry.name)
    return [json.loads(entry.read_text(encoding="utf-8")) for entry in found]


def in_errors(table: dict[str, Any]) -> list[float]:
    """Return how far each row's count lies from what the method said, in Monte Carlo errors; none where not told.

    Parameters
    ----------
    table : dict
        columns and rows, as from `simulation_tables`.
    """
    columns = table["columns"]
    if not all(columns.count(name) == 1 for name in ("said", "counted", "+-")):
        return []
    said, counted, error = (columns.index(name) for name in ("said", "counted", "+-"))
    return [(row[counted] - row[said]) / row[error] if row[error] else math.nan for row in table["rows"]]


def how_we_know() -> None:
    """Show the tables, the sentence first."""
    tables = simulation_tables()
    st.html(
        cards.subject(
            f"{count(len(tables), 'table').capitalize()} of simulations, and of real wear cut short, whose truth is "
            "known, against what these screens claim.",
            kicker="Methods were also checked against published values, where there are any, and by a second way",
        )
    )
    if not tables:
        st.html(cards.notice("The simulations have not been run at full size for this copy; DEVELOPERS.md says how."))
    for place, table in enumerate(tables):
        apart = [value for value in in_errors(table) if math.isfinite(value)]
        with st.expander(spoken().sentence(table["title"])):
            lines = [table["statement"]]
            if apart:
                worst = number(max(map(abs, apart)), 2)
                lines.append(f"In {count(len(apart), 'row')} the count lies at most {worst} Monte Carlo errors off.")
            st.html(cards.sentences(lines))
            show_table(_shown(table), key=f"simulation-{place}")
    st.html(
        cards.sentences(
            [
                "What is said of a share is kept when it holds within four Monte Carlo errors.",
                f"All of them are made again, seeds fixed, by: {_COMMAND}",
            ]
        )
    )


def _shown(table: dict[str, Any]) -> pd.DataFrame:
    rows = [[_cell(value) for value in row] for row in table["rows"]]
    shown = pd.DataFrame(rows, columns=[_HEADS.get(name, name) for name in table["columns"]])
    apart = in_errors(table)
    if apart:
        shown["apart, in Monte Carlo errors"] = [f"{value:+.1f}" if math.isfinite(value) else "" for value in apart]
    return shown


def _cell(value: object) -> str:
    return number(value) if isinstance(value, float) else str(value)
