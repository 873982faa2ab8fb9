"""Rows that wait: each with its reason, put right, given an alias or its lap, or discarded; always signed."""

import csv
import io
import re
from dataclasses import dataclass
from typing import Any, NoReturn

import pandas as pd
import streamlit as st

from dashboard import cards, data, log_data
from dashboard.parts import draft, said
from dashboard.parts.once import once
from dashboard.parts.page import Page, speak_as
from dashboard.words import count, html_text, markdown_text, marks_kept, number_of
from spc.log.rereading import Retried, add_lap, approve_alias, fix_quarantined

__all__ = ["quarantine", "waiting_table"]

_MOST_LISTED = 100  # rows: each is settled one at a time above, and the next ones move up

_PLACE = "lc_quarantine_place"
_SHOWN = "lc_quarantine_shown"
_SETTLED = "settled"
_PLACED = re.compile(r"^row \d+: ")
_QUOTED = re.compile(r"'[^']*'")


@dataclass(frozen=True, slots=True)
class _Shown:
    """The row on the screen."""

    number: int
    words: str


def quarantine(page: Page, person: str) -> None:
    """Show the waiting rows and settle them one at a time."""
    rows = data.waiting(page.now)
    _keep_to_row(rows)
    said.say(_SETTLED)
    if rows.empty:
        st.html(cards.sentences([], empty="No row waits for a person."))
        return
    row = rows.iloc[_place(len(rows))]
    st.session_state[_SHOWN] = _Shown(int(row["quarantine_id"]), f"row {row['row_number']:,} of {row['name']}")
    kicker = f"Row {row['row_number']:,} of {row['name']}, as delivered below"
    raw = f'<pre class="lc-raw">{html_text(row["raw"])}</pre>'
    st.html(cards.subject(f"{_reason(row['reasons'])}.", kicker=kicker) + raw)
    cut = _cut(log_data.reading_of(page.now.store, int(row["intake_id"])), str(row["raw"]))
    number = int(row["quarantine_id"])
    with st.container(key="settle"):
        _alias(page, str(row["lap"]), person)
        _add(page, str(row["lap"]), person)
        _fix(page, number, str(row["raw"]), cut, person)
        _discard(number, person)
    if len(rows) == 1:
        return
    with st.expander(f"All {count(len(rows), 'waiting row')}"):
        if len(rows) > _MOST_LISTED:
            st.html(cards.sentences([f"The first {number_of(_MOST_LISTED)} of them:"]))
        st.html(waiting_table(rows.head(_MOST_LISTED)))


def waiting_table(rows: pd.DataFrame) -> str:
    """Return rows that wait as a table: where each stands, why it waits in full, and what was delivered."""
    heads = {"name": "file", "row_number": "row", "reasons": "reasons", "raw": "as delivered"}
    names = [name for name in heads if name in rows]
    told = rows[names].assign(reasons=[_reason(text) for text in rows["reasons"]]).astype(str)
    return cards.table(
        tuple(heads[name] for name in names),
        list(told.itertuples(index=False, name=None)),
        as_delivered=(names.index("raw"),),
    )


def _reason(text: object) -> str:
    """Return why a row waits: without the number of the row, which stands beside it; what it quotes stays as typed."""
    reason = _QUOTED.sub(lambda found: marks_kept(found[0]), _PLACED.sub("", str(text)))
    return reason[:1].upper() + reason[1:]


@dataclass(frozen=True, slots=True)
class _Cut:
    """A row as delivered, cut into its cells."""

    heads: tuple[str, ...]
    cells: tuple[str, ...]
    separator: str
    quote: str

    def joined(self, cells: tuple[str, ...], raw: str) -> str:
        """Return the row with other cells; as delivered where nothing was changed."""
        if cells == self.cells:
            return raw
        text = io.StringIO()
        csv.writer(text, delimiter=self.separator, quotechar=self.quote, lineterminator="").writerow(cells)
        return text.getvalue()


