"""Whether the running cycle wears as its past cycles did, whether its faces come back, and how forecasts held."""

from functools import partial

import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.wear import relap_figure, relap_table, wear_figure, wear_table
from dashboard.parts.page import Page
from dashboard.parts.past_section import past_section
from dashboard.parts.picture import show_picture
from dashboard.words import percent
from spc.board.frozen_limits import NOT_FROZEN
from spc.board.wear_report import RelapReport, WearReport

__all__ = ["wear_section"]


def wear_section(page: Page, lap: str) -> None:
    """Draw the wear chart and the re-lap chart, each with its sentence and its method."""
    wear, relaps, readings = proof_data.wear_and_relaps(page.now, lap)
    st.html(cards.subject(page.unit.said(wear.sentence), kicker="Against how this lap usually wears"))
    if wear.status == "ok" and wear.chart.age.size:
        show_picture(
            partial(wear_figure, wear, readings, page.look, page.unit),
            key="wear",
            height=440,
            title="This cycle against the usual wear",
            sentence=page.unit.said(wear.sentence),
            table=wear_table(wear, readings, page.unit),
        )
    rests = _usual(wear) if wear.status == "ok" else []
    st.html(cards.sentences([f"Method: {wear.method}.", *rests, *map(page.unit.said, _claims(wear))]))
    st.html(cards.section("Faces lapped again") + cards.sentences([relaps.sentence]))
    if relaps.chart is not None and relaps.faces:
        show_picture(
            partial(relap_figure, relaps, page.look),
            key="relaps",
            height=360,
            title="These faces",
            sentence=relaps.sentence,
            table=relap_table(relaps),
        )
        method = f"Method: {relaps.method}; {relaps.chart.chart.method.rstrip('.')}."
        st.html(cards.sentences([method, *_claims(relaps)]))
    st.html(cards.section("Frozen limits") + cards.sentences([], empty=NOT_FROZEN))
    past_section(page, lap)


def _claims(report: WearReport | RelapReport) -> list[str]:
    """Say what the chart rests on, how often it calls falsely, what it sees, and what one cycle shows by itself."""
    baseline = f"Baseline: {report.baseline}" if report.baseline else ""
    alone = report.by_itself if isinstance(report, WearReport) else ""
    return [f"{text[:1].upper()}{text[1:]}." for text in (baseline, report.alarms, report.sees, alone) if text]


def _usual(wear: WearReport) -> list[str]:
    usual = wear.chart.usual
    if usual is None:
        return ["No past cycles to draw the line towards: it is of this cycle alone."]
    return [
        f"Usual wear is of {usual.cycles} past cycles; a reading lies about its line with a standard deviation of "
        f"{percent(usual.spread)} of itself."
    ]
