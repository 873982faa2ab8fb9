"""The proof view without a browser: every section on a store of any size, studies with exclusions, corrections told."""

import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard.views.proof import SECTIONS
from spc.board.kept_studies import kept_study
from spc.capability.gauge_budget import bending_um
from spc.store.store import Store
from tests.dashboard import conftest
from tests.dashboard.conftest import fill, refusals
from tests.dashboard.view_script import one_view
from tests.spc.board.gauge_cell import gauge_store, log_text


def run(view="proof", *, who="Q. Engineer", **query):
    page = AppTest.from_function(one_view, kwargs={"view": view}, default_timeout=60)
    if who:
        page.session_state["lc_signed"] = who
    for name, value in query.items():
        page.query_params[name] = value
    page.run()
    assert not page.exception, page.exception
    return page


def text(page):
    return conftest.text(page).replace("\u00a0", " ")


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


def about(section, lap):
    """What the heading of a section says that it is about."""
    return "every lap" if section in ("Reading", "Variation", "Limits", "How we know", "Words") else lap


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_says_something_useful_of_one_face(section, empty_store):
    fill(empty_store, laps=("CI-1",), readings=("1",))
    shown = text(run(lap="CI-1", section=section))
    assert f"What stands behind {about(section, 'CI-1')}." in shown and not re.search(r"\bnan\b", shown, re.IGNORECASE)


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_opens_where_readings_are_few(section, limited):
    assert f"What stands behind {about(section, 'DI-2')}." in text(run(lap="DI-2", section=section))


def test_who_lapped_last_is_not_offered_to_sign_a_limit(limited):
    page = run(lap="CI-1", section="Limits", who="")
    assert field(page, "Signed by").value is None
    field(page, "Part number").set_value("ring")
    field(page, "Why").set_value("drawing D")
    field(page, "At most").set_value("1")
    press(page, "Keep this limit")
    assert refusals(page) == ["A limit is signed and explained: say who, and why."]
    with Store.open(limited) as store:
        assert "ring" not in store.limits()["part"].tolist()


def test_the_age_section_says_which_clock_foretells_wear_or_why_not(limited):
    assert "Which clock foretells wear best cannot be said:" in text(run(lap="DI-2", section="Age"))


def test_the_age_section_tells_what_nobody_logged_of_the_lives(limited):
    with Store.open(limited) as store:
        for minute in (28, 92):
            at = datetime(2026, 3, 4, 7, tzinfo=UTC) + timedelta(minutes=minute)
            store.append_event({"lap": "DI-2", "event": "reconditioned", "time_utc": at}, who="QE")
    said = text(run(lap="DI-2", section="Age"))
    assert "The one worn cycle ended with no reason logged and counts as worn at the last face" in said


def test_costs_that_cannot_be_weighed_refuse_the_age_alone_and_say_the_cure(limited):
    (limited.parent / "lapcell.toml").write_text("[costs]\nplanned_reconditioning = 4\nunplanned_reconditioning = 4\n")
    page = run(lap="DI-2", section="Age")
    (refused,) = refusals(page)
    assert "costs.unplanned_reconditioning must be greater than costs.planned_reconditioning, 4, got 4.0" in refused
    assert refused.endswith("Put it right there, or type both costs here.")
    assert "No age of least cost: there are no costs to weigh." in text(page)
    for cost, label in (("1", "Cost of a planned"), ("5", "Cost of one found")):
        field(page, label).set_value(cost)
    assert refusals(page.run()) == [] and "no costs to weigh" not in text(page)


def test_a_study_without_a_limit_says_how_to_get_one(filled_store):
    shown = text(run(lap="CI-1", section="Index"))
    assert "No index: no upper limit of flatness is known for seal plate: set one first." in shown


def test_a_reading_is_left_out_with_its_cause_and_taken_in_again(limited):
    page = run(lap="CI-1", section="Index")
    assert "The data list: 12 readings" in [one.label for one in page.expander]
    first = field(page, "Readings to leave out").options[0]
    press(page, "Leave these out")
    assert refusals(page) == ["Choose the readings, and say why they are left out."]
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


def test_the_risk_the_flat_and_the_heat_of_a_study_are_kept_with_it(limited):
    page = run(lap="CI-1", section="Index")
    page.selectbox(key="study-risk").set_value(0.02)
    field(page, "Largest error of the flat").set_value("0.05")
    field(page, "Warmer on one side by, K").set_value("0.1")
    field(page, "Length of the face, mm").set_value("50")
    field(page, "Thickness of the part, mm").set_value("10").run()
    field(page, "Name of the study").set_value("release")
    press(page, "Keep this study")
    with Store.open(limited) as store:
        plan = kept_study(store, "release").material.plan
    assert (plan.risk, plan.flat_error_um) == (0.02, 0.05)
    assert plan.temperature_um == pytest.approx(bending_um(50, 10, 0.1))


