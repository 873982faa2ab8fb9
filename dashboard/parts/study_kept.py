"""Studies kept under a name: keep this one, see every version, and make one again from its own list."""

import pandas as pd
import streamlit as st

from dashboard import cards, data, proof_data
from dashboard.parts import draft, said
from dashboard.parts.page import Page, speak_as
from dashboard.parts.picture import show_table
from dashboard.parts.study_report import downloads, made_now
from dashboard.parts.study_shown import show_study
from dashboard.words import clock_at
from spc.board.study import Study

__all__ = ["keep", "kept_studies"]

_PLACE = "keep-study"


@st.fragment
def keep(page: Page, study: Study, person: str) -> None:
    """Offer to keep a study under a name; a name kept before gets a new version."""
    speak_as(page)
    st.html(cards.section("Keep this study"))
    form = draft.name(_PLACE, study.plan.part, study.plan.characteristic)
    with st.container(key=_PLACE, border=True):
        hint = f"{study.plan.part}, released for series"
        name = st.text_input("Name of the study", placeholder=hint, **draft.typed(form, "name"))
        if st.button("Keep this study", key=f"send-{form}", type="primary"):
            said.sent(_PLACE)
            _keep(page, study, name.strip(), person)
        said.say(_PLACE, person=person)
        draft.offer_to_clear(form, _PLACE)


def _keep(page: Page, study: Study, name: str, person: str) -> None:
    from spc.board.kept_studies import keep_study

    if not name or not person:
        said.refuse(_PLACE, "A kept study has a name and is signed: type the name, and say who.", person=person)
        return
    made = made_now(page, person)
    try:
        with data.open_store() as store:
            kept = keep_study(
                store, study, name, made_at=made.at, made_by=person, site=made.site, software=made.software
            )
    except ValueError as error:
        said.refuse(_PLACE, str(error), person=person)
        return
    said.done(_PLACE, f"Kept as {kept.name}, version {kept.version}, with its list of readings.")
    st.rerun()


def kept_studies(page: Page) -> None:
    """List every kept version and make the chosen one again."""
    kept = proof_data.kept_list(page.now)
    st.html(cards.section("Studies kept"))
    if not kept:
        st.html(cards.sentences([], empty="No study is kept yet."))
        return
    zone = page.site.time_zone or "UTC"
    table = pd.DataFrame(
        [(one.name, one.version, one.part, one.characteristic, one.readings, one.by, clock_at(one.at, zone),
          one.fingerprint[:12])
         for one in kept],
        columns=["study", "version", "part number", "what was read", "readings", "kept by", f"kept at ({zone})",
                 "data"],
    )  # fmt: skip
    show_table(table, key="kept-studies")
    names = {(one.name, one.version): f"{one.name}, version {one.version}" for one in kept}
    chosen = st.selectbox(
        "Make one again", list(names), format_func=names.__getitem__, index=None, width=480,
        placeholder="choose a study and its version",
    )  # fmt: skip
    if chosen is None:
        return
    from spc.report.made import made_of_kept

    one, study, changed = proof_data.kept_again(page.now, *chosen)
    if changed:
        st.html(cards.notice(changed, kind="look"))
    else:
        st.html(cards.sentences(["Every reading of its list stands in the log today as it was kept."]))
    show_study(study, page, key="kept")
    downloads(page, study, made_of_kept(one, changed=changed), key="kept")
