"""The answers to a signal on the lap view: kept, handed on, and a mistaken one undone in one tap."""

from dataclasses import replace

import pytest
from streamlit.testing.v1 import AppTest

from spc.board.reactions import keep_answer
from spc.board.results import Cause
from spc.store.store import Store
from tests.dashboard import fixtures
from tests.dashboard.conftest import put, refusals, text
from tests.dashboard.test_views import run
from tests.dashboard.view_script import one_view

LIKELY = tuple(
    Cause(name, share, "look", "act", "", "")
    for name, share in (("coarse grain or contamination", 0.8), ("glazed lap", 0.1), ("unknown", 0.1))
)


@pytest.fixture(autouse=True)
def board(monkeypatch):
    put(monkeypatch, fixtures.shift())


def press(page, label):
    next(button for button in page.button if button.label == label).click().run()
    assert not page.exception


def test_an_answer_is_kept_with_who_and_counts_as_a_reaction(filled_store):
    page = run("lap", lap="CI-1")
    press(page, "Recharged")
    with Store.open(filled_store) as store:
        kept, events = store.reactions(), store.events(lap="CI-1")
    assert kept[["cause", "action", "who"]].values.tolist() == [["charge used up", "recharged", "R. Oduya"]]
    assert events["event"].tolist() == ["recharged"]
    page.run()  # the page redraws itself whenever the log grows; what was kept stays said
    assert "Kept on CI-1: recharged, signed R. Oduya. CI-1 is logged as recharged too." in text(page)


def test_a_signal_that_is_asked_again_after_its_answer_says_why(filled_store, monkeypatch):
    """A face may come between the page and the tap: the answer covers what the page showed."""
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),))
    page = run("lap", lap="CI-1")
    press(page, "Not found")  # this board asks for ever
    assert "It is asked again: it also stands for a face that this answer does not cover." in text(page)


def test_another_signal_does_not_ask_again(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),))
    page = run("lap", lap="CI-1")
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(face_id=99, sign="minutes"),))
    press(page, "Not found")
    assert "Kept on CI-1: not found" in text(page) and "It is asked again" not in text(page)


def test_a_signal_handed_on_is_not_said_to_be_asked_again(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),))
    page = run("lap", lap="CI-1")
    press(page, "Handed to lead")
    assert "Kept on CI-1: handed to lead" in text(page) and "It is asked again" not in text(page)


def test_an_answer_is_undone_in_one_tap_with_the_event_that_it_logged(filled_store):
    (filled_store.parent / "lapcell.toml").write_text("clock = 2026-03-05T06:00:00", encoding="utf-8")
    page = run("lap", lap="CI-1")
    for _ in range(2):  # answered the same way again at a clock that stands still
        press(page, "Recharged")
        press(page, "Undo")
        assert "Taken back on CI-1, signed R. Oduya: its signal is open again where it still stands." in text(page)
        assert "CI-1 is no longer logged as recharged." in text(page) and "Kept on CI-1" not in text(page)
        assert "Undo" not in [button.label for button in page.button]
    with Store.open(filled_store) as store:
        assert store.reactions().empty and store.events(lap="CI-1").empty
        assert sorted(store.edits()["kind"]) == ["answer", "answer", "event", "event"]
        assert set(store.edits()["who"]) == {"R. Oduya"}
    shown = run("log", section="edits").dataframe[0].value
    assert set(shown["changed"]) == {"taken back", "taken back: charge used up"}


def test_an_answer_is_not_undone_twice(filled_store):
    page = run("lap", lap="CI-1")
    press(page, "Not found")
    with Store.open(filled_store) as store:  # somebody else was quicker
        store.withdraw_reaction(1, who="Bo", reason="mine")
    press(page, "Undo")
    assert "reaction_id must be an answer in force, got 1" in refusals(page)[0]


