"""What a capability study takes, chosen on the screen: part number, laps, days, readings, limit, exclusions."""

import json
import math
from datetime import date

import pandas as pd
import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts import draft, said
from dashboard.parts.beside_reader import beside_the_reader
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page, speak_as
from dashboard.units import MICROMETRE, DisplayUnit
from dashboard.words import clock_words, day_format, percent
from spc.board.study_plan import CHARACTERISTICS, READINGS, StudyPlan, check_plan

__all__ = ["RISKS", "choose_study", "exclusions", "length_unit", "plan_text", "usual_part"]

RISKS = (0.001, 0.005, 0.01, 0.02, 0.05)  # offered; shares of bad faces among those accepted
_LEVELS = (0.9, 0.95, 0.99)
_LEFT_OUT = "lc_left_out"


def usual_part(page: Page, lap: str) -> int:
    """Return which of all part numbers, from 0, a lap has lapped most; the first where its faces name none."""
    faces = proof_data.whole_log(page.now).faces
    own = faces.loc[(faces["lap"] == lap) & (faces["part"] != ""), "part"].value_counts()
    return proof_data.all_parts(page.now).index(str(own.index[0])) if len(own) else 0


def choose_study(page: Page, lap: str) -> StudyPlan | None:
    """Ask what to study; None after a sentence that says why it cannot be studied."""
    parts = proof_data.all_parts(page.now)
    if not parts:
        st.html(cards.sentences([], empty="No face names its part: an index is of one part number's limit."))
        return None
    view = proof_data.whole_log(page.now)
    names = [str(name) for name in view.laps["lap"]]
    with st.container(key="study-choice", horizontal=True):
        part = st.selectbox("Part number", parts, index=usual_part(page, lap), key=f"study-part-{lap}", width=240)
        what = st.selectbox("What was read", CHARACTERISTICS, key="study-what", width=200)
        which = st.selectbox("Readings", list(READINGS), format_func=READINGS.__getitem__, key="study-which", width=300)
        laps = st.multiselect(
            "Laps", names, default=[lap], key=f"study-laps-{lap}", width=340,
            placeholder="every lap",
        )  # fmt: skip
    with st.container(key="study-days", horizontal=True):
        since = st.date_input("First day", value=None, format=day_format(), key="study-since", width=200)
        until = st.date_input("Last day", value=None, format=day_format(), key="study-until", width=200)
        level = st.selectbox("Sure to", _LEVELS, index=1, format_func=percent, key="level", width=120)
        unit = length_unit(what, page.unit)
        own = number_field(
            f"Own limit, {unit.label}", above=True, key="study-limit", width=240, placeholder="that of the register"
        )
        age = st.number_input(
            "Planned age, faces", min_value=0, value=None, step=1, key="study-age", width=240,
            placeholder="from the costs",
        )  # fmt: skip
    with st.expander("Risk borne at acceptance, the flat's own error, temperature"):
        risk = st.selectbox(
            "Bad faces among the accepted, at most", RISKS, index=RISKS.index(StudyPlan(part).risk),
            format_func=percent, key="study-risk", width=300,
        )  # fmt: skip
        flat_um, heat_um = beside_the_reader(unit, key="study")
    if unread(own):
        return None
    if since and until and until < since:
        st.html(cards.notice("The last day is before the first day.", kind="refused"))
        return None
    plan = StudyPlan(
        part=part,
        characteristic=what,
        laps=tuple(laps),
        since=_day(since),
        until=_day(until),
        readings=which,
        level=level,
        limit_um=own * unit.um_per_unit if own else None,
        planned_age_faces=float(age) if age is not None else None,
        risk=risk,
        flat_error_um=None if math.isnan(flat_um) else flat_um,
        temperature_um=None if math.isnan(heat_um) else heat_um,
    )
    try:
        check_plan(plan)
        readings = proof_data.readings_of(page.now, plan_text(plan))
    except ValueError as error:
        st.html(cards.notice(str(error), kind="refused"))
        return None
    kept = st.session_state.get(_LEFT_OUT, {}).get(f"{part}|{what}", {})
    among = set(readings["face_id"].tolist())
    out = {face: cause for face, cause in kept.items() if face in among}
    return StudyPlan(**{name: getattr(plan, name) for name in plan.__slots__ if name != "excluded"}, excluded=out)


@st.fragment
def exclusions(page: Page, plan: StudyPlan) -> None:
    """Let a person leave readings out, each with its cause, and take them in again."""
    speak_as(page)
    bare = StudyPlan(**{name: getattr(plan, name) for name in plan.__slots__ if name != "excluded"}, excluded={})
    readings = proof_data.readings_of(page.now, plan_text(bare)).set_index("face_id")
    words = {int(face): _reading_words(int(face), row) for face, row in readings.iterrows()}
    place = f"leave-out-{plan.part}-{plan.characteristic}"
    form = draft.name(place)
    with st.container(key="leave-out", border=True):
        free = [face for face in words if face not in plan.excluded]
        chosen = st.multiselect(
            "Readings to leave out", free, format_func=words.__getitem__, placeholder="type a face number or a reading",
            **draft.field(form, "faces"),
        )  # fmt: skip
        hint = "lapped on a cracked ring, found the same day"
        cause = st.text_input("Cause", placeholder=hint, **draft.typed(form, "cause"))
        if st.button("Leave these out", key=f"send-{form}"):
            said.sent(place)
            if not chosen or not cause.strip():
                said.refuse(place, "Choose the readings, and say why they are left out.", person="")
            else:
                said.begun_anew(place)
                _store(plan, {**plan.excluded, **dict.fromkeys(chosen, cause.strip())})
        said.say(place)
        draft.offer_to_clear(form, place)
    if plan.excluded:
        back = st.multiselect("Take in again", list(plan.excluded), format_func=words.__getitem__, key="take-back")
        if back and st.button("Take these in again"):
            _store(plan, {face: why for face, why in plan.excluded.items() if face not in back})


def plan_text(plan: StudyPlan) -> str:
    """Return a plan as JSON: the key of what is computed from it."""
    return json.dumps(plan.as_json(), sort_keys=True)


def length_unit(characteristic: str, unit: DisplayUnit) -> DisplayUnit:
    """Return the unit in which a characteristic is shown: light bands are of form only, never of roughness."""
    return MICROMETRE if characteristic == "finish" and unit.key.startswith("band") else unit


def _store(plan: StudyPlan, excluded: dict[int, str]) -> None:
    kept = dict(st.session_state.get(_LEFT_OUT, {}))
    kept[f"{plan.part}|{plan.characteristic}"] = excluded
    st.session_state[_LEFT_OUT] = kept
    st.rerun()


def _reading_words(face: int, row: pd.Series) -> str:
    told = [f"face {face}", str(row["text"]), str(row["lap"]), clock_words(str(row["time_text"]))]
    return ", ".join(text for text in told if text)


def _day(day: date | None) -> str:
    return day.isoformat() if day else ""
