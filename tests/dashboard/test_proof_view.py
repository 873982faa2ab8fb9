"""The proof view without a browser: every section on a store of any size, studies with exclusions, corrections told."""

import re

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.views.proof import SECTIONS
from spc.store.store import Store
from tests.dashboard.conftest import fill
from tests.dashboard.view_script import one_view


def run(view="proof", **query):
    page = AppTest.from_function(one_view, kwargs={"view": view}, default_timeout=60)
    for name, value in query.items():
        page.query_params[name] = value
    page.run()
    assert not page.exception, page.exception
    return page


def text(page):
    shown = " ".join(element.proto.body for element in page.get("html"))
    return re.sub(r'<span class="lc-whole">(.*?)</span>', r"\1", shown).replace("\u00a0", " ")


def field(page, label):
    fields = (*page.text_input, *page.selectbox, *page.multiselect, *page.number_input)
    return next(one for one in fields if one.label.startswith(label))


def press(page, label):
    next(button for button in page.button if button.label == label).click()
    page.run()
    assert not page.exception, page.exception
    return page


@pytest.fixture
def limited(filled_store):
    with Store.open(filled_store) as store:
        store.set_limit("seal plate", "flatness", upper_um=0.6, upper_text="2 bands", who="QE", why="drawing C")
    return filled_store


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_says_something_useful_of_one_face(section, empty_store):
    fill(empty_store, laps=("CI-1",), readings=("1",))
    shown = text(run(lap="CI-1", section=section))
    assert "What stands behind CI-1." in shown and not re.search(r"\bnan\b", shown, re.IGNORECASE)


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_opens_where_readings_are_few(section, limited):
    assert "What stands behind DI-2." in text(run(lap="DI-2", section=section))


def test_a_study_without_a_limit_says_how_to_get_one(filled_store):
    shown = text(run(lap="CI-1", section="Index"))
    assert "No index: no upper limit of flatness is known for seal plate: set one first." in shown


def test_a_reading_is_left_out_with_its_cause_and_taken_in_again(limited):
    page = run(lap="CI-1", section="Index")
    assert "The data list: 12 readings" in [one.label for one in page.expander]
    first = field(page, "Readings to leave out").options[0]
    press(page, "Leave these out")
    assert [error.value for error in page.error] == ["Choose the readings, and say why they are left out."]
    field(page, "Readings to leave out").set_value([1])
    field(page, "Cause").set_value("cracked ring")
    press(page, "Leave these out")
    assert first.startswith("face 1, 0.5") and "left out, cracked ring" in text(page)
    assert "The data list: 11 readings" in [one.label for one in page.expander]
    field(page, "Take in again").set_value([1]).run()
    press(page, "Take these in again")
    assert "The data list: 12 readings" in [one.label for one in page.expander]


def test_a_study_keeps_its_versions_and_says_what_was_corrected_since(limited):
    page = run(lap="CI-1", section="Index")
    for version in (1, 2):
        field(page, "Name of the study").set_value("release")
        press(page, "Keep this study")
        assert f"Kept as release, version {version}, with its list of readings." in text(page)
    with Store.open(limited) as store:
        store.correct_face(
            2, {"flatness_text": "3", "flatness_low_um": 0.8, "flatness_high_um": 0.95}, who="QE", reason="misread"
        )
    page = run(lap="CI-1", section="Index")
    field(page, "Make one again").set_value(("release", 1)).run()
    assert not page.exception, page.exception
    assert "1 reading of the list is corrected in the log since: face 2" in text(page)


def test_a_study_needs_a_name(limited):
    page = press(run(lap="CI-1", section="Index"), "Keep this study")
    assert page.error[0].value.startswith("`name` must be a name that is not empty")


def test_days_the_wrong_way_round_are_refused_in_words(limited):
    from datetime import date

    page = run(lap="CI-1", section="Index")
    page.date_input(key="study-since").set_value(date(2026, 3, 5))
    page.date_input(key="study-until").set_value(date(2026, 3, 4)).run()
    assert page.error[0].value == "`since` must not be after `until`, got 2026-03-05 and 2026-03-04"


def test_acceptance_needs_to_know_how_readings_differ(limited):
    page = run(lap="CI-1", section="Acceptance")
    assert "No gauge study is large enough" in text(page)
    field(page, "Spread of the reader").set_value(0.05).run()
    assert not page.exception, page.exception
    assert "Bad accepted against good rejected" in text(page) and len(page.get("plotly_chart")) == 2


def test_corrections_after_a_signal_stand_apart(limited):
    assert "Nothing was changed after it had set off a signal" in text(run("log", section="edits"))
    with Store.open(limited) as store:
        store.correct_face(12, {"minutes": 9.0}, who="QE", reason="typo")  # 2.5 bands, over the limit of 2
        store.record_alias("C1-1", "CI-1", approved_by="QE", why="same lap")
    page = run("log", section="edits")
    assert "1 row was changed after a signal or a reading over its limit." in text(page)
    after, every, aliases = (frame.value for frame in page.dataframe)
    assert after["changed"].tolist() == ["minutes from 12.0 to 9.0"] and "over its limit" in after["came after"].iloc[0]
    assert len(every) == 1 and aliases["read as"].tolist() == ["CI-1"]


def test_a_dimension_has_a_limit_on_both_sides_and_the_old_one_is_replaced(limited):
    page = run(lap="CI-1", section="Limits")
    field(page, "What is limited").set_value("thickness").run()
    field(page, "Part number").set_value("seal plate")
    field(page, "At most").set_value(9_998.0)
    field(page, "At least").set_value(10_002.0)
    field(page, "Why").set_value("drawing D")
    press(page, "Keep this limit")
    assert page.error[0].value.startswith("`lower_um` must be less than `upper_um`")
    for upper in (10_004.0, 10_003.0):
        field(page, "Part number").set_value("seal plate")
        field(page, "At most").set_value(upper)
        field(page, "At least").set_value(9_998.0)
        field(page, "Why").set_value("drawing D")
        press(page, "Keep this limit")
    told = page.dataframe[0].value
    assert told["in force"].tolist() == ["yes", "replaced", "yes"]
    assert told["as typed"].tolist() == ["9998 µm to 10003 µm", "9998 µm to 10004 µm", "2 bands"]
