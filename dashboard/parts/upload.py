"""Take in a log: what was found in the file is shown, and can be changed, before anything is kept."""

from functools import partial
from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard import cards, data, log_data
from dashboard.column_choice import column_table, edited_map, map_text
from dashboard.parts import draft, said
from dashboard.parts.page import Page
from dashboard.parts.picture import show_table
from dashboard.parts.quarantine import waiting_table
from dashboard.parts.unit_question import asked_units
from dashboard.parts.watched import watched_folder_sentence
from dashboard.words import count, join_words, marks_kept
from spc.log.columns import ColumnMap, ColumnMapError, load_column_map
from spc.log.dialect import decode
from spc.log.intake import IntakeResult, ingest
from spc.log.lexicon import FIELDS
from spc.log.records import first_cells
from spc.log.rows import ParsedLog, read_log
from spc.measure.length import LAMPS, UNITS

__all__ = ["upload"]

_PLACE = "upload"
_FILES = "lc_upload_files"  # session key: by form and what it is, the file that is looked at, with its name
_COLUMNS = "lc_upload_columns"  # session key: by its key, the table of columns as found, as drawn first, and as edited
_MOST_SHOWN = 200
_FACES_SHOWN = 20
_CHOOSE = "Or say it here: in the table above, tap the cell under \u201cread as\u201d and choose what the column holds."
_ENCODINGS = ("", "utf-8", "cp1252", "utf-16")
_DATE_ORDERS = {"": "as found", "dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
_DECIMALS = {"": "as found", ".": "point", ",": "comma"}


def upload(page: Page, person: str) -> None:
    """Offer the upload, the preview and the button that takes the file in."""
    said.say(_PLACE)
    got = _file("A CSV log", ["csv", "txt", "tsv"], draft.name(_PLACE), most_mb=64)
    if got is None:
        seen_first = "Nothing is taken in before you have seen what was found in the file."
        st.html(cards.sentences([seen_first, watched_folder_sentence()]))
        return
    name, content = got
    form = draft.name(_PLACE, name)
    base = _file_choices(form)
    if base is None:
        return
    site, aliases = log_data.reading_site(page.now), data.aliases(page.now)
    first = read_log(content, name=name, settings=site, column_map=base, aliases=aliases)
    asking, answer = st.container(), st.container()  # what is asked and what the file holds stand above its columns
    parsed, plan = _columns(content, name, first, base, page, asking, form)
    if parsed is None:
        return
    if parsed.refused:
        st.html(cards.notice(f"{parsed.name} cannot be read: {parsed.refused}.", kind="stop"))
        if parsed.columns:
            st.html(cards.sentences([_CHOOSE]))
        return
    with answer:
        _summary(parsed)
        if not len(parsed.rows):
            st.html(cards.notice("There is no row under its header, so nothing to take in.", kind="look"))
        elif not person:
            st.html(cards.notice("Say first who signs this.", kind="look"))
        elif st.button(f"Take in {count(len(parsed.rows), 'row')}", type="primary", key="take-in"):
            with data.open_store() as store:
                result = ingest(store, content, name=name, settings=page.site, column_map=plan, who=person)
            _put_away()
            said.done(_PLACE, _taken(result))
            st.rerun()
    _details(parsed)


def _taken(result: IntakeResult) -> str:
    if result.refused:
        return f"Nothing was taken in: {result.error}"
    parts = [
        count(result.faces, "face"),
        *([count(result.repeats, "repeat reading")] if result.repeats else []),
        *([count(result.events, "event")] if result.events else []),
        *([f"{count(result.quarantined, 'row')} to settle"] if result.quarantined else []),
        *([f"{count(result.doubles, 'row')} known already"] if result.doubles else []),
    ]
    return f"Taken in from {result.name}: {join_words(parts)}. {count(result.rows, 'row').capitalize()} in all."


def _file(label: str, types: list[str], form: str, *, most_mb: int) -> tuple[str, bytes] | None:
    """Ask for a file; one that was given stays, with its name, while a person looks elsewhere."""
    key = f"{types[0]}-{form}"
    kept: dict[str, tuple[str, bytes]] = st.session_state.setdefault(_FILES, {})
    got = st.file_uploader(label, type=types, key=key, max_upload_size=most_mb, on_change=kept.pop, args=(key, None))
    if got is not None:
        kept[key] = (got.name, got.getvalue())
    elif key in kept:
        st.html(cards.notice(f"{kept[key][0]}, given before, is still here; nothing of it is taken in yet."))
        st.button("Put it away", key=f"away-{key}", on_click=kept.pop, args=(key, None))
    return kept.get(key)


def _put_away() -> None:
    """Forget the files and what was said of them: they are taken in."""
    for name in (_FILES, _COLUMNS):
        st.session_state.pop(name, None)


def _file_choices(form: str) -> ColumnMap | None:
    with st.expander("The file is read wrongly? Say how"):
        own = _file("A column map (TOML)", ["toml"], form, most_mb=1)
        kept = partial(draft.field, form)
        encoding = st.selectbox(
            "Letters (encoding)", _ENCODINGS, format_func=lambda word: word or "as found", **kept("encoding")
        )
        decimal = st.selectbox("Decimal mark", list(_DECIMALS), format_func=_DECIMALS.__getitem__, **kept("decimal"))
        order = st.selectbox("Dates are", list(_DATE_ORDERS), format_func=_DATE_ORDERS.__getitem__, **kept("order"))
    if own is None:
        return ColumnMap(encoding=encoding, decimal=decimal, date_order=order)
    try:
        return load_column_map(own[1].decode("utf-8-sig") + "\n")
    except (ColumnMapError, UnicodeDecodeError) as error:
        why = f"{own[0]}: {error}" if isinstance(error, ColumnMapError) else f"{own[0]} must be UTF-8 text."
        st.html(cards.notice(why, kind="refused"))
        return None


def _columns(
    content: bytes, name: str, first: ParsedLog, base: ColumnMap, page: Page, asking: DeltaGenerator, form: str
) -> tuple[ParsedLog | None, ColumnMap]:
    if first.dialect is None or not first.columns:
        return first, base
    text, _, _ = decode(content, encoding=base.encoding)
    found = column_table(first.columns, first_cells(text, first.dialect))
    if found.empty:
        return first, base
    with asking:
        asked = asked_units(found, first, form)
    st.html(cards.section("How each column is read"))
    key = f"columns-{form}-{'-'.join([*asked['unit'], *asked['lamp']])}"
    tables: dict[str, tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]] = st.session_state.setdefault(_COLUMNS, {})
    of, drawn, last = tables.get(key, (asked, asked, asked))
    if not of.equals(asked):
        drawn = asked
    elif key not in st.session_state:  # on the page again: it begins from what it held when that was left
        drawn = last
    edited = st.data_editor(
        drawn,
        key=key,
        disabled=["header", "holds"],
        placeholder="",
        column_config={
            "_index": st.column_config.NumberColumn("column", disabled=True),
            "holds": st.column_config.TextColumn("first cells", help="The first cells of the column that differ."),
            "read as": st.column_config.SelectboxColumn(options=["", *FIELDS], help="The field this column feeds."),
            "unit": st.column_config.SelectboxColumn(options=["", *UNITS]),
            "lamp": st.column_config.SelectboxColumn(options=["", *LAMPS]),
            "step": st.column_config.TextColumn(help="The step readings are written in, in that unit."),
        },
    )
    tables[key] = (asked, drawn, edited)
    try:
        plan = edited_map(found, edited, first.columns, base)
        if plan is base:
            return first, base
        site, aliases = log_data.reading_site(page.now), data.aliases(page.now)
        parsed = read_log(content, name=name, settings=site, column_map=plan, aliases=aliases)
    except ValueError as error:
        st.html(cards.notice(str(error), kind="refused"))
        return None, base
    st.download_button(
        "Keep this column map as a file", map_text(plan), file_name=f"{Path(name).stem}.map.toml", mime="text/plain"
    )
    return parsed, plan


