"""What a study says: the sentence, the refusals with their cures, the numbers, the law, and the list it rests on."""

import math
from functools import partial

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import cards
from dashboard.charts.law import law_figure
from dashboard.parts.page import Page
from dashboard.parts.picture import show_picture, show_table
from dashboard.parts.study_choice import length_unit
from dashboard.units import DisplayUnit
from dashboard.words import count, fixed, number, parts_per_million, percent
from spc.board.study import Spread, Study
from spc.board.study_plan import READINGS
from spc.capability.index import QuantileIndex
from spc.log.name_list import name_list

__all__ = ["show_study"]

_MOST_LISTED = 5_000


def show_study(study: Study, page: Page, *, key: str) -> None:
    """Draw a study; `key` tells two studies on one page apart."""
    unit = length_unit(study.plan.characteristic, page.unit)
    over_ages = any(one is not None and one.sentence for one in (study.whole_cycles, study.at_planned_age))
    said = study.sentence.replace("No index", "No capability index") if over_ages else study.sentence
    st.html(cards.subject(unit.said(_capital(said)), kicker=_kicker(study, unit)))
    if study.index is not None and study.index.status == "computed":
        st.html(cards.facts(_numbers(study.index, unit)))
    _by_age(study, unit)
    if study.refusals:
        st.html(cards.section("Why it is not called capability, and what would cure it") + _refusals(study, unit))
    _law(study, page, unit, key)
    lines = [text for text in _notes(study, unit) if text]
    if lines:
        st.html(cards.section("What it rests on") + cards.sentences(list(map(unit.said, lines))))
    _list(study, unit, key)


def _kicker(study: Study, unit: DisplayUnit) -> str:
    known = math.isfinite(study.limit_um)
    limit = f"limit {unit.named(number(unit.from_um(study.limit_um)))}" if known else "no limit known"
    if study.limit_revision:
        limit += f", revision {study.limit_revision}"
    laps = name_list(study.plan.laps) or "every lap"
    return f"{study.plan.part}, {study.plan.characteristic}, {READINGS[study.plan.readings]}, {laps}; {limit}"


