"""What stands beside the index in a report: equal to the views of the log, in every format, or its refusal."""

import io
import json
import math

import numpy as np
import openpyxl
import pypdf
import pytest

from spc.board.cell_view import look_at_cell
from spc.board.conformity import report_conformity
from spc.board.gauge_study import report_gauge
from spc.board.remembered import Remembered
from spc.board.study import compute_study, run_study
from spc.board.study_material import material_from_json, material_to_json
from spc.board.study_plan import StudyPlan, check_plan
from spc.report.content import Figure, Table
from spc.report.render import FORMATS, render
from spc.report.study_content import study_content
from tests.spc.board.gauge_cell import BAND_UM, SETTINGS, gauge_store, log_text

TITLES = ("The measuring system", "Which readings may be accepted", "Where the variation comes from")
PLAN = StudyPlan("R-1", readings="final", flat_error_um=0.03, temperature_um=0.02, risk=0.01)


@pytest.fixture(scope="module")
def view(tmp_path_factory):
    with gauge_store(tmp_path_factory.mktemp("p") / "lapcell.db", log_text(np.random.default_rng(4))) as store:
        return look_at_cell(store, SETTINGS, rows=None)


@pytest.fixture(scope="module")
def study(view):
    return run_study(view, PLAN)


@pytest.fixture(scope="module")
def content(study, made):
    return study_content(study, made)


def rows(content, name):
    return next(table for table in content.tables() if table.name == name).rows


def test_the_measuring_system_is_that_of_the_log(content, view):
    seen = report_gauge(view, flat_error_um=0.03, temperature_um=0.02)[0]
    again, reader, written = rows(content, "measuring")
    assert again[1:4] == (seen.study.repeatability.sd_um, seen.study.repeatability.low_um,
                          seen.study.repeatability.high_um)  # fmt: skip
    assert (reader[1], written[1]) == (seen.study.reader.sd_um, seen.study.as_written_um)
    budget = {name: (u, counted) for name, u, counted, _ in rows(content, "uncertainty")}
    assert budget["the flat's own error"] == (pytest.approx(0.03 / math.sqrt(3)), "yes")  # rectangular, JCGM 100 4.3.7
    assert budget["temperature"] == (pytest.approx(0.02 / math.sqrt(3)), "yes")
    counted = math.sqrt(sum(u**2 for u, yes in budget.values() if yes == "yes"))
    limit = next(one for one in seen.limits if one.part == "R-1")
    assert counted == pytest.approx(limit.budget.u_um)
    assert len(rows(content, "repeats")) == seen.study.readings and len(rows(content, "gauge parts")) >= 3


def test_the_rule_is_that_of_the_log_and_every_face_has_its_chance(content, view):
    seen = report_conformity(view, PLAN)
    section = next(s for s in content.sections if s.title == TITLES[1])
    assert section.blocks[0].text.rstrip(".") == seen.sentence.rstrip(".").replace(" um", " µm")
    chosen = [row for row in rows(content, "rules") if row[-1] == "chosen"]
    assert [row[0] for row in chosen] == [pytest.approx(seen.trade.chosen.accept_um)]
    assert chosen[0][3] == pytest.approx(100 * seen.trade.chosen.bad_among_accepted) and chosen[0][3] <= 1.0
    chance = {face: r.conformance for r in seen.readings for face in r.face_ids}
    table = next(t for t in content.tables() if t.name == "readings")
    assert table.columns[-1].head == "Meets limit"
    assert {row[0]: row[-1] for row in table.rows} == {face: pytest.approx(100 * c) for face, c in chance.items()}


def test_the_picture_of_the_trade_falls_and_rises(content):
    figure = next(b for _, b in content.blocks() if isinstance(b, Figure) and b.name == "trade")
    series = {one.label: one for one in figure.series}
    assert np.all(np.diff(series["bad accepted"].y) >= -1e-9) and np.all(np.diff(series["good rejected"].y) <= 1e-9)
    assert series["limit"].x == (pytest.approx(2 * BAND_UM),) and "the rule" in series


def test_the_sources_of_the_spread_are_told_without_names(content):
    found = {row[0]: row for row in rows(content, "variation")}
    assert {"lap", "operator", "reading to reading"} <= set(found)
    assert sum(row[-1] for row in found.values()) == pytest.approx(100)
    assert all(row[3] <= row[2] <= row[4] for row in found.values())
    text = json.dumps([row for table in content.tables() for row in table.rows])
    assert '"P0"' not in text and '"P1"' not in text


@pytest.mark.parametrize("form", list(FORMATS))
def test_every_format_carries_them(content, form):
    data = render(content, form)
    if form == "xlsx":
        book = openpyxl.load_workbook(io.BytesIO(data))
        assert {"measuring", "uncertainty", "rules", "verdicts", "variation", "trade figure"} <= set(book.sheetnames)
        assert len(book["trade figure"]._charts) == 1
        sizes = [row[1].value for row in book["measuring"].iter_rows(min_row=4, max_row=5)]
        assert sizes == pytest.approx([row[1] for row in rows(content, "measuring")[:2]], rel=1e-14)
        return
    text = (
        data.decode() if form != "pdf" else " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(data)).pages)
    )
    assert all(title in text for title in TITLES)


def test_the_same_bytes_from_the_kept_material_alone(study, content, made, monkeypatch):
    monkeypatch.setattr("spc.board.study._INDICES", Remembered(1))
    stored = json.loads(json.dumps(material_to_json(study), allow_nan=False))
    again = study_content(compute_study(material_from_json(stored)), made)
    for form in FORMATS:
        assert render(again, form) == render(content, form), form


def test_without_repeats_each_section_is_its_refusal_with_its_cure(tmp_path, made):
    text = log_text(np.random.default_rng(4), repeats=False, confounded=True)
    with gauge_store(tmp_path / "lapcell.db", text) as store:
        told = study_content(run_study(look_at_cell(store, SETTINGS, rows=None), PLAN), made)
    said = {s.title: s.blocks[0].text for s in told.sections if s.title in TITLES}
    assert said[TITLES[0]].startswith("No gauge study") and "read at least 10 faces twice" in said[TITLES[0]]
    assert said[TITLES[1]].startswith("No decision rule") and "log repeats" in said[TITLES[1]]
    cures = {row[0]: row[2] for row in rows(told, "not split")}
    assert cures["operator"] == "Let two operators each run faces on two levels of lap."
    assert not [t.name for t in told.tables() if isinstance(t, Table) and t.name in ("rules", "measuring")]


@pytest.mark.parametrize(("field", "value"), [("risk", 0.0), ("flat_error_um", -1.0), ("temperature_um", math.inf)])
def test_a_plan_out_of_range_is_refused(field, value):
    with pytest.raises(ValueError, match=f"`{field}` must be"):
        check_plan(StudyPlan("R-1", **{field: value}))