def test_an_own_limit_that_cannot_be_read_is_not_taken_for_none(limited):
    page = run(lap="CI-1", section="Index")
    field(page, "Own limit").set_value("about 2").run()
    assert refusals(page) == ["Own limit, µm: is not a number: 'about 2'."]
    assert "Keep this study" not in [button.label for button in page.button]


def test_a_study_needs_a_name(limited):
    page = press(run(lap="CI-1", section="Index"), "Keep this study")
    assert refusals(page) == ["A kept study has a name and is signed: type the name, and say who."]


def test_days_the_wrong_way_round_are_refused_in_words(limited):
    from datetime import date

    page = run(lap="CI-1", section="Index")
    page.date_input(key="study-since").set_value(date(2026, 3, 5))
    page.date_input(key="study-until").set_value(date(2026, 3, 4)).run()
    assert refusals(page) == ["The last day is before the first day."]


def test_acceptance_needs_to_know_how_readings_differ(limited):
    page = run(lap="CI-1", section="Acceptance")
    assert "No gauge study is large enough" in text(page)
    field(page, "Spread of the reader").set_value("0.05").run()
    assert not page.exception, page.exception
    assert "Bad accepted against good rejected" in text(page) and len(page.get("plotly_chart")) == 2
    assert "seal plate, flatness, the first reading of every face; limit" in text(page)


def test_the_spread_found_stands_in_three_digits_and_a_typed_one_is_said_to_be_stated(empty_store):
    gauge_store(empty_store, log_text(np.random.default_rng(3))).close()
    page = run(lap="L1", section="Acceptance", unit="um")
    shown = field(page, "Spread of the reader").value
    assert re.fullmatch(r"0\.0*[1-9]\d{0,2}", shown) and field(page, "Step of the readings").value == "0.147"
    assert f"standard deviation {shown} µm (faces read again" in text(page) and "step 0.147 µm" in text(page)
    field(page, "Spread of the reader").set_value("0.05").run()
    assert "standard deviation 0.05 µm (as stated)" in text(page)


@pytest.mark.parametrize("section", ["Index", "Acceptance"])
def test_what_is_said_of_a_lap_begins_with_the_part_that_it_laps_most(section, limited):
    fill(limited, laps=("PP-1",), readings=("1", "1.5"), part="anvil")  # the first of the list
    for lap, part in (("CI-1", "seal plate"), ("PP-1", "anvil")):
        assert field(run(lap=lap, section=section), "Part number").value == part


def test_a_rule_by_a_law_that_the_readings_contradict_says_so_above_its_figures(limited, monkeypatch):
    from dataclasses import replace

    from spc.board import study

    def acceptance():
        page = run(lap="CI-1", section="Acceptance")
        field(page, "Spread of the reader").set_value("0.05").run()
        assert not page.exception, page.exception
        return text(page)

    rough = "the shares lean on that law and are rough"
    assert rough not in acceptance()
    real = study.check_fit
    monkeypatch.setattr(study, "check_fit", lambda fit: replace(real(fit), status="rejected", sentence="no fit"))
    st.cache_data.clear()
    shown = acceptance()
    assert shown.index(f"No fit: {rough}.") < shown.index("bad among the accepted") and shown.count("No fit") == 1
    assert shown.index("Rough only, for the readings contradict the law") < shown.index("ccept readings up to")


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
    field(page, "At most").set_value("9998")
    field(page, "At least").set_value("10,002")
    field(page, "Why").set_value("drawing D")
    press(page, "Keep this limit")
    assert refusals(page) == ["No size lies between these two: at least must be less than at most."]
    for upper in (10_004.0, 10_003.0):
        field(page, "Part number").set_value("seal plate")
        field(page, "At most").set_value(f"{upper:g}")
        field(page, "At least").set_value("9998")
        field(page, "Why").set_value("drawing D")
        press(page, "Keep this limit")
    told = page.dataframe[0].value
    assert told["in force"].tolist() == ["yes", "replaced", "yes"]
    assert told["as typed"].tolist() == ["9998 um to 10003 um", "9998 um to 10004 um", "2 bands"]


PLANNED = (
    "face,reader,reading (um)\n"
    + "".join(f"F{f},{r},{0.3 + 0.05 * f + 0.01 * ((f * 7 + k * 3 + len(r)) % 4):.2f}\n"
              for f in range(10) for r in ("A", "Bo") for k in range(2))
    + "F1,A,much\n"
)  # fmt: skip


