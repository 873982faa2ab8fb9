"""A dimension of one part number: its chart on the chosen lap, and how it lies between the limits of the drawing."""

import math
from functools import partial

import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.dimension import dimension_figure, dimension_table
from dashboard.parts.page import Page, link_to_lap
from dashboard.parts.picture import show_picture
from dashboard.units import MICROMETRE
from dashboard.words import fixed, micro, number, percent
from spc.board.dimension import DIMENSIONS, DimensionStudy
from spc.log.name_list import name_list

__all__ = ["dimension_section"]


def dimension_section(page: Page, lap: str) -> None:
    """Ask for the part number, then show the chart of this lap and the index of one lap or all."""
    what = DIMENSIONS[0]
    parts = proof_data.dimension_parts(page.now, lap, what)
    if not parts:
        st.html(
            cards.sentences([], empty=f"No {what} is logged on {lap}: log it with each face, with its unit, to see it.")
        )
        return
    with st.container(key="dimension-choice", horizontal=True):
        part = st.selectbox("Part number", parts, key=f"dimension-part-{lap}", width=240)
        own = st.segmented_control(
            "Index from faces of", ["this lap", "every lap"], default="this lap", required=True, key="dimension-laps"
        )
    chart, study = proof_data.dimension(page.now, lap, part, what, (lap,) if own == "this lap" else ())
    unit = MICROMETRE if page.unit.key.startswith("band") else page.unit
    st.html(cards.subject(_capital(study.sentence.partition("; `lapcell parts set`")[0]), kicker=_kicker(study)))
    if math.isnan(study.lower_um) and math.isnan(study.upper_um):
        link_to_lap(page, lap, view="proof", section="Limits", label="Set its limits")
    if study.index is not None and study.index.status == "computed":
        index = study.index
        st.html(
            cards.facts(
                [
                    (f"{index.word} index", fixed(index.index, 2)),
                    (f"at least, {percent(index.level)} sure", fixed(index.lower_bound, 2)),
                    ("towards the upper limit", _side(index.to_upper)),
                    ("towards the lower limit", _side(index.to_lower)),
                    (f"mean, {unit.label}", number(unit.from_um(index.mean_um), 6)),
                    (f"standard deviation, {unit.label}", number(unit.from_um(index.sd_um))),
                ]
            )
        )
    if chart.face_ids:
        st.html(cards.section(f"In order of time on {lap}"))
        show_picture(
            partial(dimension_figure, chart, study.lower_um, study.upper_um, page.look, unit),
            key="dimension",
            height=460,
            title="This chart",
            sentence=_capital(chart.sentence),
            table=dimension_table(chart, unit),
        )
    lines = [
        _capital(chart.sentence),
        f"Method: {chart.chart.method.rstrip('.')}." if chart.chart.status == "ok" else "",
        _capital(f"Baseline: {chart.baseline}"),
        _capital(chart.chart.alarms) if chart.chart.status == "ok" else "",
        _capital(chart.sees),
        "A dimension may lie on either side of its target, so its index is held against both limits. It is called "
        "performance: the spread is the whole one, and no frozen chart watched these readings.",
    ]
    st.html(cards.section("What it rests on") + cards.sentences([line for line in lines if line]))


def _kicker(study: DimensionStudy) -> str:
    laps = name_list(study.laps) or "every lap"
    limits = f"limits {micro(study.limit_text)}" if study.limit_text else "no limit known"
    return f"{study.part or 'parts without a number'}, {study.characteristic}, {laps}; {limits}"


def _side(value: float) -> str:
    return fixed(value, 2) if math.isfinite(value) else "no limit"


def _capital(text: str) -> str:
    text = micro(text.strip()).rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
