"""Each view runs without a browser: on an empty store, one face, a few faces, and a wild name."""

import html
import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import data
from dashboard.entry import FaceEntry, LengthUnit, face_row
from dashboard.parts.page import Page, in_unit_of
from dashboard.theme import LIGHT
from dashboard.units import display_unit
from dashboard.views import lap as lap_view
from dashboard.views.tour import STEPS
from spc.board.results import ReconditionSlot
from spc.board.safety import CAUTIONS, DEFERENCE
from spc.settings import Settings
from spc.store.store import Store
from tests.dashboard import fixtures
from tests.dashboard.conftest import fill, put, refusals, text
from tests.dashboard.view_script import one_view

VIEWS = ("shift", "lap", "proof", "log")


def run(view, *, lap=None, wall=False, section=None, language="en", unit="um", way=None):
    asked = {"view": view, "wall": wall, "language": language, "unit": unit}
    page = AppTest.from_function(one_view, kwargs=asked, default_timeout=30)
    if lap is not None:
        page.query_params["lap"] = lap
    if section is not None:
        page.query_params["section"] = section
    if way is not None:
        page.session_state[f"ways-{lap}"] = way
    if view == "proof":  # where nobody is offered
        page.session_state["lc_signed"] = "Q. Engineer"
    page.run()
    assert not page.exception, page.exception
    return page


@pytest.mark.parametrize("view", VIEWS)
def test_an_empty_store_has_a_useful_screen(view, empty_store):
    shown = text(run(view))
    assert "<h1>" in shown
    assert "Nothing has been taken in yet" in shown or "This log is empty" in shown


def test_the_shift_view_names_the_sentence_and_every_lap(filled_store, board):
    page = run("shift")
    shown = text(page)
    assert "One lap is held and two are due" in shown and "cries wolf about once a week" in shown
    for lap in ("CE-2", "CI-1", "DI-1", "CU-2"):
        assert lap in shown
    assert "<script>" not in shown and "&lt;script&gt;" in shown
    assert len(page.get("plotly_chart")) == 1


def test_the_wall_names_who_needs_a_person_and_has_nothing_to_press(filled_store, board):
    page = run("shift", wall=True)
    assert "CE-2" in text(page) and "CI-2 and CU-2" in text(page) and "Newest face: 4 March 09:33" in text(page)
    assert not page.button and not page.selectbox and not page.get("page_link")


def test_stale_data_are_said(filled_store, board, monkeypatch):
    late = fixtures.shift(stale="No face since 3 March 17:40: these sentences are about then.")
    put(monkeypatch, late)
    for wall in (True, False):
        assert "No face since 3 March 17:40" in text(run("shift", wall=wall))


def test_the_lap_view_shows_the_sentence_the_picture_the_answers_and_the_form(filled_store, board):
    page = run("lap", lap="DI-2")
    shown = text(page)
    assert "plan to recondition it within 6 to 14 faces" in shown and "straightedge across the plate" in shown
    assert page.selectbox(key="lc_lap").value == "DI-2"
    assert {button.label for button in page.button} >= {
        "Bad wipe",
        "Recharged",
        "Reconditioned",
        "Handed to lead",
        "Not found",
    }
    assert "Take care" in shown
    assert len(page.get("plotly_chart")) == 1


def test_a_lap_is_shown_in_the_unit_it_was_typed_in_unless_another_was_chosen(filled_store):
    def page_in(*, as_typed):
        now = data.snapshot()
        return in_unit_of(
            "CI-1", Page(now, data.settings(now), LIGHT, display_unit("uin"), unit_as_typed=as_typed)
        ).unit.key

    assert page_in(as_typed=True) == "band-helium"
    assert page_in(as_typed=False) == "uin"


def test_an_unknown_lap_is_said_and_not_swapped(filled_store, board):
    shown = text(run("lap", lap="CI-9"))
    assert "There is no lap called CI-9." in shown and "Did you mean" in shown
    shown = text(run("lap", lap="<script>alert(1)</script>"))
    assert "<script>" not in shown and "There is no lap called &lt;script&gt;" in shown


