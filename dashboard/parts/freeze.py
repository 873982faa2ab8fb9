"""Frozen limits of one chart: the revisions, what the readings say of the newest, and a form that freezes another."""

from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import TYPE_CHECKING

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.charts.control import sign_words
from dashboard.parts import draft, said
from dashboard.parts.page import Page, speak_as
from dashboard.parts.picture import show_table
from dashboard.parts.study_choice import length_unit
from dashboard.units import DisplayUnit
from dashboard.words import clock_at, clock_words, day_format
from spc.chart.stream import SIGNS
from spc.model.probability_limit import GUARANTEE_LEVEL, GUARANTEE_RATIO

if TYPE_CHECKING:
    from spc.board.frozen_limits import ShownRevision
    from spc.chart.baseline import ChartModel

__all__ = ["freeze"]


@dataclass(frozen=True, slots=True)
class _List:
    """The readings that limits are to be frozen from."""

    last: int
    until: date | None  # last day of the list; None = the newest
    left_out: dict[int, str]  # face id -> cause
    guarantee: bool
    knowingly: bool


def freeze(page: Page, lap: str, sign: str, person: str) -> None:
    """Show the revisions and offer to freeze the newest readings as another."""
    st.html(cards.section("Frozen limits"))
    said.say(_frozen(lap, sign))
    shown = data.revisions(page.now, lap, sign)
    unit = length_unit(sign, page.unit)
    if not shown:
        st.html(cards.sentences([], empty="No limits are frozen for this chart."))
    else:
        newest = shown[-1]
        lines = [newest.need.sentence] if newest.need is not None else []
        lines += [f"Revision {one.record.revision}: {one.changed}." for one in shown if one.changed]
        st.html(cards.sentences(list(map(unit.said, lines))))
        show_table(_table(shown, unit, page.site.time_zone or "UTC"), key=f"revisions-{sign}")
        by_part = _by_part(shown, unit)
        if len(by_part):
            age = " at the start of a cycle" if any(one.revision.model.norm.growth_per_face for one in shown) else ""
            st.html(cards.sentences([f"Parts differ, so each has its own limit{age}:"]))
            show_table(by_part, key=f"part-limits-{sign}")
        left = [
            f"Revision {one.record.revision} leaves out face {face}: {cause}."
            for one in shown
            for face, cause in one.revision.model.excluded
        ]
        doubts = [
            f"Revision {one.record.revision}: {text}." for one in shown for text in one.record.model.get("remarks", ())
        ]
        if left or doubts:
            with st.expander("What the revisions left out, and what was doubted"):
                st.html(cards.sentences([*left, *map(unit.said, doubts)]))
    with st.expander("Freeze limits from a closed list of readings"):
        _form(page, lap, sign, person)


@st.fragment
def _form(page: Page, lap: str, sign: str, person: str) -> None:
    """Ask for the list, what is left out of it, and why it is frozen."""
    speak_as(page)
    faces = data.recent_faces(page.now, lap)
    words = {
        int(face): f"face {face}, {text or 'no flatness'}, {clock_words(when)}"
        for face, text, when in zip(faces["face_id"], faces["flatness_text"], faces["time_text"], strict=True)
    }
    place = f"freeze-{lap}-{sign}"
    form = draft.name(_frozen(lap, sign))
    tapped_in, typed_in = partial(draft.field, form), partial(draft.typed, form)
    with st.container(key="freeze-form", border=True):
        with st.container(key="freeze-list", horizontal=True):
            last = st.number_input(
                "How many of the newest readings", min_value=12, max_value=5_000, value=60, step=10, width=300,
                **tapped_in("last"),
            )  # fmt: skip
            until = st.date_input(
                "Up to and with the day", value=None, format=day_format(), width=220, **tapped_in("until")
            )
        out = st.multiselect(
            "Readings to leave out", list(words)[::-1], format_func=words.__getitem__,
            placeholder="type a face number or a reading", **tapped_in("out"),
        )  # fmt: skip
        cause = st.text_input(
            "Cause of leaving them out", placeholder="optical flat was not clean that morning", **typed_in("cause")
        )
        why = st.text_input("Why", placeholder="new slurry settled, lap reconditioned twice since", **typed_in("why"))
        guarantee = SIGNS[sign].side == "upper" and st.checkbox(
            "Widen the limit, so that its rate of false calls is guaranteed",
            help=f"For {10 * GUARANTEE_LEVEL:g} of 10 such lists the true rate is then at most {GUARANTEE_RATIO} times "
            "the rate asked for. A wider limit calls a drift a little later.",
            **tapped_in("guarantee"),
        )
        knowingly = st.checkbox(
            "Freeze even if the analysis has doubts; they are kept with the revision", **tapped_in("knowingly")
        )
        # sent by its button alone: what is ticked below the lines is part of what is put in force
        if st.button("Freeze", key=f"freeze-{form}", type="primary"):
            said.sent(place)
            if out and not cause.strip():
                said.refuse(place, "Say why these readings are left out.", person=person)
            else:
                left_out = dict.fromkeys(out, cause.strip())
                wanted = _List(int(last), until, left_out, guarantee, knowingly)
                _freeze(page, lap, sign, person, wanted, why=why, place=place)
        said.say(place, person=person)
        draft.offer_to_clear(form, _frozen(lap, sign))