def test_whether_it_was_reconditioned_is_answered_yes_or_no_and_undone(filled_store, monkeypatch):
    asked = fixtures.signal(
        sign="reconditioning", rule="a reconditioning may not be logged", sentence="CI-1 may have been. Was it?",
        since_face_id=7, face_id=8, time_text="4 March 06:56",
    )  # fmt: skip
    put(monkeypatch, fixtures.shift(), signals=(asked,), asked=(asked,))
    monkeypatch.setattr("dashboard.parts.answer._TOO_SOON_S", 0.0)
    page = run("lap", lap="CI-1")
    assert text(page).count("CI-1 may have been. Was it?") == 1
    labels = [button.label for button in page.button]
    assert "Yes, reconditioned" in labels and "No" in labels and "Bad wipe" not in labels
    press(page, "Yes, reconditioned")
    with Store.open(filled_store) as store:
        (event,), (eighth,) = (rows.to_dict("records") for rows in (store.events(), store.face_versions(8)))
        assert (event["event"], event["time_utc"]) == ("reconditioned", eighth["time_utc"])
        assert store.reactions()["who"].tolist() == ["R. Oduya"]
    press(page, "Undo")
    assert "CI-1 is no longer logged as reconditioned." in text(page)
    press(page, "No")
    assert "Kept on CI-1: no, signed R. Oduya; the cycle goes on." in text(page)
    with Store.open(filled_store) as store:
        assert store.events().empty and store.reactions()["cause"].tolist() == ["not reconditioned"]


def test_every_place_is_asked_after_and_all_can_be_answered_at_once_and_undone(filled_store, monkeypatch):
    both = tuple(
        fixtures.signal(sign="reconditioning", face_id=f, since_face_id=f - 1, sentence=f"Was it at {f}?")
        for f in (8, 4)
    )
    put(monkeypatch, fixtures.shift(), signals=(), asked=both)
    monkeypatch.setattr("dashboard.parts.answer._TOO_SOON_S", 0.0)
    page = run("lap", lap="CI-1")
    assert "Was it at 8?" in text(page) and "Was it at 4?" in text(page)
    labels = [button.label for button in page.button]
    assert labels.count("No") == labels.count("Yes, reconditioned") == 2
    press(page, "All: yes, reconditioned each time")
    with Store.open(filled_store) as store:
        assert store.events()["event"].tolist() == ["reconditioned"] * 2 and len(store.reactions()) == 2
    press(page, "Undo")
    with Store.open(filled_store) as store:
        assert store.events().empty and store.reactions().empty
    press(page, "All: no")
    assert "Kept on CI-1: all: no, signed R. Oduya; the cycle goes on." in text(page)
    with Store.open(filled_store) as store:
        assert store.events().empty and store.reactions()["cause"].tolist() == ["not reconditioned"] * 2


def test_a_signal_handed_to_the_lead_says_so_and_is_still_to_be_answered(filled_store, monkeypatch):
    handed = fixtures.signal(handed="handed to lead by R. Oduya")
    put(monkeypatch, fixtures.shift(), signals=(handed,))
    page = run("lap", lap="CI-1")
    assert "Handed to lead by R. Oduya: open until it is answered." in text(page)
    labels = [button.label for button in page.button]
    assert "Handed to lead" not in labels and "Not found" in labels


def test_a_tap_that_lands_twice_answers_one_signal_and_says_why_not_the_other(filled_store, monkeypatch):
    another = fixtures.signal(face_id=99, sign="minutes")
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(), another))
    monkeypatch.setattr("dashboard.parts.answer._TOO_SOON_S", 600.0)  # however slow the machine is
    page = run("lap", lap="CI-1")
    press(page, "Not found")
    press(page, "Not found")
    with Store.open(filled_store) as store:
        assert len(store.reactions()) == 1
    assert refusals(page) == [
        "That tap came at once after the last answer, and may not have been meant: nothing was kept. Tap again."
    ]
    monkeypatch.setattr("dashboard.parts.answer._TOO_SOON_S", 0.0)
    press(page, "Not found")
    with Store.open(filled_store) as store:
        assert len(store.reactions()) == 2


def kept_causes(path, lap="CI-1"):
    with Store.open(path) as store:
        return store.reactions(lap=lap)["cause"].tolist()


