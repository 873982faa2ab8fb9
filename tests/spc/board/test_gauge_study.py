import numpy as np
import pytest

from spc.board.cell_view import look_at_cell
from spc.board.gauge_study import log_readings, report_gauge, report_planned, way_of_reading
from spc.board.study import run_study
from spc.board.study_plan import StudyPlan
from spc.log.gauge_table import GaugeColumns, read_gauge_table
from spc.settings import Settings
from tests.spc.board.gauge_cell import BAND_UM, SETTINGS, gauge_store, log_text
from tests.spc.wear.made_up_log import faces_frame, hours


@pytest.fixture(scope="module")
def view(tmp_path_factory):
    with gauge_store(tmp_path_factory.mktemp("g") / "lapcell.db", log_text(np.random.default_rng(4))) as store:
        return look_at_cell(store, SETTINGS)


def test_repeats_of_the_log_become_a_study_with_its_limit(view):
    (report,) = report_gauge(view)
    assert (report.way, report.enough, report.study.design) == ("optical flat", True, "crossed")
    assert (report.study.readings, report.study.faces) == (
        50,
        10,
    )  # the first reading of a face counts with its repeats
    assert report.study.repeatability.low_um < 0.12 * BAND_UM < report.study.repeatability.high_um
    (limit,) = report.limits
    assert limit.part == "R-1" and limit.resolution.verdict == "too coarse"
    assert limit.resolution.share == pytest.approx(0.25, abs=0.001)
    assert "not stated" in limit.budget.sentence


def test_certified_flat_and_heat_complete_the_budget(view):
    (report,) = report_gauge(view, flat_error_um=0.03, temperature_um=0.02)
    assert report.limits[0].budget.complete


def test_an_index_leans_on_the_gauge_study_only_where_it_is_enough(view, tmp_path):
    assert run_study(view, StudyPlan(part="R-1")).facts.gauge_study
    text = log_text(np.random.default_rng(4), repeats=False)
    with gauge_store(tmp_path / "lapcell.db", text) as store:
        bare = look_at_cell(store, SETTINGS)
    study = run_study(bare, StudyPlan(part="R-1"))
    assert not study.facts.gauge_study and "no gauge study" in {r.name for r in study.refusals}
    (refused,) = report_gauge(bare)
    assert refused.study.status == "refused" and "read at least 10 faces twice" in refused.study.sentence


def test_readings_before_and_after_a_further_pass_are_not_one_face():
    def face(h, kind, attempt, um, who):
        return {"kind": kind, "serial": "S1", "attempt": attempt, "sort_us": hours(h), "flatness_um": um,
                "operator": who}  # fmt: skip

    rows = [face(0, "face", 1, 1.0, "a"), face(1, "repeat", 1, 1.1, "b"), face(2, "face", 2, 0.4, "a"),
            face(3, "repeat", 2, 0.5, "b")]  # fmt: skip
    readings = log_readings(faces_frame(rows))
    assert readings.faces == 2
    assert readings.middle_um.tolist() == [1.0, 1.1, 0.4, 0.5]


def test_faces_without_a_name_are_never_taken_for_one_face():
    rows = [{"flatness_um": 1.0}, {"flatness_um": 1.2}, {"kind": "repeat", "flatness_um": 1.1}]
    assert log_readings(faces_frame(rows)).n == 0


def test_way_of_reading_is_that_of_the_face():
    rows = [{"serial": "1", "method": "interferometer"}, {"serial": "1", "kind": "repeat"}, {"serial": "2"}]
    ways = way_of_reading(faces_frame(rows))
    assert ways.tolist() == ["interferometer", "interferometer", "method not said, in um"]


def test_planned_study_of_plain_numbers(tmp_path):
    rng = np.random.default_rng(1)
    lines = [f"{f},{r},{10 + f + 0.1 * rng.normal():.3f}" for f in range(6) for r in "ab" for _ in range(3)]
    table = read_gauge_table(("face,reader,reading\n" + "\n".join(lines)).encode(), GaugeColumns(), Settings())
    report = report_planned(table, name="plan.csv", limit_um=2.0)
    assert report.study.unit == "" and " um" not in report.study.sentence + report.limits[0].resolution.sentence
    assert report.study.repeatability.low_um < 0.1 < report.study.repeatability.high_um


def test_unknown_part_and_characteristic(view):
    with pytest.raises(ValueError, match="`part` must be a part number of the log, got 'X'"):
        report_gauge(view, part="X")
    with pytest.raises(ValueError, match="`characteristic` must be one of"):
        report_gauge(view, characteristic="colour")
