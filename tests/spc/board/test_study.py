import json
import math
import re
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.board import study as study_module
from spc.board.cell_view import look_at_cell
from spc.board.kept_studies import changes_since, keep_study, kept_study
from spc.board.remembered import Remembered
from spc.board.study import compute_study, run_study
from spc.board.study_cycles import over_cycles
from spc.board.study_material import fingerprint_of_readings, gather, material_from_json, material_to_json
from spc.board.study_plan import StudyPlan
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import BAND_UM, events_of, faces_of
from tests.spc.board.invented_cell import fill as fill_lap
from tests.spc.report.invented_study import fill

DAY = pd.Timestamp("2026-04-01T08:30").to_pydatetime()


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    path = tmp_path_factory.mktemp("study") / "cell.db"
    with Store.open(path) as store:
        fill(store)
        view = view_of(store)
    return path, view


@pytest.fixture(scope="module")
def view(filled):
    return filled[1]


@pytest.fixture(scope="module")
def study(view):
    return run_study(view, StudyPlan("PN-7"))


@pytest.fixture
def store(filled, tmp_path):
    with Store.open(shutil.copy(filled[0], tmp_path / "cell.db")) as opened:
        yield opened


def view_of(store):
    return look_at_cell(store, Settings(), rows=None)


def test_a_study_takes_a_closed_list_and_says_why_it_is_no_capability(study):
    assert (study.status, study.index.word, len(study.data)) == ("computed", "performance", 300)
    assert study.time_model.startswith("trend within cycles")
    assert {"trend not modelled", "no gauge study"} <= {r.name for r in study.refusals}
    assert all(r.cure for r in study.refusals)
    assert study.limit_revision == 1 and study.fingerprint == fingerprint_of_readings(study.data)


def test_index_of_one_list_by_hand(study):
    """Second route: the law's own quantiles from scipy at the printed parameters, and the formula of the method."""
    from scipy import stats

    fit = next(f for f in study.choice.fits if f.family == "lognormal")
    median, sd = (value for _, value in fit.parameters)
    law = stats.lognorm(s=sd, scale=median)
    low, high = (study.data[c].to_numpy() for c in ("low_um", "high_um"))
    assert np.log(law.cdf(high) - law.cdf(low)).sum() == pytest.approx(fit.log_likelihood, abs=1e-6)
    by_hand = (1.2 - median) / (law.ppf(0.99865) - median)
    own = (1.2 - float(fit.ppf(0.5))) / (float(fit.isf(0.00135)) - float(fit.ppf(0.5)))
    assert own == pytest.approx(by_hand, rel=1e-9)
    for m, s in ((median * 1.002, sd), (median, sd * 1.002)):  # nothing near is likelier
        near = stats.lognorm(s=s, scale=m)
        assert np.log(near.cdf(high) - near.cdf(low)).sum() < fit.log_likelihood


def test_the_same_material_gives_the_same_study_after_storage(study, monkeypatch):
    monkeypatch.setattr(study_module, "_INDICES", Remembered(1))
    stored = json.loads(json.dumps(material_to_json(study), allow_nan=False))
    again = compute_study(material_from_json(stored))
    pd.testing.assert_frame_equal(again.data, study.data)
    for name in ("sentence", "index", "refusals", "whole_cycles", "at_planned_age", "spread", "facts", "planned_age"):
        assert repr(getattr(again, name)) == repr(getattr(study, name)), name


def test_an_index_is_worked_out_once_for_the_same_readings_limit_level_and_refusals(study, monkeypatch):
    asked = []

    def index(choice, limit_um, *, refusals, level):
        asked.append((limit_um, level))
        return study.index

    monkeypatch.setattr(study_module, "_INDICES", Remembered(8))
    monkeypatch.setattr(study_module, "quantile_index", index)
    for changed in ({}, {}, {"limit_um": 1.3}, {"plan": replace(study.plan, level=0.9)}, {"signals": ("one",)}):
        compute_study(replace(study, **changed))
    assert asked == [(1.2, 0.95), (1.3, 0.95), (1.2, 0.9), (1.2, 0.95)]


