"""Sentences in micrometres, said in another unit."""

import pytest

from spc.measure.shown import MICROMETRE, ShownLength, said_in, told_apart, typed_words

HELIUM = ShownLength("bands", 0.58756 / 2)  # half the helium line of 587.56 nm
UIN = ShownLength("uin", 0.0254)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("on steps of 0.147 um (set for 1 in 3,190)", "on steps of 0.5 bands (set for 1 in 3,190)"),
        ("from 0.147 to 0.441 um", "from 0.5 to 1.5 bands"),
        ("between 0.147 and 0.441 um", "between 0.5 and 1.5 bands"),
        ("half of 12 and 0.147 um", "half of 12 and 0.5 bands"),
        ("400 um against 0.294 um.", "1,362 bands against 1 band."),
        ("15 um grit, grit 9 um, 3 um/min, 0.3 umbra", "15 um grit, grit 9 um, 3 um/min, 0.3 umbra"),
    ],
)
def test_lengths_of_form_are_said_in_bands_and_nothing_else_is(told, said):
    assert said_in(told, HELIUM) == said


def test_micrometres_stay_and_microinches_are_exact():
    told = "a limit of 0.254 um"
    assert said_in(told, ShownLength("um", 1.0)) == told
    assert said_in(told, UIN) == "a limit of 10 uin"


def test_bands_are_brought_back_to_micrometres():
    told = "1.71 bands against 1 band, 3 um paste, 2 bandsaws"
    assert said_in(told, MICROMETRE, written=HELIUM) == "0.502 um against 0.294 um, 3 um paste, 2 bandsaws"


@pytest.mark.parametrize(
    ("typed", "unit", "words", "in_um"),
    [
        ("1", "band", "1 band", "0.294 um"),
        ("0,5", "band", "0.5 bands", "0.147 um"),
        ("1-1.5", "band", "1 to 1.5 bands", "0.294 to 0.441 um"),
        ("<0.5", "band", "under 0.5 bands", "under 0.147 um"),
        ("2+", "band", "2 bands or more", "0.588 um or more"),
        ("1/2", "band", "0.5 bands", "0.147 um"),
        ("0.12", "um", "0.12 um", "0.12 um"),
        ("0.3 um", "band", "0.3 um", "0.3 um"),  # the unit beside the number goes before that of its column
        ("0.3", "", "0.3", "0.3"),
        ("flat", "band", "flat", "flat"),
        ("see note", "band", "see note", "see note"),
    ],
)
def test_a_reading_as_typed_is_said_with_its_unit_and_can_be_said_in_another(typed, unit, words, in_um):
    assert typed_words(typed, unit) == words
    assert said_in(words, MICROMETRE, written=HELIUM) == in_um


@pytest.mark.parametrize(
    ("value", "limit", "told"),
    [
        (1.5, 0.9, ("1.5", "0.9")),
        (1.2236, 1.2164, ("1.224", "1.216")),
        (33.61, 33.59, ("33.61", "33.59")),
        (0.300042, 0.300038, ("0.300042", "0.300038")),
        (0.3, 0.3, ("0.3", "0.3")),  # on the limit: no digit tells them apart
    ],
)
def test_a_value_beyond_its_limit_is_written_so_that_it_shows(value, limit, told):
    assert told_apart(value, limit) == told


def test_digits_that_tell_two_lengths_apart_are_kept_in_another_unit():
    told = "0.30042 um against 0.30038 um."
    assert said_in(told, HELIUM, keep_digits=True) == "1.0226 bands against 1.0225 bands."  # over 0.29378
    assert said_in(told, HELIUM) == "1.02 bands against 1.02 bands."
    assert said_in("0.294 um", HELIUM, keep_digits=True) == "1 band"


def test_a_length_far_off_is_written_out_and_never_with_an_exponent():
    assert told_apart(1234.5, 2.0) == ("1,234", "2") and told_apart(99999.0, 99998.0) == ("99,999", "99,998")
    assert said_in("a face at 1,234 um", HELIUM) == "a face at 4,200 bands"
