"""The index of one part, with its interval, the law and the data list; or the refusal with its cure."""

import numpy as np
import streamlit as st

from dashboard import cards, data
from dashboard.charts.law import law_figure
from dashboard.parts.page import Page
from dashboard.parts.picture import show_picture, show_table
from dashboard.units import MICROMETRE, DisplayUnit
from dashboard.words import count, number
from spc.board.study import Study
from spc.board.study_plan import READINGS, StudyPlan

__all__ = ["capability_section"]

_WHAT = ("flatness", "finish", "parallelism", "squareness")


def capability_section(page: Page, lap: str) -> None:
    """Ask what to study, then show the sentence, the refusals, the numbers and the law."""
    parts = data.parts(page.now, lap)
    if not parts:
        st.html(cards.sentences([], empty="No face on this lap names its part: an index is of one part's limit."))
        return
    with st.container(key="study-choice", horizontal=True):
        part = st.selectbox("Part", parts, key=f"study-part-{lap}", width=260)
        what = st.selectbox("What was read", _WHAT, key="study-what", width=220)
        which = st.selectbox("Readings", list(READINGS), format_func=READINGS.__getitem__, key="study-which", width=320)
        own = st.checkbox("This lap only", value=True, key="study-own")
    plan = StudyPlan(part=part, characteristic=what, readings=which, laps=(lap,) if own else ())
    study = data.study(page.now, plan)
    st.html(cards.subject(study.sentence[:1].upper() + study.sentence[1:], kicker=_kicker(study)))
    if study.refusals:
        st.html(cards.section("Why it is not called capability") + cards.sentences(_refusals(study)))
    if study.index is not None and study.index.status == "computed":
        st.html(cards.facts(_numbers(study, page.unit)))
    _law(study, page)
    lines = [text for text in _notes(study) if text]
    if lines:
        st.html(cards.section("What it rests on") + cards.sentences(lines))
    with st.expander(f"The data list: {count(len(study.data), 'reading')}"):
        shown = study.data.rename(
            columns={"text": "as typed", "time_text": "when", "low_um": "from, µm", "high_um": "to, µm"}
        )
        show_table(shown.round(4), key="study-data")


def _kicker(study: Study) -> str:
    limit = f"limit {study.limit_text}, revision {study.limit_revision}" if study.limit_text else "no limit known"
    return f"{study.plan.part}, {study.plan.characteristic}, {READINGS[study.plan.readings]}; {limit}"


def _refusals(study: Study) -> list[str]:
    return [f"{_capital(refusal.sentence)}. Cure: {refusal.cure}." for refusal in study.refusals]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".")


def _numbers(study: Study, unit: DisplayUnit) -> list[tuple[str, str]]:
    index = study.index
    assert index is not None  # only asked for when it was computed
    return [
        (f"{index.word} index", number(index.index)),
        (f"at least, {index.level:.0%} sure", number(index.cautious_lower_bound)),
        ("beyond the limit, parts per million", number(index.beyond_ppm)),
        ("at most, as sure", number(index.cautious_upper_bound_ppm)),
        (f"middle, {unit.label}", number(unit.from_um(index.median_um))),
        ("readings", f"{index.n:,}"),
    ]


def _law(study: Study, page: Page) -> None:
    if study.choice is None or study.choice.best is None or study.choice.best.status == "refused" or study.data.empty:
        return
    unit = MICROMETRE if study.plan.characteristic == "finish" and page.unit.key.startswith("band") else page.unit
    low, high = (study.data[name].to_numpy(np.float64) for name in ("low_um", "high_um"))
    table = study.data[["time_text", "text", "low_um", "high_um"]].round(4)
    show_picture(
        law_figure(
            low,
            high,
            study.choice.best,
            study.limit_um,
            study.limit_text,
            page.look,
            unit,
            what=study.plan.characteristic,
        ),
        key="law",
        title="This law",
        sentence=study.choice.sentence,
        table=table.rename(
            columns={"time_text": "when", "text": "as typed", "low_um": "from, µm", "high_um": "to, µm"}
        ),
    )


def _notes(study: Study) -> list[str]:
    found = [study.choice, study.fit, study.cut_off, study.trend]
    notes = [_capital(one.sentence) + "." for one in found if one is not None and one.sentence]
    if study.time_model:
        notes.append(f"Over time: {study.time_model}.")
    if study.index is not None and study.index.status == "computed":
        notes.append(f"Method: {study.index.method}.")
    notes += [f"Spread {one.name}: {number(one.sd_um)} µm, one standard deviation." for one in study.spread]
    return [*notes, f"Data {study.fingerprint[:12]}."]
