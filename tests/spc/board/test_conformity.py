from dataclasses import replace

import numpy as np
import pytest

from spc.board import conformity
from spc.board.cell_view import look_at_cell
from spc.board.conformity import report_conformity
from spc.board.study_plan import StudyPlan
from tests.spc.board.gauge_cell import BAND_UM, SETTINGS, gauge_store, log_text

PLAN = StudyPlan(part="R-1", readings="final")


@pytest.fixture(scope="module")
def view(tmp_path_factory):
    text = log_text(np.random.default_rng(4), faces=160)
    with gauge_store(tmp_path_factory.mktemp("c") / "lapcell.db", text) as store:
        return look_at_cell(store, SETTINGS)


def test_the_rule_its_price_and_the_faces_in_doubt(view):
    report = report_conformity(view, PLAN)
    assert report.status == "ruled" and report.sentence.startswith("Accept readings up to")
    assert report.trade.chosen.bad_among_accepted <= 0.005
    assert report.reader_sd_source.startswith("gauge data of the log")
    for verdict in report.readings:
        assert verdict.accepted == (verdict.high_um <= report.trade.chosen.accept_um + 0.51 * report.step_um)
    at_limit = next(r for r in report.readings if r.text == "2")
    assert at_limit.verdict == "in doubt" and len(at_limit.face_ids) == at_limit.faces
    chances = [r.conformance for r in report.readings]
    assert max(np.diff(chances)) < 1e-9 and max(chances) <= 1


def test_a_law_that_the_readings_contradict_is_said_before_the_rule(view, monkeypatch):
    real = conformity.check_fit
    monkeypatch.setattr(conformity, "check_fit", lambda law: replace(real(law), status="rejected", sentence="no fit"))
    report = report_conformity(view, PLAN)
    assert report.sentence.startswith("Rough only, for the readings contradict the law that this leans on: accept")
    assert "no fit: the shares lean on that law and are rough" in report.remarks


def test_a_smaller_risk_never_accepts_more(view):
    accepted = [
        report_conformity(view, replace(PLAN, risk=risk), reader_sd_um=0.04).trade.chosen.accept_um
        for risk in (0.05, 0.005)
    ]
    assert accepted[1] <= accepted[0]


def test_given_spread_stands_in_for_gauge_data(tmp_path):
    text = log_text(np.random.default_rng(4), repeats=False)
    with gauge_store(tmp_path / "lapcell.db", text) as store:
        bare = look_at_cell(store, SETTINGS)
    refused = report_conformity(bare, PLAN)
    assert refused.status == "refused" and "log repeats of some faces, or state it" in refused.sentence
    assert "--" not in refused.sentence  # it stands in reports too, which no option of a command cures
    report = report_conformity(bare, PLAN, reader_sd_um=0.05)
    assert (report.reader_sd_um, report.reader_sd_source) == (0.05, "given")
    # 1.645 standard uncertainties below the limit (ISO 14253-1 default, from memory), the step in the uncertainty.
    u = np.hypot(0.05, report.step_um / np.sqrt(12))
    assert report.guarded_limit_um == pytest.approx(2 * BAND_UM - 1.645 * u, abs=1e-4)


def test_no_limit_and_no_reading_are_refused_in_words(tmp_path):
    with gauge_store(tmp_path / "lapcell.db", log_text(np.random.default_rng(4)), limit_um=None) as store:
        view = look_at_cell(store, SETTINGS)
    assert "set one first" in report_conformity(view, PLAN).sentence
    assert "no reading of finish" in report_conformity(view, StudyPlan(part="R-1", characteristic="finish")).sentence


@pytest.mark.parametrize("risk", [0.0, 1.0, -0.1, float("nan")])
def test_a_risk_out_of_range_is_refused(view, risk):
    with pytest.raises(ValueError, match="`risk` must be between 0 and 1"):
        report_conformity(view, replace(PLAN, risk=risk))


def test_a_spread_below_zero_is_refused(view):
    with pytest.raises(ValueError, match="`reader_sd_um` must be"):
        report_conformity(view, PLAN, reader_sd_um=-0.1)