def test_a_lap_named_in_small_letters_is_proposed_first(filled_store, board, monkeypatch):
    fill(filled_store, laps=("ci-7", "DI-1"), readings=("1",))
    proposed = []
    monkeypatch.setattr(lap_view, "link_to_lap", lambda page, name, **_: proposed.append(name))
    assert "There is no lap called ci-1." in text(run("lap", lap="ci-1"))
    assert proposed[0] == "CI-1"


@pytest.mark.parametrize("state", ["cutting", "due"])
def test_only_a_lap_that_cuts_has_nothing_that_speaks_against_it(filled_store, monkeypatch, state):
    said = {"sentence": "No faces left.", "reasons": ("No faces left.",), "confidence": "", "state": state}
    put(monkeypatch, fixtures.shift(), **said)
    shown = text(run("lap", lap="CI-1"))
    assert ("Nothing speaks against this lap." in shown) == ("Why it says so" in shown) == (state == "cutting")


def test_a_lap_told_in_passes_says_how_many_faces_they_were(filled_store, monkeypatch):
    left = replace(fixtures.faces_left(), counted="pass", sentence="6 to 43 passes left")
    put(monkeypatch, fixtures.shift(), faces_left=left, age_faces=32, finished_faces=20)
    assert all(said in text(run("lap", lap="CI-1")) for said in ("passes left", "20 faces in 32 passes"))


def test_each_thing_that_holds_a_lap_has_its_own_time(filled_store, monkeypatch):
    jump, scratch = (
        fixtures.signal(rule=rule, severity="stop", time_text=f"2026-06-28T{clock}:00+02:00")
        for rule, clock in (("finish jump", "08:26"), ("scratch", "08:47"))
    )
    held = {"CE-1": (jump, scratch), "DI-2": (jump,)}
    laps = tuple(fixtures.lap(lap=lap, state="held", signals=stops) for lap, stops in held.items())
    put(monkeypatch, replace(fixtures.shift(), laps=laps))
    said = text(run("shift"))
    assert "CE-1: finish jump (2026-06-28 08:26) and scratch (2026-06-28 08:47)." in said
    assert "DI-2: finish jump, 2026-06-28 08:26." in said


def test_the_fact_of_faces_left_says_them_once_and_names_their_part(filled_store, monkeypatch):
    put(monkeypatch, fixtures.shift(), faces_left=fixtures.faces_left(sentence="0 to 13 faces left (SP-20)"))
    shown = text(run("lap", lap="CI-1"))
    assert "<dt>faces left</dt><dd>0 to 13 (" in shown and "faces left</dt><dd>0 to 13 faces left" not in shown


@pytest.mark.parametrize("state", ["resting", "due"])
def test_the_form_of_a_lap_out_of_use_asks_first_what_was_done_to_it(filled_store, monkeypatch, state):
    put(monkeypatch, fixtures.shift(), state=state, sentence="CI-1 has been retired (damaged) since 4 March.")
    asked = "Before a face on it, log what was done to it, under Event." in text(run("lap", lap="CI-1"))
    assert asked == (state == "resting")


@pytest.mark.parametrize("lap", ["", " "])
def test_a_link_that_names_no_lap_opens_one(lap, filled_store, board):
    page = run("lap", lap=lap)
    assert "There is no lap called" not in text(page) and page.query_params["lap"] == "CI-1"


def test_the_shift_view_shows_the_plan_of_reconditioning(filled_store, monkeypatch):
    slot = ReconditionSlot("CI-1", "end of the late shift, 22:00", 5.0, 9.0, "about 5 faces until then.")
    held = ReconditionSlot("CE-2", "", math.nan, 3.0, "answer its signal first.", "after its answer")
    put(monkeypatch, fixtures.shift(slots=(slot, held), slots_note="One lap at each break."))
    shown = text(run("shift"))
    assert "<td>end of the late shift, 22:00</td>" in shown and "<td>after its answer</td>" in shown
    assert "One lap at each break." in shown


def log_face(page, reading):
    next(group for group in page.pills if group.label.startswith("Flatness")).set_value(reading)
    next(button for button in page.button if button.label == "Log this face").click().run()
    assert not page.exception