def test_open_readings_and_a_missing_limit_survive_storage(store):
    face = store.faces(last=1)["face_id"].iloc[0]
    store.correct_face(int(face), {"flatness_high_um": math.inf, "flatness_text": "0.5+"}, who="Ann", reason="open")
    material = gather(view_of(store), StudyPlan("PN-7", characteristic="finish"))
    assert math.isnan(material.limit_um) and material.data.empty
    open_above = gather(view_of(store), StudyPlan("PN-7"))
    back = material_from_json(json.loads(json.dumps(material_to_json(open_above), allow_nan=False)))
    assert back.data["high_um"].iloc[-1] == math.inf
    assert back.fingerprint == fingerprint_of_readings(back.data)


def test_every_reading_not_taken_has_its_reason(view, study):
    first = int(study.data["face_id"].iloc[0])
    narrow = gather(view, StudyPlan("PN-7", laps=("L1",), since="2026-03-04"))
    counts = dict(narrow.not_taken)
    assert counts["lapped on a lap that the study does not take"] == 150
    assert len(narrow.data) + sum(counts.values()) == 300
    left = gather(view, StudyPlan("PN-7", excluded={first: "dropped on the floor"}))
    assert [(item.face_id, item.cause) for item in left.left_out] == [(first, "dropped on the floor")]
    assert left.fingerprint != study.fingerprint


def test_a_kept_version_stays_while_the_log_goes_on(store, study):
    kept = keep_study(store, study, "spring", made_at=DAY, made_by="Q. Reed", site="", software="test")
    fill(store, cycles=1, faces=10, seed=9, limit_um=0.9)  # more faces, and another limit
    again = kept_study(store, "spring")
    assert changes_since(view_of(store), again) == ""
    assert compute_study(again.material).sentence == study.sentence
    assert (kept.version, again.material.limit_um, len(again.material.data)) == (1, 1.2, 300)
    assert len(gather(view_of(store), StudyPlan("PN-7")).data) > 300


def test_a_corrected_reading_is_told(store, study):
    keep_study(store, study, "spring", made_at=DAY, made_by="Q. Reed", site="", software="test")
    face = int(study.data["face_id"].iloc[3])
    changed = {"flatness_low_um": 0.7, "flatness_high_um": 0.71, "flatness_text": "0.705"}
    store.correct_face(face, changed, who="Ann", reason="typed wrongly")
    told = changes_since(view_of(store), kept_study(store, "spring"))
    assert told.startswith("1 reading of the list is corrected in the log since: face ")
    assert "'0.705'" in told
    now = gather(view_of(store), StudyPlan("PN-7"))
    assert now.fingerprint != study.fingerprint


