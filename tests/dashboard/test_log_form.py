"""Logging, undoing and correcting faces and events, through the lap view itself."""

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from dashboard import data
from dashboard.entry import FaceEntry, LengthUnit, face_row
from spc.settings import Settings
from spc.store.store import Store
from tests.dashboard import fixtures
from tests.dashboard.conftest import refusals, text
from tests.dashboard.test_views import run

MICROMETRES = LengthUnit("um", "")


@pytest.fixture
def board(monkeypatch):
    """A board of invented reports: the forms are looked at here, not the statistics."""
    monkeypatch.setattr(data, "lap_report", lambda now, name: fixtures.lap(lap=name))


def write(path, *readings, lap="MY-1", unit=MICROMETRES, at=datetime(2026, 3, 5, 6, 0, tzinfo=UTC)):
    """Write faces of one lap, a minute apart, as another process would."""
    with Store.open(path) as store:
        for number, typed in enumerate(readings):
            entry, moment = FaceEntry(typed, operator="Bo"), at + timedelta(minutes=number)
            store.append_face(face_row(entry, lap=lap, unit=unit, site=Settings(), at=moment), who="Bo")


def faces(path, lap="MY-1"):
    with Store.open(path) as store:
        return store.faces(lap=lap)


def press(page, label):
    next(button for button in page.button if button.label == label).click().run()
    assert not page.exception
    return page


def tap(page, group, choice):
    next(pills for pills in page.pills if pills.label.startswith(group)).set_value(choice)
    return page


def put(page, label, typed):
    next(field for field in page.text_input if field.label.startswith(label)).set_value(typed)
    return page


@pytest.mark.parametrize("language", ["en", "de", "fr"])
def test_a_tapped_reading_is_the_one_in_the_log_whatever_the_numbers_of_the_screen(language, filled_store, board):
    write(filled_store, "5.125", "5.125")
    page = press(tap(run("lap", lap="MY-1", language=language), "Flatness", "5.125"), "Log this face")
    assert "Logged: 5.125 µm on MY-1." in text(page).replace("\u00a0", " ")
    kept = faces(filled_store)[["flatness_text", "flatness_low_um", "flatness_high_um", "flatness_unit"]]
    assert len(kept) == 3 and len(kept.drop_duplicates()) == 1


def test_a_mark_between_thousands_is_echoed_as_typed_and_what_was_understood_is_said(filled_store, board):
    write(filled_store, "500", lap="MY-1", unit=LengthUnit("nm", ""))
    page = press(put(run("lap", lap="MY-1", language="de"), "or type it", "1.000"), "Log this face")
    said = text(page).replace("\u00a0", " ")
    assert "Logged: 1.000 nm on MY-1. 1.000 read as 1000 (. between thousands)." in said
    page = press(put(run("lap", lap="MY-1", language="de"), "or type it", "1.000 ish"), "Log this face")
    assert refusals(page) == ["Flatness is not a number: '1.000 ish'; type it like 1,5 or <0,5 or 1-1,5 or 2+."]


def test_a_correction_stands_in_the_marks_of_the_screen_and_is_read_in_them(filled_store, board):
    write(filled_store, "5.125")
    page = run("lap", lap="MY-1", language="de", way="Correct last face")
    assert [field.value for field in page.text_input if field.label == "Flatness, µm"] == ["5,125"]
    put(put(page, "Flatness", "5,126"), "Why it is corrected", "misread")
    press(page, "Keep the correction")
    assert not refusals(page) and "Corrected: it reads 5,126 µm." in text(page).replace("\u00a0", " ")
    assert 5.12 < faces(filled_store)["flatness_low_um"].iloc[0] < 5.13


def test_minutes_alone_are_corrected_without_reading_the_flatness_anew(filled_store, board):
    write(filled_store, "5.125")
    page = put(run("lap", lap="MY-1", language="de", way="Correct last face"), "Why it is corrected", "misread clock")
    next(field for field in page.text_input if field.key.startswith("minutes-mend")).set_value("7")
    press(page, "Keep the correction")
    (kept,) = faces(filled_store)[["flatness_text", "minutes"]].to_numpy().tolist()
    assert kept == ["5.125", 7.0]


def test_one_reading_typed_with_another_unit_leaves_the_form_in_bands(filled_store, board):
    (filled_store.parent / "lapcell.toml").write_text('lamp = "helium"', encoding="utf-8")
    page = press(put(run("lap", lap="CI-1"), "or type it", "1.5 um"), "Log this face")
    assert "Flatness, light bands, helium lamp" in [pills.label for pills in page.pills]
    write(filled_store, "5")
    page = press(put(run("lap", lap="MY-1"), "or type it", "1.5 bands"), "Log this face")
    assert not refusals(page) and faces(filled_store)["lamp"].tolist() == ["", "helium"]


def test_an_event_tapped_twice_is_kept_once_and_taken_back_whole(filled_store, board):
    page = run("lap", lap="CI-1", way="Event")
    for said in ("Logged: CI-1 recharged.", "CI-1 recharged was logged a moment ago; nothing was added."):
        press(tap(page, "What was done", "recharged"), "Log this event")
        assert said in text(page)
    press(page, "Log this event")  # the second tap finds the form emptied by the first
    assert said in text(page) and not refusals(page)
    press(tap(page, "What was done", "cleaned"), "Log this event")  # another event is no second tap
    with Store.open(filled_store) as store:
        assert store.events(lap="CI-1")["event"].tolist() == ["recharged", "cleaned"]
    press(page, "Undo")
    assert "Taken back: CI-1 cleaned. It stays on record as taken back." in text(page)
    with Store.open(filled_store) as store:
        assert store.events(lap="CI-1")["event"].tolist() == ["recharged"]
    press(tap(page, "What was done", "cleaned"), "Log this event")  # taken back, it is no second tap either
    assert "Logged: CI-1 cleaned." in text(page)


