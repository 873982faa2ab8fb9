"""A lap that nobody has logged on: named by hand on the screens, and its first face logged."""

import pytest

from spc.store.store import Store
from tests.dashboard.conftest import refusals, text
from tests.dashboard.test_log_form import faces, press, put, tap
from tests.dashboard.test_views import run


def name_it(page, lap, *, who="Bo"):
    page.session_state["lc_signed"] = who  # a name typed anew; the test driver can only choose listed ones
    page.run()
    return press(put(page, "Name of the new lap", lap), "Add this lap")


def test_a_new_cell_logs_its_first_face_by_hand_in_light_bands_of_the_lamp_it_says(empty_store):
    page = name_it(run("lap"), "CI-1")
    assert page.query_params["lap"] == "CI-1" and "Log on this lap" in text(page)
    assert [box.proto.expanded for box in page.expander if box.label.startswith("Part, grit")] == [True]
    put(page, "Flatness", "1.5")
    assert refusals(press(page, "Log this face")) == [
        "Flatness has no unit: tap it, or write it behind the number, like 1.5 µm."
    ]
    press(tap(page, "Flatness is read in", "band"), "Log this face")
    assert refusals(page) == ["Flatness is in bands of a lamp nobody has named: write it in um, or tap the lamp."]
    press(put(tap(page, "Light bands of which lamp", "helium"), "Part", "SP-20"), "Log this face")
    assert not refusals(page) and "Logged: 1.5 light bands on CI-1." in text(page).replace("\u00a0", " ")
    kept = faces(empty_store, "CI-1").iloc[0]
    assert kept[["flatness_unit", "lamp", "operator", "part"]].tolist() == ["band", "helium", "Bo", "SP-20"]
    assert "Flatness, light bands, helium lamp" in [pills.label for pills in page.pills]  # asked once


@pytest.mark.parametrize("view", ["shift", "proof"])
def test_an_empty_log_says_everywhere_that_a_face_may_be_logged_by_hand(view, empty_store):
    assert "name the first lap, then log its first face" in text(run(view))


def test_a_lap_more_is_named_by_its_link_and_keeps_what_is_said_of_it(filled_store):
    page = run("lap", lap="CU-1")
    assert "There is no lap called CU-1." in text(page) and "Or is it a new lap?" in text(page)
    put(put(page, "Made of", "copper"), "What it is", "hand lap")
    name_it(page, "CU-1")
    with Store.open(filled_store) as store:
        assert store.laps().set_index("lap").loc["CU-1", ["material", "kind"]].tolist() == ["copper", "hand lap"]


@pytest.mark.parametrize(
    ("typed", "who", "why"),
    [
        ("", "Bo", "Say what the lap is called."),
        ("CU-1", "", "Say first who signs this."),
        ("ci-1", "Bo", "CI-1 is in the log already: choose it, or give the new lap another name."),
        ("big iron", "Bo", "big iron is read as CI-1, another way of writing it: give the new lap another name."),
    ],
)
def test_a_lap_that_cannot_be_added_says_why(typed, who, why, filled_store):
    with Store.open(filled_store) as store:
        store.record_alias("big iron", "CI-1", approved_by="A")
        before = store.laps()["lap"].tolist()
    page = run("lap", lap="CU-9")
    assert refusals(name_it(page, typed, who=who)) == [why]
    with Store.open(filled_store) as store:
        assert store.laps()["lap"].tolist() == before
