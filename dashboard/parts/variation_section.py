"""Where the spread of the readings comes from, or which crossing would tell; sizes of spread, never people."""

from functools import partial

import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.spread import ShownSpread, spread_figure, spread_height, spread_table
from dashboard.parts.page import Page
from dashboard.parts.picture import show_picture
from dashboard.parts.study_choice import length_unit
from dashboard.words import count, number, number_of, percent
from spc.board.study_plan import CHARACTERISTICS

__all__ = ["variation_section"]

_ALL = "all part numbers"


def variation_section(page: Page) -> None:
    """Ask what to split, then show the sources, and what could not be told apart with its cure."""
    with st.container(key="variation-choice", horizontal=True):
        what = st.selectbox("What was read", CHARACTERISTICS, key="variation-what", width=200)
        part = st.selectbox("Part number", [_ALL, *proof_data.all_parts(page.now)], key="variation-part", width=240)
    report = proof_data.variation(page.now, "" if part == _ALL else part, what)
    unit = length_unit(what, page.unit)
    st.html(
        cards.subject(
            unit.said(report.sentence),
            kicker=f"{count(report.faces, 'face')}, first readings; {percent(report.level)} intervals",
        )
    )
    if report.sources:
        spreads = [ShownSpread(one.name, one.sd_um, one.low_um, one.high_um) for one in report.sources]
        show_picture(
            partial(spread_figure, spreads, page.look, unit, x_title="standard deviation"),
            key="variation",
            height=spread_height(spreads),
            title="These spreads",
            sentence=unit.said(report.sentence),
            table=spread_table(spreads, unit),
        )
        rows = [
            (one.name, number_of(one.levels), percent(round(one.share, 2)), number(unit.from_um(one.sd_um)))
            for one in report.sources
        ]
        heads = ("source", "how many of them", "share of the spread, squared", f"standard deviation, {unit.label}")
        st.html(cards.table(heads, rows, numbers=(1, 2, 3)))
    if report.not_split:
        st.html(cards.section("What could not be told apart, and what would tell it"))
        rows = [(one.name, unit.said(_capital(one.why)), unit.said(_capital(one.cure))) for one in report.not_split]
        st.html(cards.table(("source", "why", "what would tell it"), rows))
    if report.remarks:
        st.html(cards.section("Mind") + cards.sentences([unit.said(_capital(one)) for one in report.remarks]))


def _capital(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