def test_the_likely_causes_are_one_tap_each_and_all_others_behind_one(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),), causes=LIKELY)
    page = run("lap", lap="CI-1")
    labels = [button.label for button in page.button]
    assert labels[:2] == ["Coarse grain", "Glazed lap"] and {"Stroke or ring", "The room"} <= set(labels)
    assert len(set(labels)) == len(labels)
    press(page, "Glazed lap")
    assert kept_causes(filled_store) == ["glazed lap"]
    assert "Kept on CI-1: glazed lap, signed R. Oduya." in text(page) and "Counted as" not in text(page)


def test_what_was_done_is_counted_as_the_likeliest_cause_that_it_puts_right_and_says_so(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(sign="scratch", severity="stop"),), causes=LIKELY)
    page = run("lap", lap="CI-1")
    press(page, "Recharged")
    assert kept_causes(filled_store) == ["coarse grain or contamination"]
    assert "CI-1 is logged as recharged too. Counted as: coarse grain or contamination." in text(page)


@pytest.mark.parametrize(
    ("words", "cause"), [("spilt paste", "something else: spilt paste"), ("glased lap", "glazed lap")]
)
def test_own_words_are_kept_as_something_else_unless_the_table_knows_them(filled_store, monkeypatch, words, cause):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),), causes=LIKELY)
    page = run("lap", lap="CI-1")
    press(page, "Keep these words")
    assert refusals(page) == ["Nothing was kept: say in words what it was."]
    page.text_input[0].set_value(words).run()
    press(page, "Keep these words")
    assert kept_causes(filled_store) == [cause]
    with Store.open(filled_store) as store:
        assert store.reactions()["result"].tolist() == [""]  # nobody said that the lap carries on


def test_a_room_alarm_is_answered_on_the_shift_view(filled_store, monkeypatch):
    room = replace(fixtures.shift().room, asked="most laps moved together in the shift", causes=LIKELY)
    put(monkeypatch, fixtures.shift(room=room))
    page = run("shift")
    labels = [button.label for button in page.button]
    assert "Glazed lap" in labels and "Not found" in labels and not {"Bad wipe", "Recharged"} & set(labels)
    press(page, "The room")
    assert refusals(page) == ["Say first who signs this."]
    page.selectbox[0].set_value("R. Oduya").run()
    press(page, "The room")
    assert kept_causes(filled_store, "the room") == ["the room: temperature, lamp, flat, slurry batch"]


def test_a_room_alarm_that_is_answered_asks_no_more(filled_store, monkeypatch):
    room = replace(fixtures.shift().room, asked="most laps moved together", answered="Found by Bo: the lamp.")
    put(monkeypatch, fixtures.shift(room=room))
    page = run("shift")
    assert "Found by Bo: the lamp." in text(page) and not page.button


def keep(path, lap="CI-1", *, sign="flatness", cause="glazed lap", face=8, event=None):
    """An answer of somebody else, kept before this screen was opened."""
    signal = fixtures.signal(lap=lap, sign=sign, face_id=face, sentence=f"{lap} is asked about {sign} at {face}.")
    with Store.open(path) as store:
        return keep_answer(
            store, signal, check_done="looked at", cause=cause, action="none", result="carries on", who="Bo",
            event=event,
        )  # fmt: skip


def opened(view, *, place="CI-1", **query):
    page = AppTest.from_function(one_view, kwargs={"view": view}, default_timeout=30)
    page.session_state[f"answered-before-{place}"] = True
    page.session_state["lc_signed"] = "R. Oduya"
    for name, value in query.items():
        page.query_params[name] = value
    page.run()
    assert not page.exception, page.exception
    return page


