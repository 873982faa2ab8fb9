import csv
from fractions import Fraction
from pathlib import Path

import pytest

from spc.measure.length import LAMPS, lamp, um_per, unit_name

SOURCES = Path(__file__).parents[2] / "sources"
BANDS = list(csv.DictReader((SOURCES / "light_bands.csv").read_text(encoding="utf-8").splitlines()))
LAMP_OF = {"He": "helium", "Na": "sodium", "Hg": "mercury green", "HeNe": "helium-neon"}


@pytest.mark.parametrize("row", BANDS, ids=[r["source"] for r in BANDS])
def test_one_band_is_half_the_wavelength(row):
    found = lamp(LAMP_OF[row["source"]])
    assert found.wavelength_nm == float(row["wavelength_nm"])
    assert found.band_um == pytest.approx(float(row["half_um"]), rel=1e-15)
    in_uin = um_per("band", wavelength_nm=found.wavelength_nm) / um_per("uin")
    assert float(in_uin) == pytest.approx(float(row["half_uin"]), rel=1e-14)


def test_helium_band_of_the_army_course():
    # US Army metrology course text MM0478: one band of orange light 11.6 uin, 9 bands 104.4 uin (printed to 0.1).
    in_uin = float(um_per("band", wavelength_nm=LAMPS["helium"].wavelength_nm) / um_per("uin"))
    assert in_uin == pytest.approx(11.6, abs=0.05)
    assert 9 * in_uin == pytest.approx(104.4, abs=9 * 0.05)


def test_inch_is_25_4_mm():
    # International yard and pound agreement, 1959: 1 in = 25.4 mm exactly.
    assert um_per("in") == Fraction(25400)
    assert um_per("uin") == Fraction(254, 10000)
    assert um_per("mil") == Fraction(127, 5)


@pytest.mark.parametrize(
    ("typed", "unit"),
    [
        ("µm", "um"), ("\u03bcm", "um"), ("um", "um"), ("mic", "um"), ("microns", "um"), ("µ", "um"),
        ("Mikrometer", "um"),
        ("µin", "uin"), ("uin", "uin"), ('µ"', "uin"), ("microinch", "uin"), ("micro inches", "uin"), ("NM", "nm"),
        ("Zoll", "in"), ('"', "in"), ("pouces", "in"), ("thou", "mil"), ("bands", "band"), ("fr", "band"),
        ("fringes", "band"), ("Streifen", "band"), ("franges", "band"), ("bandes", "band"), ("light  bands", "band"),
    ],
)  # fmt: skip
def test_unit_words(typed, unit):
    assert unit_name(typed) == unit


def test_micro_alone_is_refused():
    with pytest.raises(ValueError, match="both micrometre and microinch"):
        unit_name("micro")


@pytest.mark.parametrize("typed", ["", "parsec", "x" * 500])
def test_unknown_unit_is_refused(typed):
    with pytest.raises(ValueError, match=r"`unit` must be one of um, .*, got"):
        unit_name(typed)


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("He", "helium"),
        ("HeNe", "helium-neon"),
        ("Natrium", "sodium"),
        ("546.07 nm", "mercury green"),
        (632.8, "helium-neon"),
    ],
)
def test_lamp_words(typed, name):
    assert lamp(typed).name == name


def test_stated_wavelength():
    found = lamp("644 nm")
    assert (found.name, found.wavelength_nm, found.band_um) == ("644 nm", 644.0, 0.322)


@pytest.mark.parametrize("typed", ["desk lamp", "", "200 nm", "nan"])
def test_unknown_lamp_is_refused(typed):
    with pytest.raises(ValueError, match="`lamp` must"):
        lamp(typed)


def test_bands_without_a_lamp_are_refused():
    with pytest.raises(ValueError, match="say which lamp was used"):
        um_per("band")
