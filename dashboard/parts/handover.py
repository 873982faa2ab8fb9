"""The page that one shift leaves to the next, from the shift view: to read, to print, to send on."""

from collections.abc import Callable

import streamlit as st

from dashboard import cards, data
from dashboard.parts.page import Page
from spc.board.results import ShiftReport
from spc.commands.files import file_name
from spc.report.render import FORMATS, MIME_TYPES, PAPERS

__all__ = ["handover"]

_FORMS = {"pdf": "PDF to print", "html": "HTML to read"}


def handover(page: Page, report: ShiftReport, person: str) -> None:
    """Offer the page in which the shift is handed over, as the screen says it now; `person` '' = nobody named."""
    st.html(cards.section("Hand over this shift"))
    with st.container(key="handover", horizontal=True, vertical_alignment="bottom"):
        paper = st.selectbox("Paper of the PDF", list(PAPERS), key="handover-paper", width=200)
        for form in _FORMS:
            st.download_button(
                _FORMS[form], _writer(page, report, person, form, str(paper)),
                file_name=f"{file_name(f'handover {report.named_shift}'.strip())}.{form}", mime=MIME_TYPES[form],
                key=f"handover-{form}", on_click="ignore", help=FORMATS[form],
            )  # fmt: skip


def _writer(page: Page, report: ShiftReport, person: str, form: str, paper: str) -> Callable[[], bytes]:
    """Return a function that writes the page; nothing is written, or loaded for it, before somebody asks."""

    def write() -> bytes:
        from spc.board.cell_view import site_now
        from spc.report.handover_content import handover_of
        from spc.report.made import Made, software_version
        from spc.report.render import render

        site = page.site
        made = Made(
            at=site_now(site), by=person, site=site.site_name, software=software_version(), locale=page.numbers
        )  # fmt: skip
        with data.open_store() as store:
            return render(handover_of(store, report, made), form, paper=paper)

    return write
