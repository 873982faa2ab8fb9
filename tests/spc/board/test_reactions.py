"""A signal handed to the lead stays open; one that was answered is closed."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.reactions import keep_answer, take_back_answer
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.commands.planted_cell import PlantedCell
from tests.spc.store.many_faces import append_faces


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        opened.set_limit("*", "flatness", upper_um=0.3, who="QE")
        opened.append_face(
            {"lap": "CI-1", "minutes": 9.0, "flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5"},
            who="Ann",
        )
        yield opened


def report(store, lap):
    return Board(store.path, Settings()).lap(lap)


def react(store, signal, *, action, cause="not found"):
    number = store.record_signal(
        lap=signal.lap, sign=signal.sign, rule=signal.rule, severity=signal.severity, sentence=signal.sentence,
        face_id=signal.face_id, who="Ann",
    )  # fmt: skip
    store.answer_signal(number, check_done="looked at", cause=cause, action=action, result="", who="Ann")


def test_handing_a_hold_to_the_lead_does_not_lift_it(store):
    before = report(store, "CI-1")
    assert before.state == "held" and before.signals[0].handed == ""
    react(store, before.signals[0], action="handed to lead")
    after = report(store, "CI-1")
    assert after.state == "held" and after.signals[0].handed == "handed to lead by Ann"
    assert after.sentence.endswith("until a person has looked. It is handed to lead by Ann.")
    assert all("not found" not in cause.counted for cause in after.causes)  # it has found nothing out
    react(store, after.signals[0], action="none")  # the lead looked and found nothing: that is an answer
    assert report(store, "CI-1").signals == ()


def test_a_new_signal_is_not_handed_by_the_old_one(store):
    react(store, report(store, "CI-1").signals[0], action="handed to lead")
    store.append_face(
        {"lap": "CI-1", "minutes": 9.0, "flatness_low_um": 0.5, "flatness_high_um": 0.7, "flatness_text": "0.6"},
        who="Ann",
    )
    (signal,) = report(store, "CI-1").signals
    assert signal.handed == ""


def test_an_answer_covers_the_like_calls_that_were_folded_into_the_one_shown(store):
    at = iter(pd.date_range("2026-03-04 08:00", periods=9, freq="9min", tz="UTC"))

    def lapped(grit_um):
        return store.append_face(
            {"lap": "CI-2", "minutes": 9.0, "grit": f"{grit_um} um", "grit_um": float(grit_um),
             "time_utc": next(at)}, who="Ann",
        )  # fmt: skip

    def shown():
        return [s for s in report(store, "CI-2").signals if s.sign == "grit"]

    _, first, _, second = (lapped(size) for size in (6, 60, 6, 60))
    (signal,) = shown()
    assert (signal.face_id, signal.through_face_id) == (first, second)
    react(store, replace(signal, face_id=signal.through_face_id), action="none")
    assert not shown()
    lapped(6)
    again = lapped(60)
    assert [s.face_id for s in shown()] == [again]  # a new mistake speaks anew


RECHARGED = {"check_done": "looked at", "cause": "charge used up", "action": "recharged", "result": "", "who": "Ann"}


def test_an_answer_taken_back_leaves_everything_as_it_was(store):
    before = report(store, "CI-1")
    event = {"lap": "CI-1", "event": "recharged", "time_utc": pd.Timestamp("2026-03-04 09:00", tz="UTC")}
    number = keep_answer(store, before.signals[0], **RECHARGED, event=event)
    assert report(store, "CI-1").signals == () and len(store.events()) == 1
    assert take_back_answer(store, number, who="Bob", reason="a tap too many") == "recharged"
    assert store.events().empty
    assert repr(report(store, "CI-1")) == repr(before)  # open again, and no cause was found once
    again = keep_answer(store, before.signals[0], **RECHARGED, event=event)
    assert again != number and report(store, "CI-1").signals == () and len(store.events()) == 1


def test_an_event_that_stood_before_the_answer_outlasts_it(store):
    event = {"lap": "CI-1", "event": "recharged", "time_utc": pd.Timestamp("2026-03-04 09:00", tz="UTC")}
    store.append_event(event, who="Ann")
    (signal,) = report(store, "CI-1").signals
    number = keep_answer(store, signal, **RECHARGED, event=event)
    assert len(store.events()) == 1  # one recharging, told twice
    assert take_back_answer(store, number, who="Bob", reason="a tap too many") == ""
    assert len(store.events()) == 1


def test_an_event_taken_back_by_itself_does_not_hinder_the_answer(store):
    event = {"lap": "CI-1", "event": "recharged", "time_utc": pd.Timestamp("2026-03-04 09:00", tz="UTC")}
    number = keep_answer(store, report(store, "CI-1").signals[0], **RECHARGED, event=event)
    store.withdraw_event(int(store.events()["event_id"].iloc[0]), who="Ann", reason="not done")
    assert take_back_answer(store, number, who="Ann", reason="nor found") == ""
    assert store.reactions().empty


def test_a_bad_wipe_taken_back_counts_the_reading_again(store):
    before = report(store, "CI-1")
    said = {"check_done": "wiped", "cause": "bad wipe", "action": "read again", "result": "gone", "who": "Ann"}
    number = keep_answer(store, before.signals[0], **said, one_reading=True)
    assert report(store, "CI-1").signals == ()
    take_back_answer(store, number, who="Ann", reason="it was wiped well")
    assert report(store, "CI-1").state == before.state == "held"


def test_an_answer_about_an_old_log_delivered_later_hides_no_newer_signal(store):
    def lapped(hour, middle_um):
        at = pd.Timestamp("2026-03-04", tz="UTC") + pd.Timedelta(hours=hour)
        read = {"flatness_low_um": middle_um - 0.05, "flatness_high_um": middle_um + 0.05, "flatness_text": "1"}
        return store.append_face(
            {"lap": "CI-4", "time_utc": at, "serial": str(hour), "minutes": 9.0, **read}, who="Ann"
        )

    newest = lapped(12, 0.1)
    old = lapped(8, 0.5)  # last week's page of the log, typed in after today's
    assert old > newest
    said = {"rule": "a face over its limit", "severity": "stop", "sentence": "It was over.", "who": "Ann"}
    number = store.record_signal(lap="CI-4", sign="flatness", face_id=old, **said)
    store.answer_signal(number, check_done="looked at", cause="not found", action="none", result="", who="Ann")
    store.correct_face(newest, {"flatness_low_um": 0.5, "flatness_high_um": 0.6}, who="Ann", reason="misread")
    found = report(store, "CI-4")
    assert found.state == "held" and [signal.face_id for signal in found.signals] == [newest]


def test_an_answer_covers_a_newer_face_that_was_delivered_before_the_older_one(store):
    for serial, day in (("B", 5), ("A", 3)):
        store.append_face(
            {"lap": "CI-5", "time_utc": pd.Timestamp(f"2026-03-0{day}", tz="UTC"), "serial": serial, "minutes": 9.0,
             "flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5"}, who="Ann",
        )  # fmt: skip
    (signal,) = report(store, "CI-5").signals
    assert signal.sentence.startswith("2 faces read on CI-5 are over their limit: A") and "; and B" in signal.sentence
    keep_answer(store, signal, check_done="read again", cause="not found", action="none", result="", who="Ann")
    assert report(store, "CI-5").signals == ()


def test_a_fault_told_at_a_further_pass_is_left_out_from_the_first_face_of_it_on(tmp_path):
    """Its last face was lapped again: no first pass, and none of the readings that are charted."""

    def again(lap, cycle, age, row):
        row["attempt"] = "2" if (cycle, age) == (2, 20) else "1"

    path = PlantedCell(4, cycles=4, last=3, fault=again).store(tmp_path)
    with Store.open(path) as store:
        faces = store.faces(lap="L1")["face_id"].tolist()
        number = store.record_signal(
            lap="L1", sign="flatness", rule="over", severity="stop", sentence="", face_id=faces[2 * 24 + 20],
            detail={"since_face_id": faces[2 * 24 + 16]},
        )  # fmt: skip
        store.answer_signal(number, check_done="", cause="pressure or hold of the part", action="", result="", who="Q")
    chart = Board(path, Settings(time_zone="UTC")).look()[1].charts["L1", "flatness"]
    assert "; 4 at which a fault was found are left out" in chart.sentence


@pytest.mark.parametrize("answered", [True, False])
def test_a_fault_found_each_time_does_not_become_usual(tmp_path, monkeypatch, answered):
    """Six sound cycles, then twelve with a glazed lap: 1.7 times the minutes at the last six faces of each."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    rng = np.random.default_rng(16)
    at = iter(pd.date_range("2026-01-05 06:00", periods=1_000, freq="45min", tz="UTC"))
    with Store.open(tmp_path / "lapcell.db") as store:
        for cycle in range(19):
            store.append_event({"lap": "R1", "event": "reconditioned", "planned": True, "time_utc": next(at)}, who="Q")
            faces = [
                {"lap": "R1", "part": "P1", "serial": f"{cycle} {age}", "time_utc": next(at),
                 "minutes": rng.normal(10, 0.8) * (1.7 if cycle >= 6 and age >= 12 else 1.0)}
                for age in range(18)
            ]  # fmt: skip
            faces = append_faces(store, faces, who="Ann")
            if answered and 6 <= cycle < 18:
                number = store.record_signal(
                    lap="R1", sign="minutes", rule="drift", severity="look", sentence="", face_id=faces[-1],
                    detail={"since_face_id": faces[12]},
                )  # fmt: skip
                store.answer_signal(number, check_done="", cause="glazed lap", action="dressed", result="", who="Q")
        board = Board(store.path, Settings())
        signals, chart = board.lap("R1").signals, board.look()[1].charts["R1", "minutes"]
    sentence, score = chart.sentence, chart.replayed.z[-6:].mean()
    assert [signal.sign for signal in signals] == ["minutes"]
    assert (score > 3) == answered
    assert ("; 72 at which a fault was found are left out" in sentence) == answered
