"""The measuring system: how far readings of one face differ, and whether that is fit for each limit it serves."""

import math
from functools import partial

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.spread import ShownSpread, repeats_figure, spread_figure, spread_height, spread_table
from dashboard.parts.beside_reader import beside_the_reader
from dashboard.parts.gauge_planned import planned_study
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page
from dashboard.parts.pair import pair
from dashboard.parts.picture import show_picture
from dashboard.parts.study_choice import length_unit
from dashboard.units import DisplayUnit
from dashboard.words import count, markdown_text, micro, number, percent
from spc.board.gauge_study import CHARACTERISTICS, GaugeReport
from spc.capability.gauge import SpreadEstimate
from spc.capability.gauge_budget import ANALOGUE

__all__ = ["gauge_section"]

_ALL = "all part numbers"
_LOG, _FILE = "the log", "a planned study"


def gauge_section(page: Page) -> None:
    """Show each way of reading: its spreads, its verdict per limit, its budget; then the planner."""
    with st.container(key="gauge-choice", horizontal=True):
        what = st.selectbox("What was read", CHARACTERISTICS, key="gauge-what", width=200)
        source = st.segmented_control("Readings of", [_LOG, _FILE], default=_LOG, required=True, key="gauge-source")
        part = _ALL
        if source == _LOG:
            part = st.selectbox("Part number", [_ALL, *proof_data.all_parts(page.now)], key="gauge-part", width=240)
    unit = length_unit(what, page.unit)
    with st.expander("The flat's own error, and temperature"):
        flat_um, heat_um = beside_the_reader(unit, key="gauge")
    if source == _FILE:
        planned = planned_study(page, what, flat_error_um=flat_um, temperature_um=heat_um)
        if planned is not None:
            plain = planned.study.unit == ""
            _study(page, planned, DisplayUnit("plain", "unit of the table", 1.0) if plain else unit)
            _planner(planned)
        return
    reports = proof_data.gauge_reports(page.now, "" if part == _ALL else part, what, flat_um, heat_um)
    chosen = reports[0]
    if len(reports) > 1:
        ways = {report.way: report for report in reports}
        way = st.segmented_control(
            "Way of reading", list(ways), default=reports[0].way, required=True, key="gauge-way", format_func=_way
        )
        chosen = ways[str(way)]
    _study(page, chosen, unit)
    _planner(chosen)


def _way(way: str) -> str:
    return markdown_text(way or "any way")


def _study(page: Page, report: GaugeReport, unit: DisplayUnit) -> None:
    study = report.study
    lean = "An index may lean on this study" if report.enough else "Too small a study for an index to lean on"
    st.html(cards.subject(unit.said(study.sentence), kicker=f"{report.source[:1].upper()}{report.source[1:]}. {lean}."))
    if study.status == "refused":
        return
    step = unit.from_um(study.step_um)
    st.html(
        cards.facts(
            [
                ("faces read again", f"{study.faces:,}"),
                ("readings", f"{study.readings:,}"),
                ("readers", f"{study.readers:,}"),
                (f"step, {unit.label}", number(step)),
                ("same face, same reading", percent(study.identical_share) if study.identical_share >= 0 else "\u2013"),
            ]
        )
    )
    spreads = [
        ShownSpread(name, one.sd_um, one.low_um, one.high_um)
        for name, one in (
            ("one reader, again", study.repeatability),
            ("reader to reader", study.reader),
            ("day to day", study.run),
        )
        if one is not None
    ]
    pictures = pair("gauge")
    with pictures[0]:
        st.html(cards.section("How far readings of one face differ"))
        show_picture(
            partial(spread_figure, spreads, page.look, unit, x_title="standard deviation"),
            key="gauge-spread",
            height=spread_height(spreads),
            title="These spreads",
            sentence=unit.said(_spread_words(study.repeatability, study.reader, study.run)),
            table=spread_table(spreads, unit),
        )
    readings = pd.DataFrame(
        {
            "face": np.unique(report.read.face, return_inverse=True)[1] + 1,
            "low_um": report.read.low_um,
            "high_um": report.read.high_um,
        }
    ).sort_values(["face", "low_um"], kind="stable")
    with pictures[1]:
        st.html(cards.section("The faces that were read again"))
        show_picture(
            partial(repeats_figure, readings, page.look, unit, what=report.characteristic),
            key="gauge-repeats",
            height=380,
            title="These readings",
            sentence=f"{count(study.readings, 'reading')} of {count(study.faces, 'face')}; who read is not part of the "
            "picture.",
            table=readings.assign(
                low=(readings["low_um"] / unit.um_per_unit).round(4),
                high=(readings["high_um"] / unit.um_per_unit).round(4),
            )[["face", "low", "high"]].rename(columns={"low": f"from, {unit.label}", "high": f"to, {unit.label}"}),
        )
    _limits(report, unit)
    told = map(unit.said, study.remarks)
    lines = [f"Method: {study.repeatability.method}." if study.repeatability else "", *map(_sentence, told)]
    st.html(cards.section("Mind") + cards.sentences([line for line in [*lines, _sentence(ANALOGUE)] if line]))


