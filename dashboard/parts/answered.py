"""What has been answered before, newest first, each with the tap that takes it back: the signal is open again then."""

import time
from functools import partial

import pandas as pd
import streamlit as st

from dashboard import data
from dashboard.parts import said
from dashboard.parts.once import once
from dashboard.parts.page import Page
from dashboard.parts.pulse import tapped
from dashboard.parts.undo import UNSIGNED
from dashboard.words import html_text, moments, prose
from spc.board.reactions import take_back_answer
from spc.store.database import StoreError

__all__ = ["answered_before", "take_back"]

_SHOWN = 5  # answers shown at once
_OLDER = "lc_answered_older"  # session key: of each place, how many older ones were asked for
_TAKEN = "lc_taken_back_at"
_TOO_SOON_S = 1.0  # the list moves up under the hand: a second tap this soon was meant for the row that is gone
_TOO_SOON = "That tap came at once after the last one, and may not have been meant: nothing was taken back. Tap again."
_TIP = (
    "Takes the answer back, signed with your name. It stays on record, counts no more, and its signal is open again "
    "where it still stands."
)


def answered_before(page: Page, person: str, *, subject: str = "", but: tuple[int, ...] = ()) -> None:
    """Offer the answers in force, folded away until somebody asks for them.

    `subject` is the lap they are of, or the room; '' = all. `but` are the numbers of those that are shown elsewhere.
    """
    kept = data.answers(page.now, subject)
    kept = kept[~kept["reaction_id"].isin(but)]
    place = f"answered-before-{subject}"
    if len(kept):
        folded = st.expander("Answered before", key=place, on_change="rerun")
        if folded.open:
            with folded:
                _list(kept, page, person, place=place, subject=subject)
    said.say(place, person=person)


def take_back(numbers: tuple[int, ...], lap: str, person: str) -> str:
    """Take back answers given at once, all or none, and say so; a StoreError says why they cannot be."""
    with data.open_store() as store, store.writing(who=person, what=f"answer on {lap} taken back"):
        events = [take_back_answer(store, one, who=person, reason="taken back on the screen") for one in numbers]
    also = "".join(f" {lap} is no longer logged as {event}." for event in dict.fromkeys(filter(None, events)))
    told = f"Taken back on {lap}, signed {person}: its signal is open again where it still stands."
    return f"{told}{also} The answer stays on record."


def _list(kept: pd.DataFrame, page: Page, person: str, *, place: str, subject: str) -> None:
    shown = _SHOWN * (1 + st.session_state.get(_OLDER, {}).get(place, 0))
    when = moments(kept["at"], page.site.time_zone or "UTC")
    for row, at in zip(kept.iloc[:shown].to_dict("records"), when, strict=False):
        of = f"{row['sign'][:1].upper()}{row['sign'][1:]}" if subject else f"{row['lap']}, {row['sign']}"
        did = "" if row["action"] == "none" else f"; {row['action']}"
        told = f"{of}: {row['cause']}{did}. Signed {row['who']}, {at}."
        number = int(row["reaction_id"])
        with st.container(key=f"answered-{number}"):
            st.html(f'<p>{prose(told)}<br><span class="lc-quiet">{html_text(row["sentence"])}</span></p>')
            tap = partial(_tap, number, str(row["lap"]), place=place, person=person, page=page)
            st.button("Take back", key=f"take-back-{number}", help=_TIP, on_click=once(tap))
    if len(kept) > shown:
        st.button("Show older", key=f"older-{place}", on_click=once(partial(_show_older, place)))


def _show_older(place: str) -> None:
    asked = st.session_state.setdefault(_OLDER, {})
    asked[place] = asked.get(place, 0) + 1


def _tap(number: int, lap: str, *, place: str, person: str, page: Page) -> None:
    said.sent(place)
    if not person:
        said.refuse(place, UNSIGNED, person=person)
        return
    if time.monotonic() - st.session_state.get(_TAKEN, -_TOO_SOON_S) < _TOO_SOON_S:
        said.refuse(place, _TOO_SOON, person=person)
        return
    try:
        said.done(place, take_back((number,), lap, person))
    except StoreError as error:
        said.refuse(place, str(error), person=person)
        return
    st.session_state[_TAKEN] = time.monotonic()
    tapped(page.now)