@pytest.mark.parametrize(
    ("plan", "sentence"),
    [
        (StudyPlan("PN-7", characteristic="colour"), "`characteristic` must be one of flatness"),
        (StudyPlan("PN-7", readings="best"), "`readings` must be one of first pass"),
        (StudyPlan("PN-7", level=1.0), "`level` must be from 0.5 to below 1"),
        (StudyPlan("PN-7", limit_um=0.0), "`limit_um` must be a finite length greater than 0"),
        (StudyPlan("PN-7", limit_um=-1.0), "`limit_um` must be a finite length greater than 0"),
        (StudyPlan("PN-7", planned_age_faces=math.nan), "`planned_age_faces` must be a finite number"),
        (StudyPlan("PN-7", since="4 March"), "`since` must be an ISO date"),
        (StudyPlan("PN-7", since="2026-04-01", until="2026-03-01"), "`since` must not be after `until`"),
        (StudyPlan("PN-7", laps=("L9",)), "`laps` must name laps of the log; unknown: L9"),
        (StudyPlan("PN-7", excluded={1: " "}), "face 1 has none"),
        (StudyPlan("PN-7", excluded={10**9: "x"}), "not among them: 1000000000"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_one_sentence(view, plan, sentence):
    with pytest.raises(ValueError, match=sentence):
        run_study(view, plan)


def test_nothing_to_study_is_said_in_words(view):
    none = run_study(view, StudyPlan("no such part"))
    assert none.status == "refused" and "no reading of flatness" in none.sentence
    no_limit = run_study(view, StudyPlan("PN-7", characteristic="finish"))
    assert no_limit.status == "refused" and "not read" in no_limit.sentence


def test_planned_age_beyond_what_was_seen_is_refused(view, study):
    at = run_study(view, StudyPlan("PN-7", planned_age_faces=400)).at_planned_age
    assert at.status == "refused" and "read off younger faces" in at.sentence
    assert "median age at which these laps were reconditioned" in study.at_planned_age.source


def test_a_young_running_cycle_does_not_flatter_the_whole():
    """Weights come from cycles that have ended: a running one has made its good young faces only."""
    rng = np.random.default_rng(2)

    def cycles(lengths):
        rows = [
            pd.DataFrame(
                {"lap": "L", "cycle": k, "cycle_ended": n == 40, "age_faces": np.arange(n, dtype=float),
                 "x": np.exp(np.log(0.3) + np.arange(n) / 80 + 0.2 * rng.normal(size=n))}
            )
            for k, n in enumerate(lengths)
        ]  # fmt: skip
        data = pd.concat(rows, ignore_index=True)
        low = np.floor(data["x"] / 0.01) * 0.01
        return data.assign(low_um=low, high_um=low + 0.01)

    whole = over_cycles(cycles([40] * 8), 1.2, level=0.95)
    mixed = over_cycles(cycles([40] * 8 + [10] * 8), 1.2, level=0.95)
    assert mixed.whole == 8 and mixed.cycles == 16
    assert mixed.mixture.index == pytest.approx(whole.mixture.index, abs=0.12)
    assert sum(c.share for c in mixed.classes) == pytest.approx(1)
    assert whole.index_lower_bound < whole.mixture.index
    few = over_cycles(cycles([40] * 3), 1.2, level=0.95)
    assert few.status == "computed" and math.isnan(few.index_lower_bound) and "too few for a bound" in few.sentence


def test_readings_written_finer_than_they_are_read_are_told(view, study):
    assert "step finer than read" not in {r.name for r in study.refusals}
    material = gather(view, StudyPlan("PN-7"))
    steps = np.round(material.data["low_um"].to_numpy() / 0.1) * 0.1  # read to 0.1 um, written to 0.01 um
    coarse = replace(material, data=material.data.assign(low_um=steps, high_um=steps + 0.01))
    told = {r.name: r.sentence for r in compute_study(coarse).refusals}
    assert "written to 0.01 um but fall on steps of 0.1 um" in told["step finer than read"]


@pytest.mark.parametrize(
    ("day", "last", "next_day"),
    [
        ("2026-03-29", "2026-03-29T23:30+02:00", "2026-03-30T00:30+02:00"),  # 23 hours
        ("2026-10-25", "2026-10-25T23:30+01:00", "2026-10-26T00:30+01:00"),  # 25 hours
    ],
)
def test_the_last_day_of_a_study_is_whole_where_the_clocks_change(tmp_path, day, last, next_day):
    """Summer time begins and ends on the last Sundays of March and October (Directive 2000/84/EC)."""
    text = "time,lap,operator,grit,minutes,part,serial,flatness um\n" + "".join(
        f"{moment},L1,Reed,9 um,10,P1,S{k},0.5\n" for k, moment in enumerate((f"{day}T00:30+01:00", last, next_day))
    )
    settings = Settings(time_zone="Europe/Copenhagen")
    with Store.open(tmp_path / "cell.db") as store:
        assert ingest(store, text.encode(), name="log.csv", settings=settings, who="test").faces == 3
        material = gather(look_at_cell(store, settings, rows=None), StudyPlan("P1", until=day))
    assert material.data["serial"].tolist() == ["S0", "S1"]
    assert material.not_taken == ((f"after {day}", 1),)


def test_a_signal_nobody_answered_names_its_face_by_its_cycle(tmp_path):
    faces = faces_of("A", 220, np.random.default_rng(3), jump_at=210, jump=4.0)
    with Store.open(tmp_path / "cell.db") as store:
        fill_lap(store, faces, events_of("A", 220))
        store.set_limit("*", "flatness", upper_um=6 * BAND_UM, upper_text="6 bands", who="QE")
        told = run_study(view_of(store), StudyPlan("ring seal")).signals
    assert told
    for one in told:  # counted from the reconditioning, not through the log
        face, when = re.search(r"face (\d+) of its cycle \((.+)\)(?: on)?$", one).groups()
        at = faces["time_text"].tolist().index(f"{when}:00" if when.count(":") == 1 else when)
        assert int(face) == at % 40 + 1 < 211
