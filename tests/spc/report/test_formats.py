import csv
import io
import json
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser

import openpyxl
import pypdf
import pytest

from spc.report.content import shown
from spc.report.made import Made
from spc.report.render import FORMATS, render
from spc.report.study_content import study_content
from spc.report.units import report_unit
from tests.spc.report.invented_study import NASTY, study_of


class Tags(HTMLParser):
    """Collects the tags, attributes and text of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.text = set(), set(), []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.text.append(data)


def pdf_text(data):
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)


@pytest.mark.parametrize("form", list(FORMATS))
def test_the_same_content_gives_the_same_bytes(content, study, made, form):
    assert render(content, form) == render(study_content(study, made), form)


def test_every_report_carries_what_an_auditor_asks_for(content, study):
    page = "".join(Tags(render(content, "html").decode()).text)
    for words in (
        study.fingerprint, "register of limits, revision 1", "trial limits", "lapcell test", "Q. Reed",
        "2026-04-01 08:30",
        "computed after the published quantile method", "no conformity with the standard is claimed", "Decision rule:",
        "Cure", "micrometres", "How to compute this again", "SHA-256", "Bissell",
    ):  # fmt: skip
        assert words in page, words
    assert "counter(page)" in render(content, "html").decode()
    assert "conforming" not in page.replace("never as conforming", "")


def test_the_index_can_be_computed_again_from_the_json_alone(content, study):
    """An auditor's route: the list and the parameters of the report, nothing else of this software."""
    import hashlib
    import re

    from scipy import stats

    document = json.loads(render(content, "json"))
    blocks = [b for section in document["appendix"] for b in section["blocks"]]
    readings = next(b for b in blocks if b.get("name") == "readings")
    at = {column["head"]: k for k, column in enumerate(readings["columns"])}
    rows = [(r[at["Face"]], r[at["From"]], r[at["To"]]) for r in readings["rows"]]
    digest = hashlib.sha256("".join(f"{i}|{a.hex()}|{b.hex()}\n" for i, a, b in rows).encode()).hexdigest()
    assert digest == document["fingerprint"] == study.fingerprint
    steps = " ".join(next(b for b in blocks if b["block"] == "bullets")["items"])
    numbers = {name: float(v) for name, v in re.findall(r"(\w+) = ([0-9.e+-]+[0-9])", steps)}
    laws = {
        "lognormal": lambda n: stats.lognorm(s=n["log_sd"], scale=n["median_um"]),
        "gamma": lambda n: stats.gamma(n["shape"], scale=n["scale_um"]),
        "Weibull": lambda n: stats.weibull_min(n["shape"], scale=n["scale_um"]),
        "folded normal": lambda n: stats.foldnorm(n["mean_um"] / n["sd_um"], scale=n["sd_um"]),
    }
    law = laws[study.index.family](numbers)
    index = (1.2 - law.median()) / (law.isf(0.00135) - law.median())
    assert index == pytest.approx(study.index.index, rel=1e-6)
    printed = float(re.search(r"limit = 1.2 um: ([0-9.]+[0-9])", steps)[1])
    assert printed == pytest.approx(index, rel=1e-6)


def test_the_workbook_holds_the_numbers_of_the_report(content):
    book = openpyxl.load_workbook(io.BytesIO(render(content, "xlsx")))
    for table in content.tables():
        sheet = book[table.name]
        for row, cells in zip(sheet.iter_rows(min_row=4, values_only=True), table.rows, strict=False):
            for found, cell, column in zip(row, cells, table.columns, strict=False):
                if isinstance(cell, (int, float)) and cell == cell and abs(cell) != float("inf"):
                    assert found == pytest.approx(cell, rel=1e-12) or (
                        column.kind == "ppm" and found == pytest.approx(cell, rel=0.05, abs=0.5)
                    )
    assert len(book["law figure"]._charts) == 1
    assert "over ages 0 to" in book["ages figure"]["A2"].value and "faces. Flatness " in book["ages figure"]["A2"].value
    told = [cell for row in book["report"].iter_rows(values_only=True) for cell in row if cell]
    for block in (*content.tables(), *content.figures()):
        sheet = next(text for text in told if text.startswith(f"{block.title}: see the sheet")).split("'")[1]
        assert book[sheet]["A1"].value == block.title
    assert {section.title for section in (*content.sections, *content.appendix)} <= set(told)
    assert not [c for s in book for row in s.iter_rows() for c in row if c.data_type == "f"]


