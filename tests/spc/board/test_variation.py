import numpy as np
import pytest

from spc.board.cell_view import look_at_cell
from spc.board.variation import report_variation
from spc.model.variance import split_variance
from tests.spc.board.gauge_cell import BAND_UM, SETTINGS, gauge_store, log_text


def look(path, **made):
    with gauge_store(path / "lapcell.db", log_text(np.random.default_rng(4), **made)) as store:
        return look_at_cell(store, SETTINGS)


@pytest.fixture(scope="module")
def view(tmp_path_factory):
    return look(tmp_path_factory.mktemp("v"), faces=200)


def test_sources_with_intervals_and_what_is_left_out(view):
    report = report_variation(view)
    assert report.status == "split in part"
    assert [s.name for s in report.sources] == ["lap", "operator", "reading to reading"]
    assert sum(s.share for s in report.sources) == pytest.approx(1.0)
    last = report.sources[-1]
    assert last.low_um < last.sd_um < last.high_um
    left = {n.name: n.cure for n in report.not_split}
    assert left["part number"] == "lap a second part number" and left["grit"] == "run it on a second grit"


def test_operators_who_differ_in_nothing_are_bounded_at_zero(view):
    operator = next(s for s in report_variation(view).sources if s.name == "operator")
    assert operator.low_um == 0 and operator.high_um > 0


def test_it_is_the_split_of_the_middles_with_age_taken_out(view):
    rows = view.faces[view.faces["kind"] == "face"].sort_values("sort_us", kind="stable")
    middle = ((rows["flatness_low_um"] + rows["flatness_high_um"]) / 2).to_numpy()
    age = rows[["age_faces"]].to_numpy(float)
    split = split_variance(middle, {"lap": rows["lap"].tolist(), "operator": rows["operator"].tolist()}, fixed=age)
    here = [s.sd_um for s in report_variation(view).sources]
    assert here == pytest.approx([c.sd for c in split.components], rel=1e-3, abs=1e-6)


def test_operators_with_laps_of_their_own_are_not_split_and_nobody_is_named(tmp_path):
    report = report_variation(look(tmp_path, confounded=True))
    operator = next(n for n in report.not_split if n.name == "operator")
    assert "cannot be told" in operator.why
    assert operator.cure == "let two operators each run faces on two levels of lap"
    assert "operator" not in {s.name for s in report.sources}
    assert "P0" not in repr(report) and "P1" not in repr(report)


def test_repeats_tell_what_is_the_reading_alone(view, tmp_path):
    assert any("is the reading alone" in remark for remark in report_variation(view).remarks)
    bare = report_variation(look(tmp_path, repeats=False))
    assert any("read some faces twice" in remark for remark in bare.remarks)


def test_too_few_faces_is_a_refusal(tmp_path):
    report = report_variation(look(tmp_path, faces=10, repeats=False))
    assert report.status == "refused" and "10 faces with a reading; at least 12" in report.sentence


def test_copied_readings_are_refused_in_words(tmp_path):
    text = log_text(np.random.default_rng(4), faces=30, repeats=False, sd=0.0)
    head, *lines = text.splitlines()
    copied = [",".join([*line.split(",")[:7], "1", "optical flat"]) for line in lines]
    with gauge_store(tmp_path / "lapcell.db", "\n".join([head, *copied])) as store:
        report = report_variation(look_at_cell(store, SETTINGS))
    assert report.status == "refused" and "all readings are equal" in report.sentence


def test_bad_names(view):
    with pytest.raises(ValueError, match="`part` must be a part number of the log, got 'X'"):
        report_variation(view, part="X")
    with pytest.raises(ValueError, match="`characteristic` must be one of"):
        report_variation(view, characteristic="colour")


def test_unit_is_micrometres(view):
    assert 0.05 * BAND_UM < report_variation(view).sources[-1].sd_um < 2 * BAND_UM
