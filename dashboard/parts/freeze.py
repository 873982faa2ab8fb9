"""Frozen limits of one chart: the revisions, what the readings say of the newest, and a form that freezes another."""

from typing import TYPE_CHECKING

import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table

if TYPE_CHECKING:
    from spc.board.frozen_limits import ShownRevision

__all__ = ["freeze"]


def freeze(page: Page, lap: str, sign: str, person: str) -> None:
    """Show the revisions and offer to freeze the newest readings as another."""
    st.html(cards.section("Frozen limits"))
    said = st.session_state.pop("lc_frozen", "")
    if said:
        st.html(cards.notice(said))
    shown = data.revisions(page.now, lap, sign)
    if not shown:
        st.html(cards.sentences([], empty="No limits are frozen for this chart."))
    else:
        newest = shown[-1]
        lines = [newest.need.sentence] if newest.need is not None else []
        lines += [f"Revision {one.record.revision}: {one.changed}." for one in shown if one.changed]
        st.html(cards.sentences(lines))
        show_table(_table(shown), key=f"revisions-{sign}")
    with st.expander("Freeze limits from the newest readings"), st.form(f"freeze-{lap}-{sign}"):
        last = st.number_input("How many of the newest readings", min_value=12, max_value=5_000, value=60, step=10)
        why = st.text_input("Why", placeholder="new slurry settled, lap reconditioned twice since")
        knowingly = st.checkbox("Freeze even if the analysis has doubts; they are kept with the revision")
        if st.form_submit_button("Freeze", type="primary"):
            _freeze(page, lap, sign, person, last=int(last), why=why, knowingly=knowingly)


def _freeze(page: Page, lap: str, sign: str, person: str, *, last: int, why: str, knowingly: bool) -> None:
    from spc.board.frozen_limits import freeze_limits

    if not person or not why.strip():
        st.error("Frozen limits are signed and explained: say who, and why.")
        return
    try:
        with data.open_store() as store:
            done = freeze_limits(
                store, page.site, lap=lap, sign=sign, who=person, why=why.strip(), last=last, knowingly=knowingly
            )
    except ValueError as error:
        st.error(str(error))
        return
    if done.status != "frozen":
        st.error(done.sentence)
        return
    st.session_state["lc_frozen"] = done.sentence
    st.rerun()


def _table(shown: "tuple[ShownRevision, ...]") -> pd.DataFrame:
    newest = shown[::-1]
    return pd.DataFrame(
        {
            "revision": [one.record.revision for one in newest],
            "judges from": [one.record.valid_from[:16].replace("T", " ") for one in newest],
            "frozen by": [one.record.who for one in newest],
            "why": [one.record.why for one in newest],
            "faces": [len(one.revision.model.face_ids) for one in newest],
            "law": [one.revision.model.norm.family for one in newest],
            "data": [one.record.fingerprint[:12] for one in newest],
            "same data today": ["yes" if one.same_data else "no" for one in newest],
        }
    )
