"""Lap view: may I go on with this lap, and for how long. One lap, named in the link."""

import difflib
import math
from dataclasses import replace
from functools import partial

import streamlit as st

from dashboard import cards, data
from dashboard.charts.cycle import cycle_figure, cycle_table
from dashboard.chosen_unit import in_chosen_unit
from dashboard.parts.answer import answer_signals
from dashboard.parts.first_run import first_run, nothing_yet
from dashboard.parts.glossary import words_here
from dashboard.parts.log_form import log_form
from dashboard.parts.new_lap import NEW, new_lap
from dashboard.parts.page import Page, in_unit_of, link_to_lap, lost_line, unit_of
from dashboard.parts.person import signed_by
from dashboard.parts.picture import show_picture
from dashboard.words import clock_words, count, grit_words, number
from spc.board.results import RECONDITIONING, LapReport
from spc.chart.stream import SIGNS

__all__ = ["choose_lap", "proof_of", "render"]

_WORDS = (
    "cycle", "cycle picture", "interval", "band", "limit", "chart limit", "drifting average", "first pass",
    "faces left", "charge", "recondition", "glazed",
)  # fmt: skip
_SECTION_OF = {"bow": "Wear", "re-lap share": "Wear", RECONDITIONING: "Wear"}  # of signs without a chart of their own
_CHOICE = "lc_lap"
_SHOWN = "lc_lap_shown"


def render(page: Page) -> None:
    """Draw the lap view."""
    chosen = choose_lap(page)
    if chosen is None:
        return
    lap, person = chosen
    page, own = in_unit_of(lap, page), unit_of(lap, page)
    report = in_chosen_unit(data.lap_report(page.now, lap), own.shown, page.unit.shown)
    st.html(lost_line(page) + _headline(report))
    with st.container(key="lap-grid"):
        held = report.state == "held"
        if held:  # on a narrow screen the answer is asked for before the picture is shown
            _side(report, page, person)
        with st.container(key="lap-picture"):
            _picture(report, page)
        if not held:
            _side(report, page, person)
        with st.container(key="lap-evidence"):
            _evidence(report, page)


def _headline(report: LapReport) -> str:
    """Say the one sentence; where it waits for a yes or no the question goes first, and what it rests on below it."""
    first, below, asked = report.sentence, "", report.doubt
    after_a_face = asked is not None and asked.face_id != asked.since_face_id and bool(asked.time_text)
    if asked is not None and after_a_face and first.startswith(asked.sentence):
        first, below = f"Was {report.lap} reconditioned before face {asked.face_id}, of {asked.time_text}?", first
    return cards.headline(first, kicker=_kicker(report), state=report.state, below=below)


def _side(report: LapReport, page: Page, person: str) -> None:
    """Draw what a person does here: answer, then log; on a hold the answer comes before the numbers."""
    with st.container(key="lap-side"):
        numbers = cards.facts(_numbers(report))
        if report.state != "held":
            st.html(numbers)
        asked = [one for one in report.asked if report.doubt is None or one.face_id != report.doubt.face_id]
        answer_signals(report.lap, (*report.signals, *asked), report.causes, page, person)
        if report.state == "held":
            st.html(numbers)
        st.html(cards.cautions(report.safety))
        limit = report.picture.limit_um if report.picture is not None else math.nan
        out_of_use = report.sentence if report.state == "resting" else ""
        log_form(page, report.lap, person, limit_um=limit, out_of_use=out_of_use)


def choose_lap(page: Page, *, view: str = "lap") -> tuple[str, str] | None:
    """Ask which lap and who signs; a name in the link that is no lap is said, never swapped for another in silence."""
    names = data.lap_names(page.now)
    if nothing_yet(page):
        first_run(page, by_hand=view == "lap")
        return None
    asked = st.query_params.get("lap", "").strip() or None
    if view == "lap" and st.query_params.get(NEW) == "1":
        st.html(lost_line(page) + cards.headline("Which lap is new?", kicker="A lap that is not in the log yet"))
        new_lap(page, signed_by(page))
        return None
    if asked is not None and asked not in names:
        st.html(
            cards.headline(f"There is no lap called {asked}.", kicker="The link names a lap that is not in the log")
        )
        near = _near(asked, names)
        st.html(cards.sentences(["Did you mean one of these?" if near else "These are the laps in the log:"]))
        for name in near or names[:24]:
            link_to_lap(page, name, view=view)
        if view == "lap":
            st.html(cards.section("Or is it a new lap?"))
            new_lap(page, signed_by(page), name=asked)
        return None
    with st.container(key="top-row", horizontal=True, vertical_alignment="bottom"):
        lap = _keep_in_link(names, asked)
        person = signed_by(page, lap=lap if view == "lap" else "")
        if view == "lap" and view in page.routes:
            st.page_link(page.routes[view], label="New lap", query_params={NEW: "1"}, width="content")
    return lap, person


