"""From reading to decision: which reading may be accepted, what that costs, and how sure one face is of its limit."""

import math
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import cards, proof_data
from dashboard.charts.trade import conformance_figure, trade_figure, trade_table
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page
from dashboard.parts.pair import pair
from dashboard.parts.picture import show_picture
from dashboard.parts.study_choice import RISKS, length_unit, plan_text, usual_part
from dashboard.units import DisplayUnit
from dashboard.words import number, percent
from spc.board.conformity import rule_words
from spc.board.study import Study
from spc.board.study_plan import CHARACTERISTICS, READINGS, StudyPlan
from spc.capability.guard_band import AcceptanceRule

__all__ = ["acceptance_section"]

_MOST_READINGS = 40


@dataclass(frozen=True, slots=True)
class _Reading:
    """How faces are read: the step, and the reader's own spread before the step."""

    step_um: float
    sd_um: float
    source: str


def acceptance_section(page: Page, lap: str) -> None:
    """Ask for the part and the risk, then show the rule, its trade, and the chance for each reading."""
    parts = proof_data.all_parts(page.now)
    if not parts:
        st.html(cards.sentences([], empty="No face names its part: a rule of acceptance is for one part's limit."))
        return
    with st.container(key="acceptance-choice", horizontal=True):
        part = st.selectbox("Part number", parts, index=usual_part(page, lap), key=f"acceptance-part-{lap}", width=240)
        what = st.selectbox("What was read", CHARACTERISTICS, key="acceptance-what", width=200)
        own = st.segmented_control(
            "Faces of", ["every lap", "this lap"], default="every lap", required=True, key="acceptance-laps"
        )
    plan = StudyPlan(part=part, characteristic=what, laps=(lap,) if own == "this lap" else ())
    study = proof_data.study_of(page.now, plan_text(plan))
    unit = length_unit(what, page.unit)
    if study.choice is None or study.choice.best is None or not math.isfinite(study.limit_um):
        st.html(
            cards.subject(
                unit.said(_capital(study.sentence.replace("No index", "No rule"))), kicker="Nothing to decide by yet"
            )
        )
        return
    reading = _how_read(page, study, unit)
    if reading is None:
        return
    _decide(page, plan, study, reading, unit)


def _how_read(page: Page, study: Study, unit: DisplayUnit) -> _Reading | None:
    """Give the step and the reader's spread: from the faces read again, or as a person states them."""
    found = [one for one in proof_data.gauge_reports(page.now, "", study.plan.characteristic) if one.enough]
    steps = (study.data["high_um"] - study.data["low_um"]).to_numpy(np.float64)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    step = float(np.median(steps)) if steps.size else 0.0
    fit = min(found, key=lambda one: abs(one.study.step_um - step), default=None)
    known = fit.study.reading_sd_um if fit is not None else math.nan
    which = f"{unit.key}-{study.plan.part}-{study.plan.characteristic}"
    with st.container(key="acceptance-reading", horizontal=True):
        step_um = _length_field("Step of the readings", step, unit, key=f"acceptance-step-{which}")
        sd_um = _length_field(
            "Spread of the reader", known, unit, key=f"acceptance-sd-{which}", placeholder="no gauge study: state it"
        )
    if unread(sd_um) or unread(step_um):
        return None
    if sd_um is None:
        st.html(
            cards.notice(
                "No gauge study is large enough to say how far readings differ. Read ten faces twice by two readers, "
                "or state the spread of the reader above.", kind="look",
            )
        )  # fmt: skip
        return None
    if not step_um:
        st.html(cards.notice("The step of the readings must be a length greater than 0.", kind="refused"))
        return None
    source = f"faces read again, {fit.way}" if fit is not None and sd_um == known else "as stated"
    return _Reading(step_um, sd_um, source)


def _length_field(words: str, found_um: float, unit: DisplayUnit, *, key: str, placeholder: str = "") -> float | None:
    """Ask for a length, told in micrometres; the one found stands in three digits, and counts in all until changed."""
    found = float(f"{unit.from_um(found_um):.3g}") if found_um >= 0 else None
    said = number_field(f"{words}, {unit.label}", found, width=280, key=key, placeholder=placeholder)
    return said if said is None else found_um if said == found else said * unit.um_per_unit