def test_the_flats_own_error_and_heat_enter_the_budget(limited):
    with Store.open(limited) as store:
        for face in (1, 2, 3):
            store.append_face(
                {
                    "kind": "repeat", "lap": "CI-1", "part": "seal plate", "serial": f"CI-1-{face}", "operator": "Bo",
                    "flatness_low_um": 0.1, "flatness_high_um": 0.25, "flatness_unit": "band", "lamp": "helium",
                    "flatness_text": "1", "time_text": "2026-03-04 23:00",
                    "time_utc": datetime(2026, 3, 4, 23, face, tzinfo=UTC),
                },
                who="Bo",
            )  # fmt: skip
    page = run(lap="CI-1", section="Reading")
    assert "the flat's own error, temperature not stated" in text(page).lower().replace("&#x27;", "'")
    field(page, "Largest error of the flat").set_value("0,05")
    field(page, "Warmer on one side by, K").set_value("0.1")
    field(page, "Length of the face, mm").set_value("50")
    field(page, "Thickness of the part, mm").set_value("10").run()
    assert not page.exception, page.exception
    shown = text(page).replace("&#x27;", "'")
    assert "not stated" not in shown and "0.0289" in shown  # 0.05 over the root of three


def test_a_planned_study_is_read_from_its_file_and_says_what_it_could_not_use(limited):
    page = run(lap="CI-1", section="Reading")
    page.segmented_control(key="gauge-source").set_value("a planned study").run()
    assert "Nothing of the file is kept." in text(page)
    page.file_uploader[0].set_value(("study.csv", PLANNED.encode(), "text/csv")).run()
    assert not page.exception, page.exception
    shown = text(page)
    assert "41 rows: 40 read, 1 not usable." in shown and "40 readings of 10 faces by 2 readers" in shown
    field(page, "Limit it serves").set_value("0.9").run()
    assert "the step of 0.01" in text(page).lower()
    field(page, "Column of the reader").set_value("face").run()
    assert not page.exception, page.exception


def test_a_file_that_is_no_table_is_one_sentence(limited):
    page = run(lap="CI-1", section="Reading")
    page.segmented_control(key="gauge-source").set_value("a planned study").run()
    page.file_uploader[0].set_value(("bad.csv", b"alpha,beta\n1,2\n", "text/csv")).run()
    assert not page.exception and len(refusals(page)) == 1 and refusals(page)[0].startswith("bad.csv: ")


def test_a_dimension_is_charted_and_held_against_both_limits(limited):
    import numpy as np

    rng = np.random.default_rng(5)
    with Store.open(limited) as store:
        for k, value in enumerate(5000 + 2 * rng.normal(size=60)):
            low = round(float(value), 1)
            store.append_face(
                {
                    "lap": "CI-1", "part": "ring", "serial": f"R{k}", "operator": "Bo", "thickness_low_um": low - 0.05,
                    "thickness_high_um": low + 0.05, "thickness_text": f"{low}",
                    "time_text": f"2026-03-05 {6 + k // 10:02d}:{k % 10 * 6:02d}",
                },
                who="Bo",
            )  # fmt: skip
        store.set_limit("ring", "thickness", lower_um=4990.0, upper_um=5012.0, lower_text="4.990 mm",
                        upper_text="5.012 mm", who="QE", why="drawing C")  # fmt: skip
    page = run(lap="CI-1", section="Dimension")
    shown = text(page)
    assert "performance index" in shown and "towards the lower limit" in shown and "4.990 mm to 5.012 mm" in shown
    assert len(page.get("plotly_chart")) == 1
    assert "No thickness is logged on DI-2" in text(run(lap="DI-2", section="Dimension"))


@pytest.mark.parametrize("kind", ["individuals", "subgroup mean", "probability limit", "joint distance"])
def test_kinds_of_chart_open_with_their_claims(kind, limited):
    page = run(lap="CI-1", section="Chart")
    assert "Baseline: all 12 readings" not in text(page)  # nothing is worked out before it is asked for
    field(page, "Kind of chart").set_value(kind)
    page.run()
    assert not page.exception, page.exception
    shown = text(page)
    assert "A first look: limits from these very readings" in shown and shown.count("Method: ") == 2
    assert shown.count("Baseline: ") == 2 and not re.search(r"\bnan\b", shown, re.IGNORECASE)
    assert ("Sees " in shown or "sees " in shown) or "No limits: " in shown


def test_the_wear_section_says_why_its_charts_are_not_frozen(limited):
    shown = text(run(lap="CI-1", section="Wear"))
    assert "Frozen limits" in shown and "The wear and re-lap charts have nothing to freeze" in shown
    assert "Forecasts held against past cycles" in shown
    assert "No forecast of CI-1 can be held against past cycles: no past cycle of its group has ended." in shown
