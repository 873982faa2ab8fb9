"""Taking in a file and settling rows, through the log view itself."""

import json
from contextvars import copy_context

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from dashboard import data
from dashboard.parts.quarantine import waiting_table
from dashboard.words import prose, speak
from spc.log.intake import ingest
from spc.log.rereading import fix_quarantined
from spc.report.locale import LOCALES
from spc.settings import KnownLap, Settings
from spc.store.store import Store
from tests.dashboard.conftest import fill, refusals, text
from tests.dashboard.view_script import one_view

OWN = (
    "time,operator,lap,grit um,minutes,flatness um,part,serial\n"
    "2026-03-04 06:10,R. Oduya,CI-1,15,12,0.31,plate,S-1\n"
    "2026-03-04 06:20,R. Oduya,CI-1,15,12,0.29,plate,S-2\n"
    "2026-03-04 06:30,R. Oduya,C1-1,15,12,0.33,plate,S-3\n"
    "2026-03-04 06:40,R. Oduya,CI-1,15,12,see note,plate,S-4\n"
)
TOML = '[[lap]]\nname = "CI-1"\n'


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store whose site knows one lap, so that another way of writing it has to wait."""
    path = tmp_path / "lapcell.db"
    (tmp_path / "lapcell.toml").write_text(TOML, encoding="utf-8")
    monkeypatch.setenv("LAPCELL_STORE", str(path))
    monkeypatch.delenv("LAPCELL_SETTINGS", raising=False)
    return path


@pytest.fixture
def waiting(store):
    with Store.open(store) as opened:
        taken = ingest(opened, OWN.encode(), name="own.csv", settings=Settings(laps=(KnownLap("CI-1"),)), who="A")
    assert (taken.faces, taken.quarantined) == (2, 2)
    return store


def view(name):
    page = AppTest.from_function(one_view, kwargs={"view": name}, default_timeout=30)
    page.run()
    assert not page.exception, page.exception
    return text(page)


def test_a_log_of_which_no_row_could_be_read_is_not_called_empty(store):
    with Store.open(store) as opened:
        ingest(
            opened,
            OWN.replace("CI-1", "CI-9").encode(),
            name="own.csv",
            settings=Settings(laps=(KnownLap("CI-1"),)),
            who="A",
        )
        assert opened.faces().empty and len(opened.quarantine()) == 4
    for name in ("shift", "lap"):
        shown = view(name)
        assert "No face could be taken in yet." in shown and "4 rows wait for a person." in shown
        assert "empty" not in shown and "invented cell" not in shown


def test_what_was_remarked_of_a_delivery_is_told_in_whole_sentences(waiting):
    with Store.open(waiting) as opened:
        remarks = json.loads(opened.intakes()["remarks"].iloc[-1])
    shown = text(start("taken", signed=""))
    assert remarks and all(prose(line) in shown for line in remarks)


def test_the_shift_says_how_many_rows_wait(waiting):
    assert "2 rows wait for a person. The log view says why, row by row." in view("shift")
    with Store.open(waiting) as opened:
        for number in opened.quarantine()["quarantine_id"].tolist():
            opened.discard_quarantined(number, who="Bo", reason="test row")
    assert "wait for a person" not in view("shift")


def start(section="file", *, signed="Engineer"):
    page = AppTest.from_function(one_view, kwargs={"view": "log"}, default_timeout=30)
    page.session_state["log-section"] = section
    if signed:
        page.session_state["lc_signed"] = signed  # a name typed anew; the test driver can only choose listed ones
    page.run()
    assert not page.exception, page.exception
    return page


def press(page, label):
    next(button for button in page.button if button.label == label).click()
    page.run()
    assert not page.exception, page.exception
    return page


def field(page, label):
    return next(one for one in (*page.text_input, *page.text_area, *page.selectbox) if one.label.startswith(label))


def pills(page, label):
    return next(one for one in page.pills if one.label == label)


def test_nobody_signs_before_somebody_has_said_who(waiting):
    page = start("rows", signed="")
    assert next(box for box in page.selectbox if box.label == "Signed by").value is None
    field(page, "Why it is not to be taken in").set_value("test row")
    press(page, "Discard this row")
    assert refusals(page) == ["Say who settles it, and why."]


def test_a_file_is_previewed_and_taken_in_only_on_the_button(store):
    page = start(signed="")
    page.file_uploader[0].set_value(("own.csv", OWN.encode(), "text/csv")).run()
    assert not page.exception, page.exception
    shown = text(page)
    assert "own.csv holds 2 faces and no events; 2 rows would wait for a person." in shown
    assert "encoding utf-8" in shown and "Say first who signs this" in shown
    with Store.open(store) as opened:
        assert opened.revision() == 0
    page.session_state["lc_signed"] = "Engineer"
    page.run()
    press(page, "Take in 4 rows")
    assert "Taken in from own.csv: 2 faces and 2 rows to settle. 4 rows in all." in text(page)
    with Store.open(store) as opened:
        assert len(opened.faces()) == 2 and opened.intakes()["who"].tolist() == ["Engineer"]


def test_a_file_that_is_no_log_is_refused_in_one_sentence(store):
    page = start()
    page.file_uploader[0].set_value(("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(64), "text/csv")).run()
    assert not page.exception
    assert "picture.csv cannot be read: " in text(page)
    assert not [button for button in page.button if button.label.startswith("Take in")]


def test_a_waiting_row_shows_its_reason_and_its_text(waiting):
    shown = text(start("rows"))
    assert "2 rows wait for a person." in shown
    assert "is not a known lap" in shown and "06:30,R. Oduya,C1-1" in shown
    cells = {one.label: one.value for one in start("rows").text_input}
    assert cells["lap"] == "C1-1" and cells["flatness um"] == "0.33"
    assert '<th scope="col" class="lc-short">row</th>' in shown and ">as delivered</th>" in shown
    assert "<td >Lap is not a known lap" in shown  # the number of the row stands beside it


def test_what_was_delivered_stands_character_by_character_in_every_language():
    raw = "2026-03-04 06:30,Bo,CI-1,15 um,6.5,`1.5`"
    rows = pd.DataFrame({"row_number": [7], "reasons": ["row 7: flatness is not a number: '0.3.1 um'"], "raw": [raw]})

    def shown():
        speak(LOCALES["de"])
        return waiting_table(rows)

    told = copy_context().run(shown)
    assert raw in told and "0.3.1" in told.replace("\u2060", "")


def test_columns_nobody_knows_can_be_chosen_and_the_refusal_says_where(store):
    page = start()
    page.file_uploader[0].set_value(("own.csv", b"a,b,c\nCI-1,6,0.3\nCI-1,7,0.4\n", "text/csv")).run()
    assert "no header is known" in text(page) and "in the table above, tap the cell under \u201cread as\u201d" in text(
        page
    )


def test_a_file_without_headers_shows_what_its_columns_hold_where_they_are_chosen(store):
    page = start()
    page.file_uploader[0].set_value(("own.csv", b"CI-1,6,0.3\nCI-1,7,0.4\n", "text/csv")).run()
    assert not page.exception and "no line of the file is a header" in text(page)
    shown = next(table.value for table in page.dataframe if "read as" in table.value)
    assert shown["holds"].tolist() == ["CI-1", "6  |  7", "0.3  |  0.4"]


def test_a_file_without_a_row_is_not_offered_to_be_taken_in(store):
    page = start()
    page.file_uploader[0].set_value(("own.csv", OWN.splitlines(keepends=True)[0].encode(), "text/csv")).run()
    assert "no row under its header" in text(page) and "Say first who signs this." not in text(page)


def test_what_was_minded_in_the_first_faces_is_told_in_full_and_once(store):
    page = start()
    late = OWN.replace("CI-1,15,12,0.31", "CI-1,15,480,0.31").replace("CI-1,15,12,0.29", "CI-1,15,480,0.29")
    page.file_uploader[0].set_value(("own.csv", late.encode(), "text/csv")).run()
    shown = text(page)
    assert shown.count("minutes 480") == 1 and "1 and 2</td>" in shown


def test_a_lap_nobody_knew_is_added_where_its_row_waits(waiting):
    (waiting.parent / "lapcell.toml").write_text("[[lap]]\nname = 'CI-1'\n", encoding="utf-8")
    page = start("rows")
    assert "add the lap" in text(page)
    field(page, "\u201cC1-1\u201d is a lap of its own, made of").set_value("cast iron")
    press(page, "Add the lap")
    assert "C1-1 is known from now on; 1 row settled." in text(page)
    assert "Add the lap" not in [button.label for button in page.button]
    with Store.open(waiting) as opened:
        assert opened.laps().set_index("lap").loc["C1-1", "material"] == "cast iron"
        assert len(opened.faces(lap="C1-1")) == 1 and len(opened.quarantine()) == 1
    page = start()
    more = OWN.splitlines()[0] + "\n" + next(line for line in OWN.splitlines() if "C1-1" in line) + "\n"
    page.file_uploader[0].set_value(("more.csv", more.replace("06:30", "07:45").encode(), "text/csv")).run()
    assert "more.csv holds 1 face" in text(page)  # known before it is taken in, too


def test_a_lap_is_not_added_unsigned(waiting):
    (waiting.parent / "lapcell.toml").write_text("[[lap]]\nname = 'CI-1'\n", encoding="utf-8")
    page = press(start("rows", signed=""), "Add the lap")
    assert "Say first who signs this." in refusals(page)
    with Store.open(waiting) as opened:
        assert "C1-1" not in set(opened.laps()["lap"])


def test_a_unit_the_file_leaves_out_is_asked_for_and_never_guessed(store):
    page = start()
    bare = OWN.replace("flatness um", "flatness")
    page.file_uploader[0].set_value(("own.csv", bare.encode(), "text/csv")).run()
    assert "own.csv holds no faces and no events; 4 rows would wait for a person." in text(page)
    asked = text(page).index("\u201cflatness\u201d does not say which unit its readings are in.")
    assert asked < text(page).index("own.csv holds no faces")  # before the button that would take it in as it is
    pills(page, "Unit").set_value("band").run()
    assert "own.csv holds no faces" in text(page)  # a band of which lamp?
    pills(page, "Lamp").set_value("sodium").run()
    assert "own.csv holds 2 faces and no events; 2 rows would wait for a person." in text(page)
    press(page, "Take in 4 rows")
    with Store.open(store) as opened:
        assert set(opened.faces()["lamp"]) == {"sodium"}


def test_an_alias_is_approved_and_its_rows_are_taken_in(waiting):
    page = start("rows")
    field(page, "\u201cC1-1\u201d is another way of writing").set_value("CI-1")
    press(page, "Approve the alias")
    assert "C1-1 is read as CI-1 from now on; 1 row settled." in text(page)
    with Store.open(waiting) as opened:
        assert opened.aliases() == {"C1-1": "CI-1"} and len(opened.faces(lap="CI-1")) == 3


def test_an_alias_approved_by_mistake_is_taken_back_with_who_and_why(waiting):
    with Store.open(waiting) as opened:
        opened.record_alias("C1-1", "CI-1", approved_by="Bo")
    page = press(start("edits"), "Take the alias back")
    assert refusals(page) == ["Choose what was typed, and say who takes it back, and why."]
    field(page, "Approved by mistake").set_value("C1-1")
    field(page, "Why it is not that lap").set_value("a lap of its own")
    press(page, "Take the alias back")
    assert "C1-1 is no longer read as CI-1." in text(page) and not refusals(page)
    with Store.open(waiting) as opened:
        assert opened.aliases() == {} and opened.alias_history()["why"].tolist() == ["", "a lap of its own"]


def test_a_row_is_put_right_with_its_reason(waiting):
    page = start("rows")
    page.number_input[0].set_value(2).run()
    field(page, "flatness um").set_value("0.35")
    field(page, "How you know").set_value("the note says 0.35")
    press(page, "Take in as put right")
    assert "Row 4 of own.csv is taken in as put right." in text(page)
    with Store.open(waiting) as opened:
        assert opened.faces(lap="CI-1")["flatness_text"].tolist()[-1] == "0.35"
        assert opened.quarantine(open_only=False)["how"].tolist().count("fixed") == 1


def test_rows_that_waited_are_listed_with_what_became_of_them_and_who_said_so(waiting):
    assert "No row that waited has been settled." in text(start("edits"))
    with Store.open(waiting) as opened:
        first, second = opened.quarantine()["quarantine_id"].tolist()
        opened.discard_quarantined(first, who="Quin", reason="test row")
        right = OWN.splitlines()[4].replace("see note", "0.35")
        fix_quarantined(opened, second, right, settings=Settings(), who="Bo", reason="the note says so")
    listed = next(table.value for table in start("edits").dataframe if "what became of it" in table.value)
    assert listed["what became of it"].tolist() == [f"taken in as {right}", "discarded"]
    assert listed["why"].tolist() == ["the note says so", "test row"] and listed["who"].tolist() == ["Bo", "Quin"]


def test_a_row_that_is_still_wrong_says_why_in_a_sentence(waiting):
    page = start("rows")
    page.number_input[0].set_value(2).run()
    field(page, "How you know").set_value("it says so")
    press(page, "Take in as put right")
    assert "The row still cannot be read: flatness is not a number: " in text(page)


def test_a_row_is_not_settled_without_a_reason(waiting):
    page = press(start("rows"), "Discard this row")
    assert refusals(page) == ["Say who settles it, and why."]
    with Store.open(waiting) as opened:
        assert len(opened.quarantine()) == 2


def test_a_discarded_row_is_kept_with_its_reason(waiting):
    page = start("rows")
    field(page, "Why it is not to be taken in").set_value("test row")
    press(page, "Discard this row")
    with Store.open(waiting) as opened:
        assert len(opened.quarantine()) == 1
        assert "test row" in opened.quarantine(open_only=False)["reason"].tolist()


def test_a_row_discarded_by_mistake_waits_again_with_who_and_why_on_record(waiting):
    with Store.open(waiting) as opened:
        opened.discard_quarantined(int(opened.quarantine()["quarantine_id"].iloc[0]), who="Bo", reason="test row")
    page = start("rows")
    page.session_state["discarded-before"] = True
    page.run()
    assert "Row 3 of own.csv: test row. Signed Bo" in text(page)
    press(page, "Take back")
    assert refusals(page) == ["Say who takes it back, and why."]
    field(page, "Why it is to wait again").set_value("it was a face")
    press(page, "Take back")
    assert "Row 3 of own.csv waits again." in text(page) and "Signed Bo" not in text(page)
    with Store.open(waiting) as opened:
        assert opened.quarantine()["row_number"].tolist() == [3, 4]
        (kept,) = opened.settlings(last=5).to_dict("records")
    assert (kept["how"], kept["who"], kept["back_why"]) == ("discarded", "Bo", "it was a face")
    table = next(table.value for table in start("edits").dataframe if "what became of it" in table.value)
    assert table["what became of it"].iloc[0].startswith("discarded, then taken back by ")


def test_a_row_that_another_settled_while_it_was_on_the_screen_is_not_discarded_too(waiting, monkeypatch):
    page = start("rows")
    before = data.snapshot()
    monkeypatch.setattr(data, "snapshot", lambda: before)  # a press runs but one part of the page again
    with Store.open(waiting) as opened:
        opened.discard_quarantined(int(opened.quarantine()["quarantine_id"].iloc[0]), who="Bo", reason="test row")
    field(page, "Why it is not to be taken in").set_value("no reading")
    press(page, "Discard this row")
    (why,) = refusals(page)
    assert "Row 3 of own.csv is settled already: discarded by Bo." in why
    assert field(page, "Why it is not to be taken in").value == "no reading"
    with Store.open(waiting) as opened:
        assert opened.quarantine(open_only=False)["reason"].tolist().count("no reading") == 0


def test_a_row_worked_at_stays_on_the_screen_when_others_settle_rows(waiting):
    page = start("rows")
    page.number_input[0].set_value(2).run()
    assert "see note" in text(page)
    with Store.open(waiting) as opened:
        first, second = opened.quarantine()["quarantine_id"].tolist()
        opened.discard_quarantined(first, who="Bo", reason="test row")
    page.run()  # the page redraws itself when the log grows
    assert "see note" in text(page) and "Somebody else" not in text(page)
    with Store.open(waiting) as opened:
        opened.discard_quarantined(second, who="Bo", reason="test row")
    page.run()
    assert "Somebody else has settled row 4 of own.csv meanwhile." in text(page)
    assert "No row waits for a person." in text(page)


def test_the_row_after_the_one_settled_comes_next(store):
    three = OWN + "2026-03-04 06:50,R. Oduya,CI-1,15,twelve,0.33,plate,S-5\n"
    with Store.open(store) as opened:
        ingest(opened, three.encode(), name="own.csv", settings=Settings(laps=(KnownLap("CI-1"),)), who="A")
    page = start("rows")
    page.number_input[0].set_value(2).run()
    with Store.open(store) as opened:
        opened.discard_quarantined(int(opened.quarantine()["quarantine_id"].iloc[0]), who="Bo", reason="test row")
    page.run()
    field(page, "Why it is not to be taken in").set_value("no reading")
    press(page, "Discard this row")
    assert "twelve" in text(page) and "Somebody else" not in text(page)
    with Store.open(store) as opened:
        assert opened.quarantine()["row_number"].tolist() == [5]


def test_what_was_taken_in_is_counted(waiting):
    assert "1 delivery, 4 rows, 2 of them had to wait for a person." in text(start("taken"))


def test_health_names_the_lap_and_what_its_readings_cannot_carry(store):
    fill(store, laps=("CI-1",), readings=("0.5",) * 14)
    shown = text(start("health"))
    assert "CI-1" in shown and "The last 14 flatness readings all say 0.5\u00a0bands." in shown


def test_a_rough_finish_is_not_asked_for_in_light_bands(store):
    page = start()
    finish = OWN.replace("flatness um", "Ra")
    page.file_uploader[0].set_value(("own.csv", finish.encode(), "text/csv")).run()
    units = [pills.options for pills in page.pills if pills.label == "Unit"]
    assert units and all("light bands" not in options for options in units)