def _decide(page: Page, plan: StudyPlan, study: Study, reading: _Reading, unit: DisplayUnit) -> None:
    risk = st.segmented_control(
        "Bad faces allowed among the accepted ones", RISKS, default=plan.risk, required=True, key="acceptance-risk",
        format_func=percent,
    )  # fmt: skip
    try:
        trade = proof_data.acceptance(
            page.now, plan_text(plan), study.limit_um, reading.step_um, reading.sd_um, float(risk)
        )
    except ValueError as error:
        st.html(cards.notice(str(error), kind="refused"))
        return
    limit = f"limit {unit.named(number(unit.from_um(study.limit_um)))}"
    chosen_um = [trade.chosen.accept_um] if trade.chosen is not None else []
    lengths_um = [*chosen_um, study.limit_um, reading.step_um, reading.sd_um]
    sentence = unit.said(_capital(rule_words(trade, study.fit)), exactly_um=lengths_um)
    st.html(cards.subject(sentence, kicker=f"{plan.part}, {plan.characteristic}, {READINGS[plan.readings]}; {limit}"))
    misfits = study.fit is not None and study.fit.status == "rejected"
    if study.fit is not None and misfits:
        why = unit.said(_capital(study.fit.sentence)).rstrip(".")
        st.html(cards.notice(f"{why}: the shares lean on that law and are rough.", kind="look"))
    _facts(trade.chosen, trade.bad_share, unit)
    left, right = pair("acceptance")
    with left:
        st.html(cards.section("Bad accepted against good rejected"))
        show_picture(
            partial(trade_figure, trade, page.look, unit),
            key="trade",
            height=430,
            title="This trade",
            sentence=sentence,
            table=trade_table(trade, unit),
        )
    with right:
        st.html(cards.section("How sure one face is of its limit"))
        _conformance(page, study, reading, unit)
    lines = [
        *(unit.said(_capital(one.sentence)) for one in (study.choice, None if misfits else study.fit) if one),
        f"Reader: standard deviation {unit.named(number(unit.from_um(reading.sd_um)))} ({reading.source}); step "
        f"{unit.named(number(unit.from_um(reading.step_um)))}; before the step rounds the reading.",
        "Method: conformance probability and global risk after JCGM 106:2012, clauses 6 to 9, for readings in steps.",
    ]
    st.html(cards.section("What it rests on") + cards.sentences([line for line in lines if line]))


def _facts(chosen: AcceptanceRule | None, bad_share: float, unit: DisplayUnit) -> None:
    pairs = [("truly over the limit, of all faces", percent(bad_share))]
    if chosen is not None:
        pairs = [
            ("accept readings up to", unit.named(number(unit.from_um(chosen.accept_um)))),
            ("bad among the accepted", percent(chosen.bad_among_accepted)),
            ("good faces rejected", percent(chosen.good_rejected)),
            ("faces accepted", percent(chosen.accepted)),
            *pairs,
        ]
    st.html(cards.facts(pairs))


def _conformance(page: Page, study: Study, reading: _Reading, unit: DisplayUnit) -> None:
    from spc.capability.guard_band import conformance_probability

    assert study.choice is not None and study.choice.best is not None  # asked for only with a law
    law, step = study.choice.best, reading.step_um
    last = min(int(math.ceil(study.limit_um / step)) + 2, _MOST_READINGS)
    first = max(0, last - _MOST_READINGS)
    values = [step * place for place in range(first, last + 1)]
    middle = np.array(values)
    chances = conformance_probability(
        np.where(middle > 0, middle - step / 2, -math.inf), middle + step / 2, process=law, upper_um=study.limit_um,
        reader_sd_um=reading.sd_um,
    ).tolist()  # fmt: skip
    sure = [value for value, chance in zip(values, chances, strict=True) if chance >= 0.95]
    said = (
        f"A face read up to {unit.named(number(unit.from_um(max(sure))))} meets its limit with at least 95%."
        if sure
        else "No reading makes a face 95% sure of its limit."
    )
    show_picture(
        partial(conformance_figure, values, chances, study.limit_um, page.look, unit),
        key="conformance",
        height=430,
        title="These chances",
        sentence=said,
        table=pd.DataFrame(
            {
                f"read as, {unit.label}": [number(unit.from_um(value)) for value in values],
                "meets its limit, %": [number(100 * chance) for chance in chances],
            }
        ),
    )


def _capital(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
