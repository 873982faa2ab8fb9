"""A planned gauge study from a file: columns chosen on the screen, every row that cannot be used told."""

import math

import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page
from dashboard.words import count
from spc.board.gauge_study import GaugeReport
from spc.log.gauge_table import GaugeColumns
from spc.measure.length import LAMPS, UNITS

__all__ = ["planned_study"]

_FOUND = "as found"
_MOST_PROBLEMS = 20


def planned_study(page: Page, what: str, *, flat_error_um: float, temperature_um: float) -> GaugeReport | None:
    """Ask for the file and its columns; None where there is no file yet, or after the sentence why it is not read."""
    got = st.file_uploader("A planned study (CSV): one row per reading", type=["csv", "txt", "tsv"], key="gauge-file")
    if got is None:
        asked = "Columns for the face, the reader and the reading; a day or round may stand beside them."
        st.html(cards.sentences([], empty=f"{asked} Nothing of the file is kept."))
        return None
    content = got.getvalue()
    try:
        heads = proof_data.gauge_heads(content)
        columns, limit_um = _columns(heads, got.name)
        report, table = proof_data.planned_gauge(
            page.now, content, f"planned study {got.name}", columns, what, limit_um, flat_error_um, temperature_um
        )
    except ValueError as error:
        st.html(cards.notice(f"{got.name}: {error}", kind="refused"))
        return None
    told = [f"{count(table.of_rows, 'row')}: {len(table.rows)} read, {len(table.problems)} not usable."]
    if table.not_read:
        told.append(f"{count(len(table.not_read), 'row')} without a reading.")
    told += [f"{remark[:1].upper()}{remark[1:]}." for remark in table.remarks]
    st.html(cards.sentences(told))
    if table.problems:
        rows = [(str(number), text, why) for number, text, why in table.problems[:_MOST_PROBLEMS]]
        st.html(cards.table(("row", "as in the file", "why it is not used"), rows, numbers=(0,)))
    return report


def _columns(heads: list[str], name: str) -> tuple[GaugeColumns, float]:
    """Ask how the file is to be read, where it does not say so itself, and which limit it serves."""
    with st.container(key="gauge-columns", horizontal=True):
        face = st.multiselect("Column of the face", heads, placeholder=_FOUND, key=f"gauge-face-{name}", width=240)
        picked = {
            role: st.selectbox(words, [_FOUND, *heads], key=f"gauge-{role}-{name}", width=210)
            for role, words in (
                ("reader", "Column of the reader"), ("reading", "Column of the reading"), ("run", "Column of the day")
            )
        }  # fmt: skip
    with st.container(key="gauge-units", horizontal=True):
        unit = st.selectbox("Unit of bare numbers", [_FOUND, *UNITS, "plain"], key=f"gauge-unit-{name}", width=210)
        lamp = st.selectbox("Lamp of light bands", [_FOUND, *LAMPS], key=f"gauge-lamp-{name}", width=210)
        step = number_field(
            "Step of the readings, in their unit", placeholder=_FOUND, width=280, key=f"gauge-step-{name}"
        )
        limit = number_field(
            "Limit it serves, µm (or the table's unit)", placeholder="none", width=320, key=f"gauge-limit-{name}"
        )
    said = {role: "" if name == _FOUND else str(name) for role, name in picked.items()}
    columns = GaugeColumns(
        face=tuple(face), unit="" if unit == _FOUND else str(unit), lamp="" if lamp == _FOUND else str(lamp),
        step=None if unread(step) else step or None, **said,
    )  # fmt: skip
    return columns, limit or math.nan
