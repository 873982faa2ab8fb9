"""A signal handed to the lead stays open; one that was answered is closed."""

import pytest

from spc.board.lap_report import report_lap
from spc.settings import Settings
from spc.store.store import Store


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        opened.set_limit("*", "flatness", upper_um=0.3, who="QE")
        opened.append_face(
            {"lap": "CI-1", "minutes": 9.0, "flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5"},
            who="Ann",
        )
        yield opened


def react(store, signal, *, action, cause="not found"):
    number = store.record_signal(
        lap=signal.lap, sign=signal.sign, rule=signal.rule, severity=signal.severity, sentence=signal.sentence,
        face_id=signal.face_id, who="Ann",
    )  # fmt: skip
    store.answer_signal(number, check_done="looked at", cause=cause, action=action, result="", who="Ann")


def test_handing_a_hold_to_the_lead_does_not_lift_it(store):
    before = report_lap(store, "CI-1", Settings())
    assert before.state == "held" and before.signals[0].handed == ""
    react(store, before.signals[0], action="handed to lead")
    after = report_lap(store, "CI-1", Settings())
    assert after.state == "held" and after.signals[0].handed == "handed to lead by Ann"
    assert after.sentence.endswith("until a person has looked. It is handed to lead by Ann.")
    assert all("not found" not in cause.counted for cause in after.causes)  # it has found nothing out
    react(store, after.signals[0], action="none")  # the lead looked and found nothing: that is an answer
    assert report_lap(store, "CI-1", Settings()).signals == ()


def test_a_new_signal_is_not_handed_by_the_old_one(store):
    react(store, report_lap(store, "CI-1", Settings()).signals[0], action="handed to lead")
    store.append_face(
        {"lap": "CI-1", "minutes": 9.0, "flatness_low_um": 0.5, "flatness_high_um": 0.7, "flatness_text": "0.6"},
        who="Ann",
    )
    (signal,) = report_lap(store, "CI-1", Settings()).signals
    assert signal.handed == ""
