"""Signals and what people said about them: kept once, every answer counted, a mistaken one taken back and kept."""

import json

import pytest

from spc.store.database import StoreError
from spc.store.store import Store

SIGNAL = {"lap": "CI-1", "sign": "flatness", "rule": "beyond", "severity": "stop", "sentence": "over", "face_id": 3}
FOUND = {"check_done": "looked at", "cause": "charge used up", "action": "recharged", "result": "carries on"}


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def test_a_signal_is_kept_once_and_every_answer_counts(store):
    one = {"lap": "CI-1", "sign": "flatness", "rule": "beyond", "severity": "stop", "sentence": "over", "face_id": 3}
    number = store.record_signal(**one)
    assert store.record_signal(**one) == number
    assert store.record_signal(**(one | {"face_id": None})) == store.record_signal(**(one | {"face_id": None}))
    store.answer_signal(number, check_done="re-read", cause="not found", action="none", result="fine", who="Ann")
    store.answer_signal(number, check_done="lap measured", cause="hollow", action="ring moved", result="", who="Bob")
    assert store.signals()["reactions"].tolist() == [2, 0]
    assert store.reactions(lap="CI-1")["cause"].tolist() == ["not found", "hollow"]
    assert store.reactions(lap="CI-2").empty
    with pytest.raises(StoreError, match="`signal_id` must be a stored signal, got 9"):
        store.answer_signal(9, check_done="", cause="x", action="", result="", who="Ann")
    with pytest.raises(StoreError, match="'not found'"):
        store.answer_signal(number, check_done="", cause="", action="", result="", who="Ann")


def test_an_answer_taken_back_counts_no_more_and_stays_on_record(store):
    number = store.record_signal(**SIGNAL)
    first, second = (store.answer_signal(number, **FOUND, who=who) for who in ("Ann", "Bob"))
    store.withdraw_reaction(first, who="Cy", reason="the wrong lap")
    assert store.reactions()["reaction_id"].tolist() == [second] == store.reactions(lap="CI-1")["reaction_id"].tolist()
    assert store.signals()["reactions"].tolist() == [1]
    (told,) = store.edits().to_dict("records")
    assert (told["kind"], told["id"], told["lap"], told["who"]) == ("answer", first, "CI-1", "Cy")
    assert told["reason"] == "the wrong lap" and told["withdrawn"]
    assert json.loads(told["differences"]) == {"cause": ["charge used up", None]}
    assert store.edits(after_signal=True).empty  # an answer is no row whose reading somebody changed
    kept = store.connection.execute("SELECT who, cause FROM reaction ORDER BY reaction_id").fetchall()
    assert kept == [("Ann", "charge used up"), ("Bob", "charge used up")]


def test_what_cannot_be_taken_back_is_refused_and_changes_nothing(store):
    number = store.answer_signal(store.record_signal(**SIGNAL), **FOUND, who="Ann")
    revision = store.revision()
    for who, reason in (("", "wrong"), ("Ann", " ")):
        with pytest.raises(StoreError, match="taking back an answer is signed and explained"):
            store.withdraw_reaction(number, who=who, reason=reason)
    with pytest.raises(StoreError, match="`reaction_id` must be an answer in force, got 9"):
        store.withdraw_reaction(9, who="Ann", reason="wrong")
    assert store.revision() == revision
    store.withdraw_reaction(number, who="Ann", reason="wrong")
    with pytest.raises(StoreError, match=f"must be an answer in force, got {number}"):
        store.withdraw_reaction(number, who="Ann", reason="twice")
