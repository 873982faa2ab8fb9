import math
from dataclasses import replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from dashboard.entry import (
    FaceEntry,
    LengthUnit,
    entry_unit,
    event_row,
    face_row,
    form_unit,
    typed_here,
    usual_readings,
)
from dashboard.far_reading import FarReadingError, Yardstick
from spc.settings import Settings, Shift

BANDS = LengthUnit("band", "helium")
AT = datetime(2026, 3, 4, 1, 30, tzinfo=ZoneInfo("Europe/Vienna"))


def test_a_reading_in_half_bands_is_kept_as_its_interval_and_as_typed():
    site = Settings(step_bands=0.5)
    row = face_row(FaceEntry("1.5", minutes=12, grit="15 um"), lap="CI-1", unit=BANDS, site=site, at=AT)
    band = 0.58756 / 2  # helium line 587.56 nm; a band is half of it
    assert row["flatness_low_um"] == pytest.approx(1.25 * band) and row["flatness_high_um"] == pytest.approx(
        1.75 * band
    )
    assert row["flatness_text"] == "1.5" and row["lamp"] == "helium" and row["grit_um"] == 15


def test_open_readings_and_own_units():
    row = face_row(FaceEntry("2+"), lap="CI-1", unit=BANDS, site=Settings(), at=AT)
    assert math.isinf(row["flatness_high_um"])
    row = face_row(FaceEntry("23 uin"), lap="CI-1", unit=BANDS, site=Settings(), at=AT)
    assert row["flatness_unit"] == "uin" and row["flatness_low_um"] == pytest.approx(22.5 * 0.0254)


@pytest.mark.parametrize(
    ("typed", "unit", "says"),
    [
        ("", BANDS, "Flatness is empty: tap a reading or type one"),
        (
            "1.5",
            LengthUnit("", ""),
            "Flatness has no unit: tap it, or write it behind the number, like 1.5 um.",
        ),
        (
            "1 band",
            LengthUnit("um", ""),
            "Flatness is in bands of a lamp nobody has named: write it in um, or have the",
        ),
        (
            "1",
            LengthUnit("band", ""),
            "Flatness is in bands of a lamp nobody has named: write it in um, or tap the lamp.",
        ),
        ("flat", LengthUnit("um", ""), "Flatness 'flat' says no size: type one, such as <0.5."),
        ("one", BANDS, "Flatness is not a number: 'one'; type it like 1.5 or <0.5 or 1-1.5 or 2"),
        ("eins", BANDS, "type it like 1,5 or <0,5"),
        ("-1", BANDS, r"Flatness is negative \(-1\): give the size, and tap the shape."),
    ],
)
def test_what_cannot_be_read_is_said(typed, unit, says):
    with pytest.raises(ValueError, match=says):
        face_row(FaceEntry(typed), lap="CI-1", unit=unit, site=Settings(decimal="," if "1,5" in says else ""), at=AT)


@pytest.mark.parametrize(
    ("typed", "said"),
    [("1e9", "1e9 light bands"), ("0.5-4000", "0.5-4000 light bands"), ("1001 um", "1001 um"), (">1.1 mm", ">1.1 mm")],
)
def test_a_flatness_nobody_laps_is_questioned(typed, said):
    with pytest.raises(ValueError, match=f"Flatness of {said} is 1 mm or more, which nobody laps: look at"):
        face_row(FaceEntry(typed), lap="CI-1", unit=BANDS, site=Settings(), at=AT)


def test_a_flatness_of_up_to_a_millimetre_is_taken():
    assert face_row(FaceEntry("999 um"), lap="CI-1", unit=BANDS, site=Settings(), at=AT)["flatness_high_um"] < 1000
    assert math.isinf(face_row(FaceEntry("2+"), lap="CI-1", unit=BANDS, site=Settings(), at=AT)["flatness_high_um"])


def test_a_bad_grit_is_said():
    with pytest.raises(ValueError, match="Grit"):
        face_row(FaceEntry("1", grit="no grit at all"), lap="CI-1", unit=BANDS, site=Settings(), at=AT)


def test_a_shift_across_midnight_keeps_the_day_it_began():
    night = Settings(time_zone="Europe/Vienna", shifts=(Shift("night", time(22), time(6)),))
    row = face_row(FaceEntry("1"), lap="CI-1", unit=BANDS, site=night, at=AT)
    assert row["shift"] == "night" and row["shift_date"] == "2026-03-03"
    row = face_row(FaceEntry("1"), lap="CI-1", unit=BANDS, site=night, at=AT.replace(hour=23))
    assert row["shift_date"] == "2026-03-04"


def test_the_unit_comes_from_the_last_face_then_the_site_and_is_always_named():
    assert entry_unit({"flatness_unit": "uin", "lamp": ""}, Settings()).label == "µin"
    assert entry_unit(None, Settings(flatness_unit="band", lamp="sodium")).label == "light bands, sodium lamp"
    assert "unit not known" in entry_unit(None, Settings()).label


def test_the_form_keeps_the_unit_of_most_newest_faces():
    def unit(*names, site=None):
        lamps = ["helium" if name == "band" else "" for name in names]
        return form_unit(pd.DataFrame({"flatness_unit": names, "lamp": lamps}, dtype=str), site or Settings())

    assert unit("band", "band", "um") == BANDS  # one reading typed with another unit changes nothing
    assert unit("band", "um") == LengthUnit("um", "helium")  # as many of each: the newest; the lamp is still known
    assert unit(*["band"] * 30, *["um"] * 11, "") == LengthUnit("um", "helium")
    site = Settings(lamp="sodium")
    assert unit("um", site=site) == unit(site=replace(site, flatness_unit="um")) == LengthUnit("um", "sodium")