def _cut(notes: dict[str, Any], raw: str) -> _Cut | None:
    """Cut a row as delivered into cells, each under its heading; None where it cannot be."""
    if not notes.get("columns") or "\n" in raw or len(notes["separator"]) != 1:
        return None
    separator, quote = str(notes["separator"]), str(notes["quote"] or '"')
    cells = next(csv.reader([raw], delimiter=separator, quotechar=quote), [])
    heads = {
        place: notes["headers"].get(name) or name.replace("_", " ")
        for name, column in notes["columns"].items()
        for place in column["positions"]
    }
    named = tuple(str(heads.get(at, f"column {at}, not read")) for at in range(1, len(cells) + 1))
    return _Cut(named, tuple(cells), separator, quote)


def _keep_to_row(rows: pd.DataFrame) -> None:
    """Stay on the row a person works at while others settle rows before it; say so when it was this one."""
    shown: _Shown | None = st.session_state.get(_SHOWN)
    if shown is None:
        return
    waiting = rows["quarantine_id"].tolist()
    if shown.number in waiting:
        st.session_state[_PLACE] = waiting.index(shown.number) + 1
    else:
        st.session_state.pop(_SHOWN)
        said.done(_SETTLED, f"Somebody else has settled {shown.words} meanwhile.")


def _place(rows: int) -> int:
    """Which row is on the screen; settling one shows the next."""
    if rows == 1:
        return 0
    if st.session_state.get(_PLACE, 1) > rows:
        st.session_state[_PLACE] = rows
    with st.container(key="quarantine-place", horizontal=True, vertical_alignment="bottom"):
        number = st.number_input(
            f"Row to settle, 1 to {number_of(rows)}", min_value=1, max_value=rows, step=1, width=260, key=_PLACE,
            on_change=_leave,
        )  # fmt: skip
        st.button("Row before", shortcut="Alt+B", on_click=once(_step), args=(-1, rows))
        st.button("Next row", shortcut="Alt+N", on_click=once(_step), args=(1, rows))
    return int(number) - 1


def _leave() -> None:
    """Leave the row that was on the screen."""
    said.sent(_SETTLED)
    st.session_state.pop(_SHOWN, None)


def _step(by: int, rows: int) -> None:
    _leave()
    st.session_state[_PLACE] = (int(st.session_state.get(_PLACE, 1)) - 1 + by) % rows + 1


@st.fragment
def _fix(page: Page, number: int, raw: str, cut: _Cut | None, person: str) -> None:
    """Offer to put a row right, a field for each cell where it can be cut up."""
    speak_as(page)
    place = f"fix-{number}"
    form = draft.name(place)
    with st.container(key=place, border=True):
        if cut is None:
            text = st.text_area("Put it right", value=raw, height=68, **draft.field(form, "row"))
        else:
            with st.container(key=f"cells-{number}", horizontal=True):
                cells = tuple(
                    st.text_input(markdown_text(head), value=cell, width=190, **draft.typed(form, f"cell-{at}"))
                    for at, (head, cell) in enumerate(zip(cut.heads, cut.cells, strict=True))
                )
            text = cut.joined(cells, raw)
        reason = st.text_input("How you know", placeholder="asked the operator", **draft.typed(form, "reason"))
        if st.button("Take in as put right", key=f"send-{form}", type="primary") and _signed(place, person, reason):
            try:
                with data.open_store() as store:
                    fix_quarantined(store, number, text, settings=page.site, who=person, reason=reason)
            except ValueError as error:
                said.refuse(place, f"{_reason(error)}.", person=person)
            else:
                _done(" is taken in as put right.")
        said.say(place, person=person)
        draft.offer_to_clear(form, place)


