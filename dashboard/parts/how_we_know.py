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

__all__ = ["SUBJECTS", "how_we_know", "in_errors", "simulation_tables"]

# What the tables are about, in the order shown; each table by the name of its file.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "Faces left": (
        "open_forecasts", "time_to_limit", "time_to_limit_strange", "time_to_limit_course", "next_face", "leading_part",
        "unlike_unit", "turning_forecast", "unlogged_past", "past_forecasts", "past_lives", "life_to_come",
        "life_by_sign",
    ),
    "When to recondition": ("recondition_policy", "survival"),
    "Wear within a cycle": (
        "wear_chart", "wear_chart_names", "unusual_cycle", "sign_moves", "wear_slope", "cycle_trend", "signed_bow",
        "signed_bow_false", "relap_share_false", "relap_share_seen", "missing_event", "missing_event_left_out",
    ),
    "False calls of the cell": (
        "false_calls_budget", "false_calls_time", "false_calls_combined", "false_calls_go_look", "false_calls_further",
    ),
    "What a call is due to": ("causes", "move_sources", "change_point_false", "change_point_place"),
    "Chart limits": (
        "chart_individuals", "chart_rates", "attained_rate", "guaranteed_limit", "probability_limit_rates", "baseline",
        "autocorrelation", "new_part", "worn_cycles", "worn_cycles_faults", "worn_cycles_fades", "run_length_rules",
        "run_length_streams", "run_length_recursions", "run_length_others",
    ),
    "The index, and the reading behind it": (
        "bound_coverage", "bound_coverage_chosen", "whole_cycles", "fit_check", "capability_refusals",
        "refusals_planted", "gauge_mean_squares", "gauge_steps", "variance_split",
    ),
}  # fmt: skip

_COMMAND = "LAPCELL_HONESTY=full .venv/bin/pytest tests/honesty"
_HEADS = {"+-": "Monte Carlo error (\u00b1)", "said": "said by the method", "counted": "counted in the simulation"}


def simulation_tables() -> dict[str, list[dict[str, Any]]]:
    """Return every table with its title, statement, columns and rows by its subject; none before the full run."""
    folder = files("dashboard") / "how_we_know"
    found = {
        subject: [folder / f"{name}.json" for name in names if (folder / f"{name}.json").is_file()]
        for subject, names in SUBJECTS.items()
    }
    return {
        subject: [json.loads(entry.read_text(encoding="utf-8")) for entry in entries]
        for subject, entries in found.items()
        if entries
    }


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
    subjects = simulation_tables()
    told = sum(map(len, subjects.values()))
    st.html(
        cards.subject(
            f"{count(told, 'table').capitalize()} of simulations, and of real wear cut short, whose truth is "
            "known, against what these screens claim.",
            kicker="Methods were also checked against published values, where there are any, and by a second way",
        )
    )
    if not subjects:
        st.html(cards.notice("The simulations have not been run at full size for this copy; DEVELOPERS.md says how."))
    for subject, tables in subjects.items():
        st.html(cards.section(subject))
        for place, table in enumerate(tables):
            _fold(table, key=f"{subject}-{place}")
    st.html(
        cards.sentences(
            [
                "What is said of a share is kept when it holds within four Monte Carlo errors.",
                f"All of them are made again, seeds fixed, by: {_COMMAND}",
            ]
        )
    )


def _fold(table: dict[str, Any], *, key: str) -> None:
    apart = [value for value in in_errors(table) if math.isfinite(value)]
    with st.expander(spoken().sentence(table["title"])):
        lines = [table["statement"]]
        if apart:
            worst = number(max(map(abs, apart)), 2)
            lines.append(f"In {count(len(apart), 'row')} the count lies at most {worst} Monte Carlo errors off.")
        st.html(cards.sentences(lines))
        show_table(_shown(table), key=key)


def _shown(table: dict[str, Any]) -> pd.DataFrame:
    rows = [[_cell(value) for value in row] for row in table["rows"]]
    shown = pd.DataFrame(rows, columns=[_HEADS.get(name, name) for name in table["columns"]])
    apart = in_errors(table)
    if apart:
        shown["apart, in Monte Carlo errors"] = [f"{value:+.1f}" if math.isfinite(value) else "" for value in apart]
    return shown


def _cell(value: object) -> str:
    return number(value) if isinstance(value, float) else str(value)
