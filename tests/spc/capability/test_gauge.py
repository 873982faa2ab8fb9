import math
import re

import numpy as np
import pytest

from spc.capability.gauge import is_gauge_study, study_gauge
from spc.capability.gauge_readings import gauge_readings
from spc.measure.shown import ShownLength, said_in
from spc.model.variance import split_variance
from tests.spc.capability.gauge_made_up import made_up


def test_exact_crossed_study_gives_both_roads():
    study = study_gauge(made_up(np.random.default_rng(3), faces=15, readers=3, step=0, sd=0.1, reader_sd=0.1))
    assert (study.status, study.design, study.stepped) == ("studied", "crossed", None)
    assert study.repeatability.low_um < 0.1 < study.repeatability.high_um
    assert study.repeatability.method == "restricted maximum likelihood"
    assert study.anova.components[-1].sd == pytest.approx(study.repeatability.sd_um, rel=0.05)
    others = [c.variance for c in study.reml.components if c.name in ("reader", "face by reader")]
    assert study.reading_sd_um == pytest.approx(math.sqrt(study.repeatability.sd_um**2 + sum(others)))


def test_stepped_study_goes_by_the_interval_model():
    study = study_gauge(made_up(np.random.default_rng(6), sd=0.2))
    assert study.repeatability.method == "interval model of the stepped readings"
    assert study.repeatability.low_um < 0.2 < study.repeatability.high_um
    assert study.as_written_um > study.repeatability.sd_um  # the readings as written hold the step as well


def test_a_spread_said_in_another_unit_is_the_spread_and_not_its_rounding():
    study = study_gauge(made_up(np.random.default_rng(3), faces=15, readers=3, step=0, sd=0.1, reader_sd=0.1))
    uin = ShownLength("uin", 0.0254)
    for part in (study.repeatability, study.reader):
        said = [float(one) for one in re.findall(r"[\d.]+", said_in(part.words, uin))]
        assert said == pytest.approx([part.sd_um / 0.0254, part.low_um / 0.0254, part.high_um / 0.0254], rel=0.006)


def test_equal_repeats_are_a_bound_and_count_as_their_bound():
    readings = gauge_readings(np.repeat(np.arange(10), 4).tolist(), ["a", "a", "b", "b"] * 10, [0.75] * 40, [1.25] * 40)
    study = study_gauge(readings)
    assert study.status == "bounded" and "at most" in study.sentence and study.identical_share == 1.0
    assert study.reading_sd_um == study.repeatability.high_um > 0
    assert study.anova is None and study.reader.sd_um == 0 and "no reader's habit" in study.reader.words


def test_nested_readers_and_their_warning():
    readings = made_up(np.random.default_rng(9), faces=12, readers=1, repeats=2, step=0, sd=0.1)
    study = study_gauge(
        gauge_readings(readings.face.tolist(), (readings.face % 3).tolist(), readings.low_um, readings.high_um)
    )
    assert study.design == "nested" and study.anova.design == "nested"
    assert any("faces of his own" in remark for remark in study.remarks)


def test_one_reader_one_face_and_nobody_named():
    one_reader = study_gauge(made_up(np.random.default_rng(4), readers=1))
    assert (one_reader.design, one_reader.reader) == ("one reader", None)
    assert any("let a second one read" in r for r in one_reader.remarks)
    one_face = study_gauge(made_up(np.random.default_rng(4), faces=1, repeats=5, step=0))
    assert one_face.status == "studied" and any("one face was read" in r for r in one_face.remarks)
    nobody = made_up(np.random.default_rng(4), readers=1)
    unnamed = study_gauge(gauge_readings(nobody.face.tolist(), [""] * nobody.n, nobody.low_um, nobody.high_um))
    assert unnamed.design == "readers not known" and any("log who reads" in r for r in unnamed.remarks)


def test_unnamed_readings_are_left_out_and_counted():
    whole = made_up(np.random.default_rng(5), repeats=3, step=0)
    who = [str(k) for k in whole.reader]
    who[0] = who[7] = ""
    study = study_gauge(gauge_readings(whole.face.tolist(), who, whole.low_um, whole.high_um))
    assert study.readings == whole.n - 2 and "2 readings without a reader's name left out" in study.remarks


def test_unbalanced_table_uses_its_balanced_core():
    whole = made_up(np.random.default_rng(8), readers=3, step=0)
    rows = np.ones(whole.n, dtype=bool)
    rows[np.flatnonzero(whole.reader == 2)[:7]] = False
    study = study_gauge(whole.taken(rows))
    assert "analysis of variance: of the 40 readings that fill every cell alike" in study.remarks
    two = whole.taken(whole.reader < 2)
    assert study.anova.components[-1].sd == pytest.approx(study_gauge(two).anova.components[-1].sd)