@st.fragment
def _alias(page: Page, typed: str, person: str) -> None:
    speak_as(page)
    names = data.lap_names(page.now)
    if not typed or typed in names or not names:
        return
    place = f"alias-{typed}"
    form = draft.name(place)
    with st.container(key=place, border=True):
        lap = st.selectbox(
            f"\u201c{typed}\u201d is another way of writing", names, index=None, placeholder="Choose the lap",
            **draft.field(form, "lap"),
        )  # fmt: skip
        why = st.text_input("Why it is the same lap", placeholder="may be left empty", **draft.typed(form, "why"))
        if st.button("Approve the alias", key=f"send-{form}"):
            said.sent(place)
            if lap is None or not person:
                said.refuse(place, "Choose the lap, and say who approves.", person=person)
            else:
                _approve(page, typed, lap, why.strip(), place=place, person=person)
        said.say(place, person=person)
        draft.offer_to_clear(form, place)


def _approve(page: Page, typed: str, lap: str, why: str, *, place: str, person: str) -> None:
    try:
        with data.open_store() as store:
            done = approve_alias(store, typed, lap, settings=page.site, who=person, why=why)
            lap = store.aliases()[typed]
    except ValueError as error:
        said.refuse(place, str(error), person=person)
        return
    _done(f"{typed} is read as {lap} from now on; {_freed(done)}.")


@st.fragment
def _add(page: Page, lap: str, person: str) -> None:
    """Offer to add a lap that the site's list does not hold."""
    speak_as(page)
    known = {one.name for one in log_data.reading_site(page.now).laps}
    if not lap or not known or lap in known:
        return
    place = f"add-{lap}"
    form = draft.name(place)
    with st.container(key=place, border=True):
        material = st.text_input(
            f"\u201c{lap}\u201d is a lap of its own, made of", placeholder="may be left empty",
            **draft.typed(form, "material"),
        )  # fmt: skip
        if st.button("Add the lap", key=f"send-{form}"):
            said.sent(place)
            if not person:
                said.refuse(place, "Say first who signs this.", person=person)
            else:
                with data.open_store() as store:
                    done = add_lap(store, lap, settings=page.site, who=person, material=material.strip())
                _done(f"{lap} is known from now on; {_freed(done)}.")
        said.say(place, person=person)
        draft.offer_to_clear(form, place)


def _freed(done: Retried) -> str:
    """Say what became of the rows that waited for a name."""
    waiting = f", {count(done.still_waiting, 'row')} still to settle for another reason" if done.still_waiting else ""
    moved = f", {count(done.moved, 'face')} typed under it corrected" if done.moved else ""
    return f"{count(done.settled, 'row')} settled{waiting}{moved}"


@st.fragment
def _discard(number: int, person: str) -> None:
    place = f"discard-{number}"
    form = draft.name(place)
    with st.container(key=place, border=True):
        reason = st.text_input(
            "Why it is not to be taken in", placeholder="test row, no face was lapped", **draft.typed(form, "reason")
        )
        if st.button("Discard this row", key=f"send-{form}") and _signed(place, person, reason):
            try:
                with data.open_store() as store:
                    store.discard_quarantined(number, who=person, reason=reason)
            except ValueError as error:  # a store's refusal is one too
                said.refuse(place, f"{_reason(error)}.", person=person)
            else:
                _done(" is discarded; it and the reason are kept.")
        said.say(place, person=person)
        draft.offer_to_clear(form, place)


def _signed(place: str, person: str, reason: str) -> bool:
    said.sent(place)
    if person and reason.strip():
        return True
    said.refuse(place, "Say who settles it, and why.", person=person)
    return False


def _done(sentence: str) -> NoReturn:
    """Say what came of a tap; of one row, as the end of a sentence: the page shows the next row by then."""
    shown: _Shown | None = st.session_state.pop(_SHOWN, None)
    words = shown.words if shown is not None else "the row"
    said.done(_SETTLED, f"{words[:1].upper()}{words[1:]}{sentence}" if sentence.startswith(" ") else sentence)
    st.rerun()