def _spread_words(again: SpreadEstimate | None, reader: SpreadEstimate | None, run: SpreadEstimate | None) -> str:
    told = [f"one reader reading a face again: {again.words}"] if again else []
    told.append(f"from reader to reader: {reader.words}" if reader else "from reader to reader: not known")
    told += [f"from day to day, or round to round: {run.words}"] if run else []
    return f"Standard deviations: {'; '.join(told)}."


def _limits(report: GaugeReport, unit: DisplayUnit) -> None:
    st.html(cards.section("Is it fit for the limit?"))
    if not report.limits:
        st.html(cards.sentences([], empty="No limit is known for what was read this way."))
        return
    rows = [
        (
            one.part or "this study",
            number(unit.from_um(one.limit_um)),
            one.resolution.verdict,
            _sentence(unit.said(one.resolution.sentence)),
            _sentence(unit.said(one.budget.sentence)),
        )
        for one in report.limits
    ]
    heads = ("part number", f"limit, {unit.label}", "step", "of the step", "of one reading")
    st.html(cards.table(heads, rows, numbers=(1,)))
    with st.expander("What the uncertainty of one reading is made of"):
        first = report.limits[0].budget
        rows = [
            (
                one.name,
                number(unit.from_um(one.u_um)) if math.isfinite(one.u_um) else "not stated",
                "yes" if one.counted else "no",
                unit.said(one.source),
            )
            for one in first.parts
        ]
        st.html(cards.table(("part", f"standard uncertainty, {unit.label}", "counted", "source"), rows, numbers=(1,)))


def _planner(report: GaugeReport) -> None:
    from spc.capability.gauge_plan import plan_gauge

    study = report.study
    known = study.repeatability.sd_um if study.repeatability is not None else 0.0
    ratio = study.step_um / known if known > 0 else 0.0
    with st.expander("Plan a study: how many faces, readers and repeats"):
        with st.container(key="gauge-plan", horizontal=True):
            width = number_field(
                "Width of the interval, times the repeatability", 0.5, least=0.05, most=5.0, key="plan-width", width=360
            )
            steps = number_field(
                "Step over the repeatability", round(ratio, 2), most=100.0, key="plan-steps", width=260
            )
            readers = st.multiselect(
                "Readers at hand", [1, 2, 3, 4, 5, 6], default=[2, 3], key="plan-readers", width=260
            )
        if width is None or steps is None or unread(width) or unread(steps):
            return
        if not readers:
            st.html(cards.sentences([], empty="Say how many readers there are."))
            return
        try:
            plan = plan_gauge(width=width, step_ratio=steps, readers=tuple(sorted(readers)))
        except ValueError as error:
            st.html(cards.notice(str(error), kind="refused"))
            return
        st.html(cards.sentences([_sentence(plan.sentence)]))
        heads = ("faces", "readers", "repeats", "readings", "repeatability known to, times itself", "readers, at most")
        rows = [
            (str(one.faces), str(one.readers), str(one.repeats), str(one.readings),
             f"{number(one.low)} to {number(one.high)}",
             f"{number(one.reader_high)} times" if math.isfinite(one.reader_high) else "not told")
            for one in plan.plans
        ]  # fmt: skip
        if rows:
            st.html(cards.table(heads, rows, numbers=(0, 1, 2, 3)))


def _sentence(text: str) -> str:
    text = micro(text.strip()).rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
