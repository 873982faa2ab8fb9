"""A past cycle that holds another one unseen teaches no chart how a lap wears: only what is of one cycle counts.

An invented lap: 24 faces a cycle, from 0.2 um up by 0.02 um a face.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.lap_age import age_of_lap
from spc.board.missing import AGE_NOT_KNOWN, before_doubts, first_doubts_in
from spc.board.missing_answer import keep_no
from spc.board.missing_places import begun_anew, counted_once, unsure_words
from spc.board.study_age import planned_age
from spc.board.study_material import gather
from spc.board.study_plan import StudyPlan
from spc.board.variation import report_variation
from spc.board.wear_report import relap_report, wear_report
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

SITE = Settings(time_zone="UTC", date_order="ymd", decimal=".")
FACES, LAST, JUMPS = 24, 14, 8


def cell(folder, *, missed, jump, seed=5):
    """Eight cycles and a running one; the reconditioning after each cycle of `missed` is not in the log."""
    rng, at, rows = np.random.default_rng(seed), pd.Timestamp("2026-03-02 06:00"), []
    for cycle in range(9):
        start, slope = 0.2 * np.exp(rng.normal(0, 0.08)), 0.02 * np.exp(rng.normal(0, 0.12))
        for age in range(FACES if cycle < 8 else LAST):
            read = start + slope * age + rng.normal(0, 0.025)
            read *= jump if cycle == 8 and age >= JUMPS else 1.0
            rows.append(f"{at:%Y-%m-%d %H:%M},K1,P1,5.0,{max(read, 0.02):.3f},\n")
            at += pd.Timedelta(hours=2)
        if cycle < 8 and cycle not in missed:
            rows.append(f"{at - pd.Timedelta(minutes=30):%Y-%m-%d %H:%M},K1,,,,reconditioned\n")
    path = folder / "lapcell.db"
    text = "time,lap,part,minutes,flatness um,event\n" + "".join(rows)
    with Store.open(path) as store:
        store.set_limit("*", "flatness", upper_um=2.8, upper_text="2.8 um", who="QE")
        assert not ingest(store, text.encode(), name="log.csv", settings=SITE, who="QE").quarantined
    return path


def looked_at(path):
    view, charts, room = Board(path, SITE).look()
    return view, charts, wear_report(view, charts, "K1", room=room.of("K1")), Board(path, SITE).lap("K1")


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    return cell(tmp_path, missed={1, 3, 5}, jump=1.6)


def test_a_jump_is_seen_though_past_reconditionings_are_not_logged(path):
    view, charts, wear, report = looked_at(path)
    assert begun_anew(view, "K1") == tuple((cycle, FACES) for cycle in (2, 3, 4))  # as the log counts them
    assert "flatness" in [signal.sign for signal in report.signals]
    assert wear.unusual.status == "change" and report.unusual_wear
    left_out = f"; {3 * FACES} readings after a fall back to how a cycle begins are left out, for a reconditioning"
    assert left_out in wear.baseline and left_out in charts.charts["K1", "flatness"].sentence
    relaps = relap_report(view, charts, "K1")
    assert left_out in relaps.baseline and relaps.usual_faces == 5 * FACES and "another grit" not in relaps.sentence


def test_after_a_no_all_of_the_cycle_counts_again(path):
    _, charts, before, report = looked_at(path)
    for question in report.asked:
        with Store.open(path) as store:
            keep_no(store, question, who="Lee")
    view, after, wear, _ = looked_at(path)
    assert begun_anew(view, "K1") == () and "left out" not in wear.baseline
    assert after.charts["K1", "flatness"].sentence != charts.charts["K1", "flatness"].sentence
    assert wear.chart.usual.spread > 1.5 * before.chart.usual.spread


def test_a_sound_log_loses_no_reading(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    view, charts, wear, report = looked_at(cell(tmp_path, missed=(), jump=1.0))
    assert charts.begun == {"K1": ()} and begun_anew(view, "K1") is begun_anew(view, "K1")
    assert "left out" not in wear.baseline and not report.signals
    stream = charts.charts["K1", "flatness"].replayed.stream
    assert counted_once(stream.cycle, stream.age_faces, ()).all()
    assert np.count_nonzero(~counted_once(stream.cycle, stream.age_faces, ((2, 20.0),))) == FACES - 20


def test_how_many_readings_are_left_out_is_said_in_words():
    assert unsure_words(0) == ""
    assert unsure_words(1).startswith("; 1 reading after a fall back to how a cycle begins is left out")
    assert unsure_words(1_200).startswith("; 1,200 readings after a fall back to how a cycle begins are left out")


def test_a_study_and_the_plan_of_a_lap_take_the_same_lives(path):
    view, charts, room = Board(path, replace(SITE, planned_cost=1.0, unplanned_cost=4.0)).look()
    doubts = first_doubts_in(view, ["K1"], room)
    found = planned_age(view, StudyPlan("P1"), ["K1"], until=doubts)
    assert found.faces == FACES  # the cycles that hold another have no one age
    assert gather(view, StudyPlan("P1")).planned_age == found
    plan = age_of_lap(view, "K1", room=room, planned_cost=1.0, worn_cost=4.0).plan
    assert (plan.lifetimes.worn, plan.lifetimes.unsure) == (1, 3)
    remarks = Board(path, SITE).lap("K1").data_health
    assert [line for line in remarks if "no reason logged" in line] == [
        "K1: 2 cycles ended with no reason logged and count as worn."  # the first of all and the one that is sure
    ]


def test_a_study_takes_of_a_cycle_only_what_came_before_an_open_question(path):
    view, charts, room = Board(path, SITE).look()
    material = gather(view, StudyPlan("P1"), cell=charts)
    assert (AGE_NOT_KNOWN, 3 * FACES) in material.not_taken
    assert material.data["age_faces"].max() <= FACES and len(material.data) == 5 * FACES + LAST
    whole = material.data[material.data["cycle_ended"]]
    assert set(whole["cycle"]) == {1, 5}  # where a question is open nobody knows whether the cycle is whole
    doubts = first_doubts_in(view, ["K1"], room)
    split = report_variation(view, until=doubts)
    assert split.faces == len(material.data)
    assert split.remarks[-1] == f"left out {AGE_NOT_KNOWN}: {3 * FACES} readings"


def test_after_a_no_a_study_takes_the_cycle_whole(path):
    for question in Board(path, SITE).lap("K1").asked:
        with Store.open(path) as store:
            keep_no(store, question, who="Lee")
    view, charts, _ = Board(path, SITE).look()
    material = gather(view, StudyPlan("P1"), cell=charts)
    assert AGE_NOT_KNOWN not in dict(material.not_taken) and len(material.data) == 8 * FACES + LAST


def test_a_question_of_the_running_cycle_leaves_out_what_came_after_it(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    view, charts, room = Board(cell(tmp_path, missed={7}, jump=1.0), SITE).look()
    assert begun_anew(view, "K1") == () and len(first_doubts_in(view, ["K1"], room)) == 1
    assert (AGE_NOT_KNOWN, LAST) in gather(view, StudyPlan("P1"), cell=charts).not_taken


def test_faces_before_a_doubt_are_of_one_cycle_for_certain():
    faces = pd.DataFrame({"lap": ["A", "A", "A", "B"], "cycle": [1, 1, 2, 1], "age_faces": [1.0, 5.0, 9.0, 9.0]})
    assert before_doubts(faces, {("A", 1): 5.0}).tolist() == [True, False, True, True]
    assert before_doubts(faces, {}).all()