def test_a_reading_in_the_workbook_is_a_bar_as_long_as_what_it_says(content):
    book = openpyxl.load_workbook(io.BytesIO(render(content, "xlsx")))
    figure = next(figure for figure in content.figures() if figure.name == "ages")
    series = figure.series[0]
    rows = list(book["ages figure"].iter_rows(min_row=4, max_col=3, values_only=True))
    assert rows[0][2] == f"readings: half its length, {figure.y_label}"
    ends = [(middle - half, middle + half) for _, middle, half in rows[1 : len(series.x) + 1]]
    assert ends == [pytest.approx(pair) for pair in zip(series.y, series.y2, strict=True)]
    bars = book["ages figure"]._charts[0].series[0].errBars
    assert bars.errDir == "y" and bars.plus.numRef.f == bars.minus.numRef.f == f"'ages figure'!$C$5:$C${len(ends) + 4}"


def test_what_is_too_small_for_digits_is_shown_alike_in_every_format(content):
    from spc.report.content import Column, Section, Table
    from spc.report.xlsx import write_xlsx

    columns = (Column("share", "percent", 3, "%"), Column("over", "ppm", unit="ppm"))
    table = Table("small", "Small", columns, ((1e-9, 0.4), (0.0, 0.0), (2.5, 12_345.6)))
    sheet = openpyxl.load_workbook(
        io.BytesIO(write_xlsx(replace(content, sections=(Section("S", (table,)),), appendix=())))
    )["small"]
    share, over = (column[3] for column in sheet.iter_cols())
    assert sheet["B6"].value == 12_000 and shown(12_345.6, columns[1], content.locale) == "12,000"
    assert (share.value, over.value) == (1e-9, 0.4)  # live numbers still
    for cell, column in ((share, columns[0]), (over, columns[1])):
        words = shown(cell.value, column, content.locale)
        assert f'"{words}"' in cell.number_format and cell.number_format.startswith("[=0]0;")


@pytest.mark.parametrize(
    ("value", "pattern"), [(0.248214562, "0.0000"), (12.3456, "0.00"), (123_456.7, "0"), (0.0, "0.0000")]
)
def test_a_significant_number_shows_its_digits_in_the_workbook(content, value, pattern):
    from spc.report.content import Column, Section, Table
    from spc.report.xlsx import write_xlsx

    table = Table("one", "One", (Column("value", "significant", 4),), ((value,),))
    alone = replace(content, sections=(Section("S", (table,)),), appendix=())
    cell = openpyxl.load_workbook(io.BytesIO(write_xlsx(alone)))["one"]["A4"]
    assert (cell.value, cell.number_format) == (value, pattern)


def test_the_pdf_holds_the_words_numbers_and_page_numbers(content, study):
    reader = pypdf.PdfReader(io.BytesIO(render(content, "pdf")))
    text = " ".join(page.extract_text() for page in reader.pages)
    assert study.fingerprint[:16] in text and f"page {len(reader.pages)} of {len(reader.pages)}" in text
    for table in content.tables():
        assert table.title in text
    assert f"{study.data['low_um'].iloc[0]:.5f}" in text
    assert reader.metadata.title == content.title
    assert {round(float(page.mediabox.width)) for page in reader.pages} == {595}
    letter = pypdf.PdfReader(io.BytesIO(render(content, "pdf", paper="Letter")))
    assert float(letter.pages[0].mediabox.width) == pytest.approx(612, abs=0.1)


def test_a_picture_says_how_many_of_the_readings_it_draws(study, made, monkeypatch):
    monkeypatch.setattr("spc.report.study_figures._MOST_INTERVALS", 60)
    figure = next(figure for figure in study_content(study, made).figures() if figure.name == "ages")
    apart = round(len(study.data) / len(figure.series[0].x))
    assert apart > 1 and f"One reading in {apart} is drawn." in figure.caption


def test_csv_is_one_value_a_line(content):
    lines = list(csv.DictReader(io.StringIO(render(content, "csv").decode("utf-8-sig"))))
    indices = [r for r in lines if r["name"] == "answer" and r["column"] == "Index" and r["value"]]
    assert float(indices[0]["value"]) == content.tables()[0].rows[0][1]
    assert {r["kind"] for r in lines} == {"fact", "table", "figure"}


def test_a_figure_that_the_readings_do_not_carry_is_an_empty_value(content):
    from math import nan

    from spc.report.content import Column, Section, Table

    table = Table("t", "T", (Column("Index", "number"), Column("Beyond", "number")), ((nan, float("inf")),))
    report = replace(content, sections=(Section("S", (table,)),), appendix=())
    lines = list(csv.DictReader(io.StringIO(render(report, "csv").decode("utf-8-sig"))))
    assert [row["value"] for row in lines if row["kind"] == "table"] == ["", "inf"]