def _near(asked: str, names: list[str]) -> list[str]:
    """Return the laps whose names are most like one, the most like first; capitals make no difference."""
    folded = [name.casefold() for name in names]
    alike = difflib.get_close_matches(asked.casefold(), dict.fromkeys(folded), n=3, cutoff=0.4)
    return [name for one in alike for name, fold in zip(names, folded, strict=True) if fold == one]


def _keep_in_link(names: list[str], asked: str | None) -> str:
    """Offer the laps; the link always names the one shown, and a link that names another is followed."""
    shown = st.session_state.get(_SHOWN)
    if asked is not None and asked != shown:
        st.session_state[_CHOICE] = asked
    elif st.session_state.get(_CHOICE) not in names:
        st.session_state[_CHOICE] = shown if shown in names else names[0]
    chosen = str(st.selectbox("Lap", names, key=_CHOICE, width=230))
    if asked != chosen:
        st.query_params["lap"] = chosen
    st.session_state[_SHOWN] = chosen
    return chosen


def _kicker(report: LapReport) -> str:
    registered = f" (registered {grit_words(report.registered_grit)})" if report.registered_grit else ""
    grit = f"{grit_words(report.grit)}{registered}"
    what = [word for word in (report.material, report.kind, grit) if word]
    last = f"last face {clock_words(report.last_time_text)}" if report.last_time_text else ""
    return ", ".join([*what, last] if last else what)


def _numbers(report: LapReport) -> list[tuple[str, str]]:
    counted = "passes" if report.faces_left.counted == "pass" else "faces"
    left = cards.left_words(report).replace(f" {counted} left", "", 1)  # the fact's name says it
    since = count(report.age_faces, "face")
    if counted == "passes":
        since = f"{count(report.finished_faces, 'face')} in {count(report.age_faces, 'pass', 'passes')}"
    pairs = [
        *([(f"{counted} left", left)] if left else []),
        ("since reconditioning", since),
        ("minutes lapped since", number(report.age_minutes)),
    ]
    if report.next_break:
        pairs.insert(1, ("next break", report.next_break))
    return pairs


def _picture(report: LapReport, page: Page) -> None:
    if report.picture is None or not report.picture.now.age_faces.size:
        st.html(cards.notice("No flatness reading since reconditioning yet: the picture starts with the next face."))
        return
    held = report.state == "held"  # nothing beside a hold may invite to go on
    picture = replace(report.picture, fan=None, axis_note="") if held else report.picture
    show_picture(
        partial(cycle_figure, picture, report.faces_left, page.look, page.unit),
        key="cycle",
        height=480,
        title="This cycle",
        sentence=report.picture.sentence,
        table=cycle_table(report.picture, page.unit),
    )


def _evidence(report: LapReport, page: Page) -> None:
    lines = list(report.further_reasons)
    left = report.faces_left
    if report.picture is not None and not math.isfinite(report.picture.limit_um):
        link_to_lap(page, report.lap, view="proof", section="Limits", label="Set its limit")
    if report.state != "held":  # nothing beside a hold may invite to go on
        told = left.sentence.rstrip(".").casefold()
        if left.status not in ("range", "over") and not any(
            told in line.casefold() for line in (*lines, report.sentence)
        ):
            lines.append(f"Faces left: {left.sentence}")
        if report.confidence:
            lines.append(f"How sure: {report.confidence.rstrip('.')}.")
    if lines or report.state == "cutting":
        st.html(cards.section("Why it says so") + cards.sentences(lines, empty="Nothing speaks against this lap."))
    if report.answers:
        lines = [f"{question} {answer}" for question, answer in report.answers]
        st.html(cards.section("Asked at the bench") + cards.sentences(lines))
    if report.causes:
        st.html(cards.section("What to look at") + cards.causes_card(report.causes))
    if report.data_health:
        st.html(cards.section("About these readings") + cards.sentences(report.data_health))
    section, sign = proof_of(report)
    link_to_lap(page, report.lap, view="proof", section=section, sign=sign, label="The proof behind this")
    words_here(_WORDS)


def proof_of(report: LapReport) -> tuple[str, str]:
    """Return the section of the proof, and the sign charted there, that the first signal comes from."""
    sign = next((signal.sign for signal in report.signals), report.lead_sign)
    return ("Chart", sign) if sign in SIGNS else (_SECTION_OF.get(sign, "Chart"), "")
