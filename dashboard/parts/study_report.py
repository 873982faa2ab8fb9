"""A study written out: one report in the format, unit and language asked for, or many part numbers in one bundle."""

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace

import streamlit as st

from dashboard import cards, proof_data
from dashboard.parts.page import Page
from dashboard.parts.study_choice import plan_text
from dashboard.words import count, markdown_text
from spc.board.study import Study
from spc.board.study_plan import CHARACTERISTICS, StudyPlan
from spc.commands.files import file_name
from spc.report.made import Made, software_version
from spc.report.render import FORMATS, MIME_TYPES, render

__all__ = ["batch", "downloads", "made_now"]

_LANGUAGES = {"en": "1,234.5 (English)", "de": "1.234,5 (German)", "fr": "1\u202f234,5 (French)"}
_MOST_REPORTS = 200
_BUNDLE = "lc_bundle"


@dataclass(frozen=True, slots=True)
class _Look:
    language: str
    paper: str


def downloads(page: Page, study: Study, made: Made, *, key: str) -> None:
    """Offer a study in every format; the unit is that of the screen."""
    st.html(cards.section("Write it out"))
    look = _look(page, key)
    stem = f"{made.study} {made.version}" if made.study else f"{study.plan.part} {study.plan.characteristic}"
    with st.container(key=f"downloads-{key}", horizontal=True):
        for form in FORMATS:
            st.download_button(
                form.upper(), _writer(study, made, form, look, page), file_name=f"{file_name(stem)}.{form}",
                mime=MIME_TYPES[form], key=f"download-{key}-{form}", on_click="ignore", help=FORMATS[form],
            )  # fmt: skip


def batch(page: Page, plan: StudyPlan, person: str) -> None:
    """Write reports of several part numbers into one bundle."""
    parts = proof_data.all_parts(page.now)
    with st.expander("Several part numbers at once"):
        chosen = st.multiselect("Part numbers", parts, key="batch-parts")
        what = st.multiselect("What was read", CHARACTERISTICS, default=["flatness"], key="batch-what")
        forms = st.multiselect("Formats", list(FORMATS), default=["pdf"], format_func=str.upper, key="batch-forms")
        look = _look(page, "batch")
        plans = [replace(plan, part=part, characteristic=one, excluded={}, limit_um=None)
                 for part in chosen for one in what]  # fmt: skip
        many = len(plans) * len(forms)
        st.html(cards.sentences(["The laps, days and readings are those chosen above."]))
        if many > _MOST_REPORTS:
            st.html(
                cards.notice(
                    f"At most {_MOST_REPORTS} reports fit one bundle, this would be {many:,}: choose fewer.",
                    kind="refused",
                )
            )
        elif many and st.button(f"Write {count(many, 'report')}", type="primary"):
            st.session_state[_BUNDLE] = _bundle(page, plans, forms, look, person)
        if _BUNDLE in st.session_state:
            st.download_button(
                "Keep the bundle (ZIP)", st.session_state[_BUNDLE], file_name="lapcell reports.zip",
                mime="application/zip", on_click="ignore",
            )  # fmt: skip


def made_now(page: Page, person: str) -> Made:
    """Return the circumstances of a report asked for now; the unit is that of the screen."""
    view = proof_data.whole_log(page.now)
    return Made(at=view.now, by=person, site=page.site.site_name, software=software_version())


def _look(page: Page, key: str) -> _Look:
    with st.container(key=f"look-{key}", horizontal=True):
        language = st.selectbox(
            "Numbers written as",
            list(_LANGUAGES),
            index=list(_LANGUAGES).index(page.numbers.name),
            format_func=_LANGUAGES.__getitem__,
            key=f"language-{key}",
            width=230,
        )
        paper = st.selectbox("Paper of the PDF", ("A4", "Letter"), key=f"paper-{key}", width=200)
    return _Look(str(language), str(paper))


def _bundle(page: Page, plans: list[StudyPlan], forms: list[str], look: _Look, person: str) -> bytes:
    made = made_now(page, person)
    bundle = io.BytesIO()
    bar = st.progress(0.0, "Writing the reports")
    with zipfile.ZipFile(bundle, "w", zipfile.ZIP_DEFLATED) as files:
        for at, plan in enumerate(plans):
            bar.progress(at / len(plans), f"Writing {markdown_text(plan.part)}, {plan.characteristic}")
            study = proof_data.study_of(page.now, plan_text(plan))
            for form in forms:
                name = f"{at + 1:03d} {file_name(f'{plan.part} {plan.characteristic}')}.{form}"
                files.writestr(name, _writer(study, made, form, look, page)())
    bar.empty()
    return bundle.getvalue()


def _writer(study: Study, made: Made, form: str, look: _Look, page: Page) -> Callable[[], bytes]:
    """Return a function that writes the report; nothing is written before somebody asks for the file."""

    def write() -> bytes:
        from spc.report.locale import locale_named
        from spc.report.study_content import study_content
        from spc.report.units import report_unit

        bands = page.unit.key.startswith("band-")
        unit = (
            report_unit("bands", lamp_name=page.unit.key.removeprefix("band-").replace("-", " "))
            if bands
            else report_unit(page.unit.key)
        )
        content = study_content(study, replace(made, unit=unit, locale=locale_named(look.language)))
        return render(content, form, paper=look.paper)

    return write