def _freeze(page: Page, lap: str, sign: str, person: str, wanted: _List, *, why: str, place: str) -> None:
    from spc.board.frozen_limits import freeze_limits, moment_us

    if not person or not why.strip():
        said.refuse(place, "Frozen limits are signed and explained: say who, and why.", person=person)
        return
    until_us = None
    if wanted.until is not None:  # a day may have 23 or 25 hours: the next one ends it
        until_us = moment_us((wanted.until + timedelta(days=1)).isoformat(), page.site.time_zone)
    try:
        with data.open_store() as store:
            done = freeze_limits(
                store, page.site, lap=lap, sign=sign, who=person, why=why.strip(), last=wanted.last, until_us=until_us,
                excluded=wanted.left_out, knowingly=wanted.knowingly, guarantee=wanted.guarantee,
            )  # fmt: skip
    except ValueError as error:
        said.refuse(place, str(error), person=person)
        return
    unit = length_unit(sign, page.unit)
    if done.status != "frozen":
        outliers = tuple(unit.said(outlier.sentence) for outlier in done.analysis.outliers)
        said.refuse(place, unit.said(done.sentence), lines=outliers, person=person)
        return
    said.done(_frozen(lap, sign), unit.said(done.sentence))
    st.rerun()


def _frozen(lap: str, sign: str) -> str:
    return f"frozen-{lap}-{sign}"


def _table(shown: "tuple[ShownRevision, ...]", unit: DisplayUnit, zone: str) -> pd.DataFrame:
    newest = shown[::-1]
    return pd.DataFrame(
        {
            "revision": [one.record.revision for one in newest],
            f"judges from ({zone})": [clock_at(one.record.valid_from, zone) for one in newest],
            "frozen by": [one.record.who for one in newest],
            "why": [one.record.why for one in newest],
            "limit": [_limit(one, unit) for one in newest],
            "faces": [len(one.revision.model.face_ids) for one in newest],
            "left out": [len(one.revision.model.excluded) for one in newest],
            "law": [one.revision.model.norm.family for one in newest],
            "data": [one.record.fingerprint[:12] for one in newest],
            "same data today": ["yes" if one.same_data else "no" for one in newest],
        }
    )


def _limit(shown: "ShownRevision", unit: DisplayUnit) -> str:
    model = shown.revision.model
    of_part = model.part_limits.values()
    ends = (min(of_part), max(of_part)) if of_part else (model.limit,)
    told = " to ".join(sign_words(model.sign, end, unit, model.basis) for end in ends)
    return f"{told}, by part" if of_part else told


def _by_part(shown: "tuple[ShownRevision, ...]", unit: DisplayUnit) -> pd.DataFrame:
    """Return the limit of every part that a revision tells apart, newest revision first; no rows where none does."""
    models = {one.record.revision: one.revision.model for one in shown[::-1]}
    parts = sorted({part for model in models.values() for part in model.part_limits})
    return pd.DataFrame(
        {
            "part": [part or "none given" for part in parts],
            **{f"revision {number}": [_of_part(model, part, unit) for part in parts]
               for number, model in models.items()},
        }
    )  # fmt: skip


def _of_part(model: "ChartModel", part: str, unit: DisplayUnit) -> str:
    """Write the limit of a part; one that the list did not hold often enough is judged by its own readings."""
    if part not in model.norm.part_factors:
        return "by its own readings"
    return sign_words(model.sign, model.part_limits.get(part, model.limit), unit, model.basis)