@pytest.mark.parametrize("unit", [LengthUnit("um", ""), LengthUnit("", "")])
def test_bands_typed_on_a_lap_without_any_are_of_the_sites_lamp_and_step(unit):
    site = Settings(lamp="helium", step_bands=0.5)
    row = face_row(FaceEntry("1 band"), lap="CI-1", unit=unit, site=site, at=AT)
    assert (row["flatness_unit"], row["lamp"]) == ("band", "helium")
    assert row["flatness_low_um"] == pytest.approx(0.75 * 0.58756 / 2)
    with pytest.raises(ValueError, match="Finish Ra is in bands, which measure no roughness: write it in um"):
        face_row(FaceEntry("1 band", finish="1 band"), lap="CI-1", unit=unit, site=site, at=AT)


def test_the_step_of_bands_is_not_that_of_a_length_typed_among_them():
    row = face_row(FaceEntry("0.3 um"), lap="CI-1", unit=BANDS, site=Settings(step_bands=0.5), at=AT)
    assert (row["flatness_low_um"], row["flatness_high_um"]) == pytest.approx((0.25, 0.35))


@pytest.mark.parametrize(
    ("typed", "unit", "said"),
    [
        ("1", BANDS, "1 light band"),
        ("1.5", BANDS, "1.5 light bands"),
        ("½", BANDS, "½ light bands"),
        ("6e-1", BANDS, "6e-1 light bands"),
        ("6e-1 um", BANDS, "6e-1 um"),
        ("0.3 um", BANDS, "0.3 um"),  # its own unit was typed with it
        ("12", LengthUnit("uin", ""), "12 µin"),
        ("1", LengthUnit("", ""), "1"),
        ("", BANDS, ""),
    ],
)
def test_a_reading_is_said_with_its_unit(typed, unit, said):
    assert unit.named(typed) == said


def test_usual_readings_run_from_the_flattest_up():
    faces = pd.DataFrame(
        {
            "flatness_text": [
                "1",
                "<0.5",
                "1",
                "2+",
                "",
                "0.5",
                "1/1",
                "1",
            ],  # the last "1" by one who reads whole bands
            "flatness_low_um": [0.2, 0.0, 0.2, 0.6, math.nan, 0.1, 0.2, 0.1],
            "flatness_high_um": [0.4, 0.15, 0.4, math.inf, math.nan, 0.2, 0.4, 0.5],
            "flatness_unit": ["band"] * 8,
            "lamp": ["helium"] * 8,
            "lap": ["CI-1"] * 8,
        }
    )
    offered = usual_readings(faces, BANDS)
    assert [reading.text for reading in offered] == ["<0.5", "0.5", "1", "2+"]
    assert (offered[2].low_um, offered[2].high_um) == (0.2, 0.4)  # as it stands in the log most often
    assert usual_readings(faces.iloc[:0], BANDS) == []
    assert usual_readings(faces, LengthUnit("band", "sodium")) == usual_readings(faces, LengthUnit("um", "")) == []


def test_a_reading_whose_sign_tells_the_shape_is_not_offered():
    row = {"flatness_text": "-1", "flatness_low_um": 0.2, "flatness_high_um": 0.4, "flatness_unit": "band"}
    assert usual_readings(pd.DataFrame([row | {"lamp": "helium", "lap": "CI-1"}]), BANDS) == []


@pytest.mark.parametrize(
    ("text", "high_um", "decimal", "here"),
    [
        ("5.125", 5.1255, ",", "5,125"),
        ("5,125", 5.1255, "", "5.125"),
        ("1.000", 1000.5, ",", "1.000"),  # typed as one thousand: it stays so
        ("<1.000", 1000.0, ",", "<1.000"),
        ("2.5+", math.inf, ",", "2,5+"),
        ("1 1/2", 1.75, ",", "1 1/2"),
        ("1.234,5", 1234.55, ",", "1.234,5"),
        ("see note", math.nan, ",", "see note"),
    ],
)
def test_a_reading_stands_in_the_form_as_this_person_types_it(text, high_um, decimal, here):
    face = {"flatness_text": text, "flatness_low_um": 2.25, "flatness_high_um": high_um}
    assert typed_here(face, unit=LengthUnit("um", ""), site=Settings(decimal=decimal)) == here


def test_an_event_carries_both_grits_when_the_grit_changed():
    row = event_row("grit changed", lap="CI-1", operator="A", site=Settings(), at=AT, grit="9 um", grit_from="15 um")
    assert (row["grit_um"], row["grit_from_um"]) == (9, 15)
    assert "grit_from" not in event_row("cleaned", lap="CI-1", operator="A", site=Settings(), at=AT)


def test_a_reading_within_the_limit_is_never_asked_about_and_without_a_usual_one_the_limit_is_held_against():
    def asked(typed, **against):
        try:
            face_row(
                FaceEntry(typed), lap="K1", unit=LengthUnit("um", ""), site=Settings(), at=AT,
                against=Yardstick(**against),
            )  # fmt: skip
        except FarReadingError as error:
            return str(error)
        return ""

    assert not asked("1.5", usual_um=0.05, limit_um=2.0)
    assert "about 50 times what K1 usually reads" in asked("2.5", usual_um=0.05, limit_um=2.0)
    assert "about 30 times the limit on K1" in asked("60", limit_um=2.0)
    assert not asked("60")