def test_what_was_logged_is_undone_in_one_tap_and_stays_on_record(filled_store, board):
    page = run("lap", lap="CI-1")
    with Store.open(filled_store) as store:
        before = store.faces(lap="CI-1")
    log_face(page, "1.5")
    next(button for button in page.button if button.label == "Undo").click().run()
    assert not page.exception and "Taken back: 1.5 light bands on CI-1." in text(page)
    assert "Undo" not in [button.label for button in page.button]
    with Store.open(filled_store) as store:
        assert store.faces(lap="CI-1")["face_id"].tolist() == before["face_id"].tolist()
        taken = store.face_versions(int(before["face_id"].max()) + len(before) + 1)
    assert taken["reason"].tolist() == ["undone at the form"] and taken["replaced_by"].tolist() == ["R. Oduya"]


def test_a_face_taken_back_is_logged_again_on_a_clock_that_stands_still(filled_store, board):
    (filled_store.parent / "lapcell.toml").write_text("clock = 2026-03-05T06:00:00", encoding="utf-8")
    page = run("lap", lap="CI-1")
    for _ in range(2):
        next(group for group in page.pills if group.label.startswith("Flatness")).set_value("1.5")
        next(button for button in page.button if button.label == "Log this face").click().run()
        assert "Logged: 1.5" in text(page)
        next(button for button in page.button if button.label == "Undo").click().run()
        assert "Taken back:" in text(page)
    with Store.open(filled_store) as store:
        assert len(store.faces(lap="CI-1")) == 12


def test_one_tap_too_many_adds_nothing(filled_store, board):
    page = run("lap", lap="CI-1")
    log_face(page, "1.5")
    log_face(page, "1.5")
    assert "was logged a moment ago; nothing was added." in text(page)
    with Store.open(filled_store) as store:
        assert len(store.faces(lap="CI-1")) == 13
    assert "Undo" in [button.label for button in page.button]  # of the face that was kept


def test_the_tour_shows_a_picture_with_its_words_for_every_step():
    page = run("tour")
    assert [len(page.get("image"))] == [len(STEPS)] and "invented" in text(page)
    assert all(html.escape(line) in text(page) for lines in CAUTIONS.values() for line in lines)
    assert DEFERENCE in text(page)


def test_a_face_is_logged_in_two_taps(filled_store, board):
    page = run("lap", lap="CI-1")
    page.get("button_group")  # the readings typed before are the taps
    next(group for group in page.pills if group.label.startswith("Flatness")).set_value("1.5")
    next(button for button in page.button if button.label == "Log this face").click().run()
    assert not page.exception
    with Store.open(filled_store) as store:
        last = store.faces(lap="CI-1").iloc[-1]
    assert last["flatness_text"] == "1.5" and last["lamp"] == "helium" and last["part"] == "seal plate"
    assert last["operator"] == "R. Oduya" and last["grit"] == "15 um" and last["minutes"] == 12
    assert "Logged: 1.5 light bands on CI-1." in text(page)


def test_a_face_without_a_reading_is_refused_in_words(filled_store, board):
    page = run("lap", lap="CI-1")
    next(button for button in page.button if button.label == "Log this face").click().run()
    assert refusals(page) == ["Flatness is empty: tap a reading or type one."]


def test_a_correction_keeps_the_old_reading(filled_store, board):
    page = run("lap", lap="CI-1", way="Correct last face")
    fields = {field.label: field for field in page.text_input}
    correct = [field for field in page.text_input if field.label == "Flatness, light bands, helium lamp"][-1]
    correct.set_value("1")
    fields["Why it is corrected"].set_value("bad wipe, read again")
    next(button for button in page.button if button.label == "Keep the correction").click().run()
    assert not page.exception and not refusals(page)
    with Store.open(filled_store) as store:
        face_id = int(store.faces(lap="CI-1").iloc[-1]["face_id"])
        versions = store.face_versions(face_id)
    assert versions["flatness_text"].tolist() == ["2.5", "1"] and versions["reason"].iloc[0] == "bad wipe, read again"
    assert "Corrected: it reads 1 light band. What it said before is kept." in text(page)


