"""A past day played again: the same faces under the limits valid then give the same signals, sealed."""

from datetime import timedelta

import pandas as pd
import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.words import clock_words, day_format
from spc.chart.stream import SIGNS

__all__ = ["replay_section"]


def replay_section(page: Page, lap: str) -> None:
    """Ask for a day, then show its signals and the seal over them."""
    view = proof_data.whole_log(page.now)
    with st.container(key="replay-choice", horizontal=True):
        day = st.date_input(
            "Day", value=view.now.date() - timedelta(days=1), format=day_format(), key="replay-day", width=220
        )
        own = st.segmented_control(
            "Whose charts", ["this lap", "all laps"], default="this lap", required=True, key="replay-laps"
        )
    if day is None:
        return
    played = proof_data.played_day(page.now, day.isoformat(), lap if own == "this lap" else "", "")
    st.html(cards.subject(f"{played.sentence.rstrip('.')}.", kicker="Judged by the limits frozen at the time"))
    if played.signals:
        table = pd.DataFrame(
            [
                (clock_words(one.time_text), one.lap, SIGNS[one.sign].words, one.rule, one.face_id, one.since_face_id,
                 one.revision)
                for one in played.signals
            ],
            columns=["when", "lap", "sign", "what was said", "face", "begun about face", "limits revision"],
        )  # fmt: skip
        show_table(table, key="replayed")
    if played.faces:
        st.html(
            cards.sentences(
                [
                    f"Seal of these signals: {played.digest}.",
                    "The same seal on another day or computer means the same signals, to the last one. The log counts "
                    "as it stood when the day was over, or when the limits were frozen if that came after: faces "
                    "logged, corrected or taken back since do not change it.",
                ]
            )
        )