def test_a_face_tapped_twice_is_taken_back_in_the_words_it_was_logged_in(filled_store, board):
    page = run("lap", lap="CI-1")
    for _ in range(2):
        press(tap(page, "Flatness", "0.5"), "Log this face")
    press(page, "Undo")
    assert "Taken back: 0.5 light bands on CI-1. It stays on record as taken back." in text(page)
    assert len(faces(filled_store, "CI-1")) == 12


def test_a_second_tap_that_finds_the_form_emptied_is_none(filled_store, board):
    page = press(tap(run("lap", lap="CI-1"), "Flatness", "0.5"), "Log this face")
    press(page, "Log this face")
    assert "0.5 light bands on CI-1 was logged a moment ago; nothing was added." in text(page) and not refusals(page)
    press(put(page, "Minutes on the lap", "9"), "Log this face")
    assert refusals(page) == ["Flatness is empty: tap a reading or type one."]
    assert len(faces(filled_store, "CI-1")) == 13


@pytest.mark.parametrize("minutes", [12.0, 22 / 3])
def test_a_correction_that_changes_nothing_says_so(minutes, filled_store, board):
    with Store.open(filled_store) as store:
        face_id = int(store.faces(lap="CI-1").iloc[-1]["face_id"])
        store.correct_face(face_id, {"minutes": minutes, "note": "timed"}, who="Bo", reason="clock")
    page = put(run("lap", lap="CI-1", way="Correct last face"), "Why it is corrected", "bad wipe")
    press(page, "Keep the correction")
    assert refusals(page) == ["Nothing was changed: it reads 2.5 light bands already."]


def test_the_face_to_correct_is_named_by_its_day_and_minute(filled_store, board):
    with Store.open(filled_store) as store:
        face_id = int(store.faces(lap="CI-1").iloc[-1]["face_id"])
        at = pd.Timestamp("2026-03-04T15:52+02:00")
        store.correct_face(face_id, {"time_utc": at, "time_text": str(at)}, who="Bo", reason="clock")
    for language, when in (("en", "2026-03-04 13:52 UTC"), ("de", "04.03.2026 13:52 UTC")):
        page = run("lap", lap="CI-1", way="Correct last face", language=language)
        assert f"Last face: 2.5 light bands, {when}." in text(page).replace("\u00a0", " ")


def test_a_form_that_nobody_opened_is_not_drawn(filled_store, board):
    page = run("lap", lap="CI-1")
    drawn = [button.label for button in page.button]
    assert "Log this face" in drawn and not {"Log this event", "Keep the correction"} & set(drawn)
    for way in ("Event", "Face"):  # one that was opened may be half typed: it stays
        page.session_state["ways-CI-1"] = way
        page.run()
        assert "Log this event" in [button.label for button in page.button]
    page.query_params["lap"] = "CI-2"  # what was opened on one lap is not drawn on another
    page.session_state["ways-CI-2"] = "Face"
    page.run()
    assert "Log this event" not in [button.label for button in page.button]


def test_a_reading_far_above_the_usual_is_kept_once_a_person_says_that_it_was_read(filled_store, board):
    page = press(put(run("lap", lap="CI-1"), "or type it", "1234.5"), "Log this face")
    (why,) = refusals(page)
    assert why.startswith("Nothing was kept yet: flatness of 1234.5 light bands is about 800 times what CI-1 usually")
    assert len(faces(filled_store, "CI-1")) == 12
    press(put(page, "or type it", "1235"), "Yes, I read that")  # said of another reading
    assert len(faces(filled_store, "CI-1")) == 12 and "flatness of 1235 light bands" in refusals(page)[0]
    press(page, "Yes, I read that")
    assert not refusals(page) and faces(filled_store, "CI-1")["flatness_text"].iloc[-1] == "1235"
    assert "1235" not in next(pills for pills in page.pills if pills.label.startswith("Flatness")).options


def test_a_correction_far_above_the_usual_is_asked_about_too(filled_store, board):
    page = run("lap", lap="CI-1", way="Correct last face")
    put(put(page, "Flatness", "250"), "Why it is corrected", "misread")
    assert "250 light bands is about 200 times" in refusals(press(page, "Keep the correction"))[0]
    press(page, "Yes, I read that")
    assert not refusals(page) and faces(filled_store, "CI-1")["flatness_text"].iloc[-1] == "250"


def test_the_word_of_the_face_before_is_not_taken_for_that_of_the_one_refused(filled_store, board):
    page = press(put(run("lap", lap="CI-1"), "or type it", "1"), "Log this face")
    press(put(page, "or type it", "one"), "Log this face")
    assert len(refusals(page)) == 1 and "The entry before stays. Logged: 1 light band on CI-1." in text(page)
    press(put(page, "or type it", "1.5"), "Log this face")
    assert "The entry before" not in text(page) and "Logged: 1.5 light bands on CI-1." in text(page)
