"""The unit a sentence about a lap is in: the one of the drawing's characteristic, as it was read."""

from types import SimpleNamespace

import pandas as pd
import pytest

from spc.board.shown_length import length_words, lengths_apart, shown_length
from spc.measure.shown import ShownLength
from spc.settings import Settings


def view(unit, lamp="", site=Settings()):  # noqa: B008 - frozen, so one default may serve all
    rows = pd.DataFrame({"flatness_unit": [unit], "lamp": [lamp]})
    return SimpleNamespace(faces_of=lambda lap: rows, settings=site)


def test_a_flatness_is_said_as_it_was_read():
    helium_um = 0.58756 / 2  # half the helium line of 587.56 nm
    assert length_words(2 * helium_um, "flatness", shown_length(view("band", "helium"), "L", "flatness")) == "2 bands"
    assert length_words(0.0254, "flatness", shown_length(view("uin"), "L", "flatness")) == "1 uin"
    assert length_words(0.3, "flatness", shown_length(view("um"), "L", "flatness")) == "0.3 um"
    assert length_words(0.3, "flatness", shown_length(view("", site=Settings()), "L", "flatness")) == "0.3 um"


def test_the_unit_a_person_asks_for_goes_before_the_laps_own():
    bands, uin = ShownLength("bands", 0.3), ShownLength("uin", 0.0254)
    assert shown_length(view("um"), "L", "flatness", asked=bands) == bands
    assert shown_length(view("um"), "L", "finish", asked=bands) is None
    assert shown_length(view("um"), "L", "finish", asked=uin) == uin
    assert shown_length(view("um"), "L", "minutes", asked=uin) is None


def test_bands_without_a_lamp_are_no_length_to_speak_in():
    assert shown_length(view("band"), "L", "flatness").name == "um"
    assert shown_length(view("band", site=Settings(lamp="helium")), "L", "flatness").name == "bands"


@pytest.mark.parametrize(
    ("sign", "words"), [("finish", "0.03 um"), ("removal rate", "0.03 um/min"), ("minutes", "0.03 min")]
)
def test_what_no_light_band_measures_keeps_its_own_unit(sign, words):
    assert length_words(0.03, sign, shown_length(view("band", "helium"), "L", sign)) == words


def test_a_value_and_its_limit_are_said_with_the_digits_that_tell_them_apart():
    um = ShownLength("um", 1.0)
    assert lengths_apart(0.42, 0.3, "flatness", um) == ("0.42 um", "0.3 um")
    assert lengths_apart(0.30042, 0.29964, "flatness", um) == ("0.3004 um", "0.2996 um")
    assert lengths_apart(33.61, 33.59, "minutes", None) == ("33.61 min", "33.59 min")