def test_day_is_a_part_of_its_own_where_it_is_told():
    rng = np.random.default_rng(2)
    face, day = np.repeat(np.arange(8), 12), np.tile(np.repeat(np.arange(6), 2), 8)
    x = 3 + rng.normal(size=8)[face] + 0.3 * rng.normal(size=6)[day] + 0.05 * rng.normal(size=96)
    study = study_gauge(gauge_readings(face.tolist(), ["a", "b"] * 48, x, x, run=day.tolist()))
    parts = {c.name: c for c in study.reml.components}
    assert parts["run"].low_sd < 0.3 < parts["run"].high_sd
    assert parts["reading to reading"].sd == pytest.approx(0.05, rel=0.3)
    assert (
        study.run.sd_um == parts["run"].sd
        and f"; from day to day, or round to round, {study.run.words}." in study.sentence
    )
    told_apart = [c.variance for name, c in parts.items() if name != "face"]
    assert study.reading_sd_um == pytest.approx(sum(told_apart) ** 0.5)  # a reading of another day differs by that too
    assert study.reading_sd_source.endswith(", with that from day to day")


def test_days_of_stepped_readings_are_in_the_repeatability_and_count_once():
    rng = np.random.default_rng(2)
    face, day = np.repeat(np.arange(8), 12), np.tile(np.repeat(np.arange(6), 2), 8)
    x = 3 + rng.normal(size=8)[face] + 0.3 * rng.normal(size=6)[day] + 0.05 * rng.normal(size=96)
    read = np.round(x / 0.25) * 0.25
    study = study_gauge(gauge_readings(face.tolist(), ["a", "b"] * 48, read - 0.125, read + 0.125, run=day.tolist()))
    assert study.stepped is not None and study.run is not None
    within = np.sqrt(np.mean([np.var(x[face == f], ddof=1) for f in range(8)]))  # days and repeats together
    assert study.reading_sd_um == pytest.approx(within, rel=0.15)
    assert any(remark.startswith("days or rounds are not told apart") for remark in study.remarks)


def test_no_repeats_and_copied_values_are_refused_in_words():
    single = gauge_readings(["1", "2", "3"], ["a", "a", "b"], [1.0, 2.0, 3.0])
    assert single.n == 0 and single.read_once == 3
    study = study_gauge(single)
    assert study.status == "refused" and "read at least 10 faces twice" in study.sentence
    copied = study_gauge(gauge_readings(["1", "1", "2", "2"], ["a", "b"] * 2, [1.0, 1.0, 2.0, 2.0]))
    assert copied.status == "refused" and "no step is known" in copied.sentence


def test_open_ended_readings_are_left_out_and_counted():
    readings = gauge_readings(["1"] * 3 + ["2"] * 3, ["a"] * 6, [1, 1, 2, 1, 1, 2], [2, 2, math.inf, 2, 2, 3])
    assert (readings.open_ended, readings.n) == (1, 5)
    assert "1 reading without an upper end left out" in study_gauge(readings).remarks


def test_no_name_leaves_the_study():
    readings = gauge_readings(["S-1", "S-1", "S-2", "S-2"] * 4, ["Quill", "Sorrel"] * 8, np.arange(16) % 5 + 1.0)
    assert "Quill" not in repr(study_gauge(readings)) and "Sorrel" not in repr(readings)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ((["1"], ["a", "b"], [1.0]), "one entry per reading"),
        ((["1", ""], ["a", "b"], [1.0, 2.0]), "reading 2 has none"),
        ((["1", "1"], ["a", "b"], [1.0, math.nan]), "reading 2 must be an interval"),
        ((["1", "1"], ["a", "b"], [1.0, 2.0], [2.0, 1.0]), "reading 2 must be an interval"),
    ],
)
def test_bad_columns(columns, words):
    with pytest.raises(ValueError, match=words):
        gauge_readings(*columns)


def test_what_an_index_may_lean_on():
    assert is_gauge_study(faces=10, repeats=20, readers=2)
    assert not is_gauge_study(faces=9, repeats=40, readers=2)
    assert not is_gauge_study(faces=10, repeats=19, readers=2)
    assert not is_gauge_study(faces=10, repeats=30, readers=1)


def test_components_come_from_the_one_variance_module():
    readings = made_up(np.random.default_rng(13), readers=1, step=0)
    split = split_variance(readings.middle_um, {"face": readings.face.tolist()})
    assert study_gauge(readings).repeatability.sd_um == pytest.approx(split.components[-1].sd)
