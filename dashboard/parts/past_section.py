"""Forecasts held against past cycles: how often what came after lay within the range that would have been said."""

import math
from functools import partial

import pandas as pd
import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts.page import Page
from dashboard.parts.picture import after_the_words, show_table
from dashboard.units import DisplayUnit
from dashboard.words import number, number_of, percent
from spc.wear.past_forecasts import HeldForecast, HeldForecasts

__all__ = ["held_table", "past_section"]

_CAME = {"held": "within", "faster": "wore faster", "slower": "wore slower", "": "not counted"}


def past_section(page: Page, lap: str) -> None:
    """Say whether the ranges held, after all else: it takes a second or two when a cycle has just ended."""
    st.html(cards.section("Forecasts held against past cycles"))
    after_the_words(partial(_draw, page, lap))


def held_table(shares: tuple[HeldForecasts, ...], unit: DisplayUnit, *, counted: str = "face") -> pd.DataFrame:
    """Return every past cycle foreseen, the newest first, from each share of it; ages in faces or passes `counted`."""
    rows = [(one, cycle) for one in shares for cycle in one.cycles[::-1]]
    return pd.DataFrame(
        {
            "lap and cycle": [cycle.cycle for _, cycle in rows],
            "held": [_CAME[cycle.outcome] for _, cycle in rows],
            "foreseen from": [percent(one.share) for one, _ in rows],
            f"taken up to {counted}": [round(cycle.last_age) + 1 for _, cycle in rows],
            f"read up to {counted}": [round(cycle.read_to) + 1 for _, cycle in rows],
            "range said": [_range(cycle, cycle.said_low, cycle.said_high, unit, counted) for _, cycle in rows],
            "what came": [_came(cycle, unit, counted) for _, cycle in rows],
        }
    )


def _draw(page: Page, lap: str) -> None:
    found = proof_data.held_against_past(page.now, lap)
    st.html(cards.sentences([found.sentence, *found.further]))
    if found.shares:
        with st.expander("These past cycles one by one"):
            show_table(held_table(found.shares, page.unit, counted=found.counted), key="held-table")


def _came(cycle: HeldForecast, unit: DisplayUnit, counted: str) -> str:
    """Say what came, or why the cycle is not counted; a reading that is open says only from where."""
    if not cycle.outcome:
        return cycle.why
    ends = [end for end in (cycle.came_low, cycle.came_high) if math.isfinite(end)]
    if not cycle.reached and len(ends) == 1:
        return f"{unit.named(number(unit.from_um(ends[0])))} or {'more' if ends[0] > 0 else 'further'}"
    return _range(cycle, cycle.came_low, cycle.came_high, unit, counted)


def _range(cycle: HeldForecast, low: float, high: float, unit: DisplayUnit, counted: str) -> str:
    """Say a range of ages at the limit or of readings; what is open ends at the limit, or is not seen so far ahead."""
    if not cycle.outcome:
        return ""
    if cycle.reached:
        ends = dict.fromkeys(number_of(round(end) + 1) if math.isfinite(end) else "later" for end in (low, high))
        return f"limit at {counted} {' to '.join(ends)}".replace(f"at {counted} later", "later")
    ends = dict.fromkeys(number(unit.from_um(end)) for end in (low, high) if math.isfinite(end))
    read = [unit.named(" to ".join(ends))] if ends else []
    below, above = (["the limit"] if math.isinf(end) else [] for end in (min(low, 0.0), max(high, 0.0)))
    return " to ".join([*below, *read, *above])