@pytest.fixture(scope="module", params=list(NASTY))
def nasty(request, tmp_path_factory):
    name = NASTY[request.param]
    folder = tmp_path_factory.mktemp("nasty")
    study = study_of(folder / "cell.db", part=name, laps=(name[:100],), cycles=2, faces=15)
    made = Made(at=datetime(2026, 4, 1), by=name[:200], site=name[:200], study=name, version=1)
    return name, study_content(study, made)


def test_a_name_is_text_and_nothing_else(nasty, content):
    name, report = nasty
    page = render(report, "html").decode("utf-8")
    harmless, found = Tags(render(content, "html").decode()), Tags(page)
    assert found.tags <= harmless.tags and found.attributes <= harmless.attributes
    assert "script" not in found.tags and not {a for a in found.attributes if a.startswith("on")}
    assert "\u202e" not in page
    book = openpyxl.load_workbook(io.BytesIO(render(report, "xlsx")))
    cells = [c for s in book for row in s.iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f" or c.hyperlink]
    assert any(isinstance(c.value, str) and name[:1] == c.value[:1] and name[:60] in c.value for c in cells)
    reader = pypdf.PdfReader(io.BytesIO(render(report, "pdf")))
    assert not [p for p in reader.pages if "/Annots" in p] and "/JavaScript" not in str(reader.trailer["/Root"])
    assert "page 1 of" in reader.pages[0].extract_text()
    assert json.loads(render(report, "json"))["title"] == report.title
    for row in csv.reader(io.StringIO(render(report, "csv").decode("utf-8-sig"))):
        assert not row[-1].startswith(("=", "+", "@")), row


def test_what_the_pdf_cannot_draw_is_said(tmp_path, made):
    part = NASTY["emoji"]
    text = pdf_text(render(study_content(study_of(tmp_path / "c.db", part=part, cycles=1, laps=("L",)), made), "pdf"))
    assert "no shape in the font of this file" in text
    part = NASTY["right to left"]
    text = pdf_text(render(study_content(study_of(tmp_path / "d.db", part=part, cycles=1, laps=("L",)), made), "pdf"))
    assert "set in their order" in text
    assert "\u05e7\u05dc\u05d7" in text or "\u05d7\u05dc\u05e7" in text  # a reader may turn the line back


def test_a_part_read_in_three_units_says_so(tmp_path, made):
    study = study_of(tmp_path / "c.db", units=("um", "uin", "band"), cycles=2)
    page = "".join(Tags(render(study_content(study, made), "html").decode()).text)
    assert "typed in 3 units: 33 in band (helium lamp), 34 in uin, 33 in um" in page


@pytest.mark.parametrize("readings", [0, 1])
def test_an_empty_study_is_a_report_with_its_cure(tmp_path, made, readings):
    from spc.board.study_plan import StudyPlan

    study = study_of(tmp_path / "c.db", StudyPlan("PN-7", until="2026-01-01"), cycles=1, faces=5)
    report = study_content(study, made)
    for form in FORMATS:
        assert render(report, form)
    page = "".join(Tags(render(report, "html").decode()).text)
    assert "No index: no reading of flatness for PN-7 is in this study (" in page and "Cure: choose other" in page


def test_units_and_language_are_those_asked_for(study, made):
    from spc.report.locale import LOCALES

    unit = report_unit("bands", lamp_name="helium")
    report = study_content(study, replace(made, unit=unit, locale=LOCALES["de"]))
    page = "".join(Tags(render(report, "html").decode()).text)
    assert "bands (helium)" in page and "1 band = 0.29378 µm" in page
    spread = next(t for t in report.tables() if t.name == "spread")
    assert spread.rows[0][1] == pytest.approx(study.spread[0].sd_um / 0.29378)
    assert shown(spread.rows[0][1], spread.columns[1], report.locale) in page
    assert f"{study.index.index:.2f}".replace(".", ",") in page
    with pytest.raises(ValueError, match="bands need their lamp"):
        report_unit("bands")
    with pytest.raises(ValueError, match="`units` must be one of um, uin, bands, got 'ells'"):
        report_unit("ells")
    with pytest.raises(ValueError, match="`form` must be one of html"):
        render(report, "doc")
    with pytest.raises(ValueError, match="`paper` must be one of A4, Letter"):
        render(report, "pdf", paper="A7")