def _summary(parsed: ParsedLog) -> None:
    found = parsed.counts
    st.html(cards.subject(_sentence(parsed, found), kicker="Nothing is taken in yet"))
    st.html(
        cards.facts(
            [("rows", f"{len(parsed.rows):,}"), ("faces", f"{found['face']:,}"), ("events", f"{found['event']:,}")]
            + [("would wait for a person", f"{found['quarantine']:,}"), ("blank", f"{found['blank']:,}")]
        )
    )


def _details(parsed: ParsedLog) -> None:
    found = parsed.dialect.evidence if parsed.dialect else ()
    lines = [*map(marks_kept, found), *parsed.remarks]  # the cells it shows, as they stand in the file
    st.html(cards.section("How the file is written") + cards.sentences(lines))
    waiting = parsed.rows[parsed.rows["outcome"] == "quarantine"]
    if len(waiting):
        st.html(cards.section("Rows that would wait for a person"))
        st.html(waiting_table(waiting.head(_MOST_SHOWN)))
    st.html(cards.section("First faces as understood"))
    faces = parsed.rows[parsed.rows["outcome"] == "face"].head(_FACES_SHOWN)
    show_table(_faces(faces), key="preview-faces")
    minded = faces.loc[faces["remarks"] != ""].groupby("remarks", sort=False)["row_number"]
    if len(minded):
        told = [(str(remark), join_words([str(row) for row in rows])) for remark, rows in minded]
        st.html(cards.table(("what was minded", "in row"), told))


def _sentence(parsed: ParsedLog, found: dict[str, int]) -> str:
    parts = [count(found["face"], "face"), count(found["event"], "event")]
    waits = f"; {count(found['quarantine'], 'row')} would wait for a person" if found["quarantine"] else ""
    return f"{parsed.name} holds {parts[0]} and {parts[1]}{waits}."


def _faces(faces: pd.DataFrame) -> pd.DataFrame:
    shown = {
        "row_number": "row",
        "time_text": "time",
        "lap": "lap",
        "operator": "operator",
        "grit": "grit",
        "minutes": "minutes",
        "flatness_text": "flatness as typed",
        "flatness_low_um": "from, µm",
        "flatness_high_um": "to, µm",
        "finish_text": "finish as typed",
    }
    return faces[list(shown)].rename(columns=shown).round(4)