def test_an_answer_of_an_earlier_session_is_taken_back_on_the_page(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=())
    keep(filled_store, event={"lap": "CI-1", "event": "recharged", "time_text": "2026-03-05 06:00"})
    keep(filled_store, "CI-2", cause="spent charge")
    page = opened("lap", lap="CI-1")
    assert "Flatness: glazed lap. Signed Bo, " in text(page) and "CI-1 is asked about flatness at 8." in text(page)
    assert "spent charge" not in text(page)
    press(page, "Take back")
    told = "Taken back on CI-1, signed R. Oduya: its signal is open again where it still stands."
    assert f"{told} CI-1 is no longer logged as" in text(page)
    with Store.open(filled_store) as store:
        assert store.reactions()["lap"].tolist() == ["CI-2"] and store.events(lap="CI-1").empty
        assert store.edits()["who"].tolist() == ["R. Oduya", "R. Oduya"]


def test_answers_are_folded_away_until_asked_for_and_the_newest_come_first(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=())
    for face in range(1, 8):
        keep(filled_store, face=face)
    assert "Take back" not in [button.label for button in run("lap", lap="CI-1").button]
    page = opened("lap", lap="CI-1")
    labels = [button.label for button in page.button]
    assert labels.count("Take back") == 5 and "at 7." in text(page) and "at 2." not in text(page)
    press(page, "Show older")
    assert "at 1." in text(page) and "Show older" not in [button.label for button in page.button]


def test_a_second_tap_at_once_does_not_take_back_the_answer_that_moved_up(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=())
    monkeypatch.setattr("dashboard.parts.answered._TOO_SOON_S", 60.0)
    keep(filled_store, face=1)
    keep(filled_store, face=2)
    page = opened("lap", lap="CI-1")
    press(page, "Take back")
    press(page, "Take back")
    with Store.open(filled_store) as store:
        assert store.reactions()["reaction_id"].tolist() == [1]
    assert "nothing was taken back. Tap again." in refusals(page)[0]


def test_an_answer_taken_back_meanwhile_is_said_not_to_be_in_force(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=())
    number = keep(filled_store)
    page = opened("lap", lap="CI-1")
    with Store.open(filled_store) as store:
        store.withdraw_reaction(number, who="Bo", reason="mine")
    press(page, "Take back")
    assert "reaction_id must be an answer in force" in refusals(page)[0]


def test_the_log_view_lists_the_answers_of_every_lap_and_of_the_room(filled_store):
    keep(filled_store)
    keep(filled_store, "the room", sign="room")
    page = opened("log", place="", section="edits")
    assert "CI-1, flatness: glazed lap. Signed Bo, " in text(page) and "the room, room: glazed lap" in text(page)
    press(page, "Take back")
    assert "Taken back on the room, signed R. Oduya" in text(page)
    with Store.open(filled_store) as store:
        assert store.reactions()["lap"].tolist() == ["CI-1"]


def test_the_answer_to_this_shifts_room_alarm_is_taken_back_where_it_was_given(filled_store, monkeypatch):
    room = replace(fixtures.shift().room, asked="most laps moved together", answered="Found by Bo: the lamp.")
    put(monkeypatch, fixtures.shift(room=room))
    keep(filled_store, "the room", sign="room")
    page = opened("shift", place="the room")
    assert "Room: glazed lap. Signed Bo, " in text(page)
    press(page, "Take back")
    assert "Taken back on the room, signed R. Oduya: its signal is open again where it still stands." in text(page)
    with Store.open(filled_store) as store:
        assert store.reactions().empty


def test_own_words_that_are_missing_are_asked_for_beside_their_field_and_kept_as_typed(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), signals=(fixtures.signal(),))
    page = run("lap", lap="CI-1")
    press(page, "Keep these words")
    shown = [element.proto.body for popover in page.get("popover") for element in popover.get("html")]
    assert any("Nothing was kept: say in words what it was." in body for body in shown)
    next(field for field in page.text_input if field.label == "In your own words").set_value("Spindle B of DIN 808")
    press(page, "Keep these words")
    assert not refusals(page) and "Kept on CI-1: something else: Spindle B of DIN 808, signed R. Oduya" in text(page)


def test_what_is_asked_for_and_what_is_answered_are_one_word():
    from dashboard.parts.answer import ANSWERS

    assert all(answer.words.lower() == answer.event for answer in ANSWERS if answer.event)  # as it stands in the log