def test_a_correction_begun_is_not_lost_when_somebody_else_corrects_the_same_face(filled_store, board):
    page = run("lap", lap="CI-1", way="Correct last face")
    fields = {field.label: field.id for field in page.text_input}
    with Store.open(filled_store) as store:
        face_id = int(store.faces(lap="CI-1").iloc[-1]["face_id"])
        store.correct_face(face_id, {"minutes": 9.0}, who="Bo", reason="misread clock")
    page.run()  # the page redraws itself when the log grows
    assert "Somebody has corrected this face meanwhile: it reads 2.5 light bands." in text(page)
    assert {field.label: field.id for field in page.text_input} == fields  # the same fields: a browser keeps their text
    correct = [field for field in page.text_input if field.label == "Flatness, light bands, helium lamp"][-1]
    correct.set_value("1")
    {field.label: field for field in page.text_input}["Why it is corrected"].set_value("bad wipe")
    next(button for button in page.button if button.label == "Keep the correction").click().run()
    assert not page.exception and not refusals(page)
    with Store.open(filled_store) as store:
        last = store.faces(lap="CI-1").iloc[-1]
    assert (last["face_id"], last["version"], last["flatness_text"], last["minutes"]) == (face_id, 3, "1", 9.0)


def test_a_correction_stays_with_its_face_when_a_newer_one_is_logged_or_it_is_taken_back(filled_store, board):
    page = run("lap", lap="CI-1", way="Correct last face")
    with Store.open(filled_store) as store:
        face_id = int(store.faces(lap="CI-1").iloc[-1]["face_id"])
        at, unit = datetime(2026, 3, 5, 9, 0, tzinfo=UTC), LengthUnit("band", "helium")
        store.append_face(face_row(FaceEntry("3"), lap="CI-1", unit=unit, site=Settings(), at=at), who="Bo")
    page.run()
    assert "This is no longer the last face: a newer one was logged meanwhile." in text(page)
    assert "Face: 2.5 light bands" in text(page)
    with Store.open(filled_store) as store:
        store.withdraw_face(face_id, who="Bo", reason="never lapped")
    page.run()
    assert "Somebody has taken this face back meanwhile." in text(page)
    next(button for button in page.button if button.label == "Start from the log as it is").click().run()
    assert "meanwhile" not in text(page) and "Last face: " in text(page)


def test_one_face_alone_is_enough_for_every_view(empty_store, board):
    fill(empty_store, laps=("CI-1",), readings=("1",))
    for view in VIEWS:
        assert "<h1>" in text(run(view))


@pytest.mark.parametrize(
    ("section", "about"),
    [
        ("Chart", "DI-2"), ("Index", "DI-2"), ("Age", "DI-2"), ("Limits", "every lap"), ("How we know", "every lap"),
        ("Words", "every lap"),
    ],
)  # fmt: skip
def test_every_section_of_the_proof_opens(section, about, filled_store):
    assert f"What stands behind {about}." in text(run("proof", lap="DI-2", section=section)).replace("\u00a0", " ")


def test_limits_are_frozen_with_who_and_why(filled_store):
    page = run("proof", lap="CI-1", section="Chart")
    {field.label: field for field in page.text_input}["Why"].set_value("first limits")
    {field.label: field for field in page.number_input}["How many of the newest readings"].set_value(12)
    for box in page.checkbox:
        if box.label.startswith(("Widen the limit", "Freeze even if")):
            box.set_value(True)
    next(button for button in page.button if button.label == "Freeze").click().run()
    assert not page.exception
    with Store.open(filled_store) as store:
        frozen = store.baselines(lap="CI-1", sign="flatness")
    assert [(one.who, one.why) for one in frozen] == [("Q. Engineer", "first limits")]
    told = " ".join(frozen[0].model["remarks"])
    assert "the limit is widened" in told or "too short or too coarse to guarantee" in told
    assert "Revision 1 frozen" in text(page)
    page.run()  # the page redraws itself whenever the log grows; what was said stays
    assert "Revision 1 frozen" in text(page)


