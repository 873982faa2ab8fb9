"""The chart of one sign of one lap: what it says now, the picture, and everything a chart must say of itself."""

from functools import partial

import numpy as np
import streamlit as st

from dashboard import cards, data
from dashboard.charts.control import control_figure, control_table
from dashboard.parts.freeze import freeze
from dashboard.parts.kind_section import kind_section
from dashboard.parts.page import Page
from dashboard.parts.pair import pair
from dashboard.parts.picture import show_picture
from dashboard.words import count, join_words
from spc.board.lap_chart import ChartReport
from spc.chart.rules import RULES
from spc.chart.stream import SIGNS

__all__ = ["chart_section"]

_ALL_PARTS = "all parts"
_STATUS = {
    "frozen": "Judged by frozen limits",
    "trial": "Judged by trial limits: nobody has frozen any",
    "no limits": "What was read",
}
_EVERY = 10_000_000  # more than any log holds
_ALWAYS_ON = "beyond the limit"
_RULE_FACES = 4  # at which a rule spoke, named


def chart_section(page: Page, lap: str, person: str) -> None:
    """Draw the chart, its claims, its rules, and the way to freeze limits."""
    with st.container(key="chart-choice", horizontal=True):
        sign = st.segmented_control(
            "Sign", list(SIGNS), default="flatness", required=True, key="sign", bind="query-params"
        )
        parts = [_ALL_PARTS, *data.parts(page.now, lap)]
        part = st.selectbox("Part", parts, key=f"part-{lap}", width=260)
        newest = st.selectbox("Readings shown", [150, 500, _EVERY], format_func=_shown_words, key="shown", width=220)
    report = data.chart(
        page.now,
        lap,
        str(sign),
        "" if part == _ALL_PARTS else part,
        tuple(st.session_state.get("rules", [])),
        page.unit.shown,
    )
    st.html(cards.subject(report.sentence, kicker=_STATUS[report.status]))
    size = len(report.replayed.stream)
    if size:
        drawn = report.replayed.where(np.arange(size) >= size - int(newest))
        show_picture(
            partial(control_figure, drawn, page.look, page.unit, typed=data.typed_readings(page.now, lap, str(sign))),
            key="control",
            height=560,
            title="This chart",
            sentence=f"{report.sentence} {report.alarms}",
            table=control_table(drawn, page.unit),
        )
    claims, signals = pair("chart")
    with claims:
        st.html(cards.section("What this chart is") + cards.sentences(_claims(report)))
        if report.remarks:
            st.html(cards.section("Mind") + cards.sentences([_whole(remark) for remark in report.remarks]))
    with signals:
        newest = [signal.sentence for signal in reversed(report.signals)][:12]
        st.html(cards.section("Signals, newest first") + cards.sentences(newest, empty="None."))
        _rules(report)
    freeze(page, lap, str(sign), person)
    kind_section(page, lap, str(sign), "" if part == _ALL_PARTS else part)


def _shown_words(newest: int) -> str:
    return "all" if newest == _EVERY else f"the newest {newest}"


def _claims(report: ChartReport) -> list[str]:
    lines = [f"Method: {report.method}", f"Baseline: {report.baseline}", report.alarms, report.sees]
    if report.change is not None and report.change.status == "change":
        lines.append(f"The newest change began {report.change_words}. {report.change.unplaced}")
    return [_whole(line) for line in lines if line]


def _whole(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def _rules(report: ChartReport) -> None:
    st.html(cards.section("Run rules"))
    st.multiselect(
        "Turn a rule on; its price in days between false alarms is shown",
        [name for name in RULES if name != _ALWAYS_ON],
        format_func=lambda name: RULES[name].words,
        key="rules",
    )
    for rule in report.extra:
        st.html(cards.sentences([f"{_whole(rule.price)} It speaks at {_where(rule.faces)}."]))


def _where(faces: tuple[str, ...]) -> str:
    newest = join_words(faces[: -_RULE_FACES - 1 : -1]) or "no face"
    return f"{newest}, newest first of {count(len(faces), 'face')}" if len(faces) > _RULE_FACES else newest