def _capital(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _numbers(index: QuantileIndex, unit: DisplayUnit) -> list[tuple[str, str]]:
    sure = f"{percent(index.level)} sure"
    return [
        (f"{index.word} index", fixed(index.index, 2)),
        (f"at least, {sure}", fixed(index.cautious_lower_bound, 2)),
        ("over the limit, parts per million", parts_per_million(index.beyond_ppm)),
        (f"at most, {sure}", parts_per_million(index.cautious_upper_bound_ppm)),
        (f"middle, {unit.label}", number(unit.from_um(index.median_um))),
        ("readings", f"{index.n:,}"),
    ]


def _by_age(study: Study, unit: DisplayUnit) -> None:
    told = [one.sentence for one in (study.whole_cycles, study.at_planned_age) if one is not None and one.sentence]
    if told:
        lines = [unit.said(_capital(one)) for one in told]
        st.html(cards.section("Over whole cycles, and at the planned age") + cards.sentences(lines))


def _refusals(study: Study, unit: DisplayUnit) -> str:
    rows = [(unit.said(_capital(one.sentence)), unit.said(_capital(one.cure)), one.bars) for one in study.refusals]
    return cards.table(("what was found", "what would cure it", "it bars"), rows, caption="Reasons, each with its cure")


def _law(study: Study, page: Page, unit: DisplayUnit, key: str) -> None:
    if study.choice is None or study.choice.best is None or study.choice.best.status == "refused" or study.data.empty:
        return
    low, high = (study.data[name].to_numpy(np.float64) for name in ("low_um", "high_um"))
    st.html(cards.section("The law of the readings"))
    show_picture(
        partial(
            law_figure,
            low, high, study.choice.best, study.limit_um, page.look, unit, what=study.plan.characteristic
        ),
        key=f"law-{key}",
        height=420,
        title="This law",
        sentence=_law_words(study, unit),
        table=_law_table(study, low, high, unit),
    )  # fmt: skip


def _law_words(study: Study, unit: DisplayUnit) -> str:
    assert study.choice is not None and study.choice.best is not None  # only drawn then
    fit = study.choice.best
    said = (
        f"The {fit.family} law of {len(study.data):,} readings: half of the faces at or under "
        f"{unit.named(number(unit.from_um(float(fit.ppf(0.5)))))}, 99 of 100 at or under "
        f"{unit.named(number(unit.from_um(float(fit.ppf(0.99)))))}"
    )
    if math.isfinite(study.limit_um):
        said += f"; the limit is {unit.named(number(unit.from_um(study.limit_um)))}"
    return f"{said}. {unit.said(_capital(study.choice.sentence))}"


def _law_table(study: Study, low: np.ndarray, high: np.ndarray, unit: DisplayUnit) -> pd.DataFrame:
    """Give what the picture shows in numbers: the band and the law at the ends of the readings."""
    assert study.choice is not None and study.choice.best is not None
    ends = np.unique(np.round(np.concatenate([low, high[np.isfinite(high)]]), 9))
    ends = ends[:: max(1, ends.size // 60)]
    sure, possible = (100 * np.searchsorted(np.sort(end), ends, side="right") / end.size for end in (high, low))
    return pd.DataFrame(
        {
            f"{study.plan.characteristic}, {unit.label}": np.round(ends / unit.um_per_unit, 4),
            "surely at or under it, %": np.round(sure, 1),
            "possibly, %": np.round(possible, 1),
            "by the law, %": np.round(100 * np.asarray(study.choice.best.cdf(ends), dtype=float), 2),
        }
    )


def _notes(study: Study, unit: DisplayUnit) -> list[str]:
    found = [study.fit, study.cut_off, study.trend]
    notes = [_capital(one.sentence) for one in found if one is not None and one.sentence]
    if study.time_model:
        notes.append(f"Over time: {study.time_model}.")
    if study.index is not None and study.index.status == "computed":
        notes.append(f"Method: {_capital(study.index.method)}")
    notes += [_spread(one, unit) for one in study.spread]
    notes.append(_capital(study.spread_sentence))
    notes += [f"Chart limits on {one.lap}: {_capital(one.sentence)}" for one in study.chart_limits]
    notes += [f"Signal not answered: {_capital(told)}" for told in study.signals]
    return [*notes, f"Seal of the list of readings: {study.fingerprint}."]


def _spread(one: Spread, unit: DisplayUnit) -> str:
    sd, low, high = (unit.from_um(value) for value in (one.sd_um, one.low_um, one.high_um))
    interval = f" ({number(low)} to {number(high)})" if math.isfinite(low) and math.isfinite(high) else ""
    return f"Spread {one.name}: {unit.named(f'{number(sd)}{interval}')}, one standard deviation."


def _list(study: Study, unit: DisplayUnit, key: str) -> None:
    if study.not_taken or study.left_out:
        st.html(cards.section("Readings not in the list, each with its reason"))
        rows = [(f"{many:,}", why) for why, many in study.not_taken]
        rows += [("1", f"face {one.face_id}, {one.text}: left out, {one.cause}") for one in study.left_out]
        st.html(cards.table(("readings", "why"), rows, numbers=(0,)))
    with st.expander(f"The data list: {count(len(study.data), 'reading')}"):
        data = study.data.head(_MOST_LISTED)
        shown = pd.DataFrame(
            {
                "face": data["face_id"],
                "lap": data["lap"],
                "cycle": data["cycle"],
                "age, faces": data["age_faces"].round(),
                "when": data["time_text"],
                "as typed": data["text"],
                f"from, {unit.label}": (data["low_um"] / unit.um_per_unit).round(4),
                f"to, {unit.label}": (data["high_um"].where(np.isfinite(data["high_um"])) / unit.um_per_unit).round(4),
            }
        )
        if len(study.data) > _MOST_LISTED:
            st.html(cards.sentences([f"The first {_MOST_LISTED:,} are shown; the files written out hold all."]))
        show_table(shown, key=f"study-data-{key}")