@pytest.mark.parametrize(("language", "typed"), [("de", "7,5"), ("de", "7.5"), ("en", "7,5"), ("fr", "7,5")])
def test_minutes_are_read_with_a_point_or_a_comma(language, typed, filled_store, board):
    page = run("lap", language=language, lap="CI-1")
    next(field for field in page.text_input if field.label == "Minutes on the lap").set_value(typed)
    next(group for group in page.pills if group.label.startswith("Flatness")).set_value("1.5")
    next(button for button in page.button if button.label == "Log this face").click().run()
    with Store.open(filled_store) as store:
        assert store.faces(lap="CI-1").iloc[-1]["minutes"] == 7.5


def test_minutes_that_cannot_be_read_keep_nothing_and_say_so(filled_store, board):
    page = run("lap", lap="CI-1")
    next(field for field in page.text_input if field.label == "Minutes on the lap").set_value("about 7")
    next(group for group in page.pills if group.label.startswith("Flatness")).set_value("1.5")
    next(button for button in page.button if button.label == "Log this face").click().run()
    assert refusals(page) == [
        "Minutes on the lap: is not a number: 'about 7'.",
        "Nothing was kept: the minutes could not be read.",
    ]
    with Store.open(filled_store) as store:
        assert len(store.faces(lap="CI-1")) == 12


def test_a_german_reading_is_read_as_german(filled_store, board):
    page = run("lap", language="de", lap="CI-1")
    next(field for field in page.text_input if field.label == "or type it").set_value("1,250 um")
    next(button for button in page.button if button.label == "Log this face").click().run()
    with Store.open(filled_store) as store:
        last = store.faces(lap="CI-1").iloc[-1]
    assert last["flatness_text"] == "1,250 um" and 1.24 < last["flatness_low_um"] < last["flatness_high_um"] < 1.26


def test_a_refusal_stays_until_the_form_is_sent_again(filled_store, board):
    page = run("lap", lap="CI-1")
    next(button for button in page.button if button.label == "Log this face").click().run()
    page.run()
    assert refusals(page) == ["Flatness is empty: tap a reading or type one."]
    next(group for group in page.pills if group.label.startswith("Flatness")).set_value("1.5")
    next(button for button in page.button if button.label == "Log this face").click().run()
    assert not refusals(page) and "Logged: 1.5" in text(page)


def test_a_page_that_waits_for_a_yes_or_no_asks_first_and_says_below_what_it_rests_on(filled_store, monkeypatch):
    asked = fixtures.signal(sign="reconditioning", sentence="CI-1 may have been reconditioned between A and B. Was it?")
    told = replace(asked, time_text="2026-03-05 07:39", since_face_id=30)
    put(monkeypatch, fixtures.shift(), signals=(told,), sentence=f"{told.sentence} Recondition CI-1 at the next break.")
    shown = text(run("lap", lap="CI-1"))
    assert f"<h1>Was CI-1 reconditioned before face {told.face_id}, of 2026-03-05 07:39?</h1>" in shown
    assert shown.index("</h1>") < shown.index("Recondition CI-1 at the next break.")


def test_what_changed_is_told_in_the_unit_that_its_lap_is_told_in(filled_store, monkeypatch):
    told = fixtures.signal(sentence="Flatness on CI-1 drifts up: 2 bands.")
    lap = fixtures.lap(signals=(told,))
    put(monkeypatch, fixtures.shift(laps=(lap,), changed=(f"New this shift: {told.sentence}",)))
    assert "New this shift: Flatness on CI-1 drifts up: 23.1\u00a0\u00b5in." in text(run("shift", unit="uin"))


@pytest.mark.parametrize(
    ("sign", "leads_to"),
    [
        ("minutes", ("Chart", "minutes")), ("re-lap share", ("Wear", "")), ("scratch", ("Chart", "")),
        ("reconditioning", ("Wear", "")),
    ],
)  # fmt: skip
def test_the_proof_behind_a_lap_is_that_of_its_signal(sign, leads_to):
    assert lap_view.proof_of(fixtures.lap(signals=(fixtures.signal(sign=sign),))) == leads_to


def test_the_invented_cell_goes_into_a_log_only_once_it_was_said_what_that_means(empty_store):
    page = run("shift")
    (fill,) = [button for button in page.button if "invented cell" in button.label]
    assert fill.proto.type != "primary" and "To be rid of them" in text(page)
