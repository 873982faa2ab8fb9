"""The same readings on another kind of chart, with all that every chart must say of itself."""

from functools import partial

import numpy as np
import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.kinds import kind_figure, kind_table
from dashboard.parts.page import Page
from dashboard.parts.picture import show_picture
from dashboard.words import micro_unit
from spc.board.chart_kinds import KINDS
from spc.board.chart_series import GROUPINGS

__all__ = ["kind_section"]

_NONE = "none"
_GROUPED = ("subgroup mean", "share of re-laps", "scratches")
_NOT_IN_UNIT = ("cumulative", "likelihood", "ratio", "standardised", "self-starting", "residuals", "joint", "share",
                "count", "faces between")  # fmt: skip


def kind_section(page: Page, lap: str, sign: str, part: str) -> None:
    """Ask for a kind of chart and draw it; nothing is worked out until one is chosen."""
    st.html(cards.section("The same readings on another chart"))
    with st.container(key="kind-choice", horizontal=True):
        kind = str(st.selectbox("Kind of chart", [_NONE, *KINDS], key="kind", width=280))
        by = GROUPINGS[0]
        if kind in _GROUPED:
            by = str(st.selectbox("Lots or subgroups by", GROUPINGS, index=GROUPINGS.index("day"), width=220))
    if kind == _NONE:
        return
    try:
        report = proof_data.kind_of_chart(page.now, lap, sign, part, kind, by, page.unit.shown)
    except ValueError as error:
        st.html(cards.notice(str(error), kind="refused"))
        return
    st.html(cards.subject(report.sentence, kicker="A first look: limits from these very readings, nothing is frozen"))
    for place, panel in enumerate(report.panels):
        if not np.isfinite(panel.chart.value).any():
            continue
        name = panel.chart.name
        unit = "" if name.startswith(_NOT_IN_UNIT) or (kind == "self-starting") else f", {micro_unit(report.unit)}"
        show_picture(
            partial(kind_figure, panel, page.look, f"{name}{unit}"),
            key=f"kind-{place}",
            height=380,
            title=name[:1].upper() + name[1:],
            sentence=f"{report.sentence} {_whole(panel.chart.alarms)}",
            table=kind_table(panel),
        )
    lines = [f"Method: {report.method}", f"Baseline: {report.baseline}", report.alarms, report.sees]
    st.html(cards.sentences([_whole(line) for line in lines if line]))
    st.html(cards.sentences([_whole(signal) for signal in reversed(report.signals[-12:])], empty="No signal."))
    if report.remarks:
        st.html(cards.section("Mind") + cards.sentences([_whole(remark) for remark in report.remarks]))


def _whole(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."
