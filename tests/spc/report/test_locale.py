import math
from datetime import datetime

import pytest

from spc.report.locale import LOCALES, locale_named

# Marks of German and French numbers: Unicode CLDR, de and fr (from memory).


def test_numbers_and_dates_by_language():
    en, de, fr = LOCALES["en"], LOCALES["de"], LOCALES["fr"]
    assert [one.number(1234567.891, 2) for one in (en, de, fr)] == [
        "1,234,567.89",
        "1.234.567,89",
        "1\u202f234\u202f567,89",
    ]
    assert [one.moment(datetime(2026, 3, 4, 7, 5)) for one in (en, de, fr)] == [
        "2026-03-04 07:05", "04.03.2026 07:05", "04/03/2026 07:05",
    ]  # fmt: skip
    assert (en.number(math.nan, 2), en.number(math.inf, 2), en.number(-0.001, 2)) == ("", "open", "0.00")


@pytest.mark.parametrize(
    ("value", "written"), [(0.0293784, "0.0294"), (1234.5, "1,230"), (9.996, "10.0"), (0.0, "0"), (2.5e-9, "2.50e-9")]
)
def test_significant_digits(value, written):
    assert LOCALES["en"].significant(value) == written


@pytest.mark.parametrize(("value", "written"), [(0.2, "under 1"), (7.4, "7"), (1234.0, "1,200"), (math.nan, "")])
def test_shares(value, written):
    assert LOCALES["en"].ppm(value) == written


def test_numbers_of_a_sentence_but_not_of_a_name_a_date_or_a_time():
    told = "Lap 1.5 of PN-2.5 reads 0.294 um, 1,234 faces since 2026-03-04 07:05; p 7.3e-40, limit 0.6."
    assert LOCALES["de"].sentence(told, names=("Lap 1.5", "PN-2.5")) == (
        "Lap 1.5 of PN-2.5 reads 0,294 µm, 1.234 faces since 2026-03-04 07:05; p 7,3e-40, limit 0,6."
    )
    assert LOCALES["en"].sentence("0.3 um/min") == "0.3 µm/min"


def test_a_share_has_one_mark_in_each_language():
    told = "95 % of 1,234 faces, 4.5% of them late"
    assert LOCALES["en"].sentence(told) == "95% of 1,234 faces, 4.5% of them late"
    assert LOCALES["de"].sentence(told) == "95\u00a0% of 1.234 faces, 4,5\u00a0% of them late"
    assert LOCALES["fr"].sentence(told) == "95\u202f% of 1\u202f234 faces, 4,5\u202f% of them late"


def test_an_unknown_language_is_refused():
    with pytest.raises(ValueError, match="`language` must be one of en, de, fr, got 'xx'"):
        locale_named("xx")
