import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.measure.rubbing import QUANTITIES, TURNS, WEIGHED, quantity_unit, read_quantity

CASES = [(name, unit) for name, quantity in QUANTITIES.items() for unit in quantity.units]


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        # SI brochure (9th ed., 2019) and NIST SP 811 (2008), appendix B.8: factors printed there in bold are exact;
        # from memory.
        ("1 kgf", "load", 9.80665), ("1 lbf", "load", 4.4482216152605), ("1 kN", "load", 1000.0),
        ("1 in2", "area", 645.16), ("1 cm²", "area", 100.0), ("1 m^2", "area", 1e6),
        ("1 ft/min", "speed", 0.00508), ("60 m/min", "speed", 1.0), ("1 ft/s", "speed", 0.3048),
        ("5½ N", "load", 5.5), ("1e2N", "load", 100.0), ("0.5 m per s", "speed", 0.5), ("8 sq. cm", "area", 800.0),
    ],
)  # fmt: skip
def test_published_factors_and_ways_to_write_them(text, name, value):
    assert read_quantity(text, name) == value


@pytest.mark.parametrize(
    ("text", "name", "options", "words"),
    [
        ("50", "load", {}, "has no unit: '50'"),
        ("-5", "load", {"unit": "N"}, "must be above 0: '-5'"), ("-5 N", "load", {}, "must be above 0: '-5 N'"),
        ("0", "speed", {"unit": "m/s"}, "must be above 0"), ("0.00 mm2", "area", {}, "must be above 0"),
        ("50 psi", "load", {"unit": "N"}, "is in no unit of load: '50 psi'; the units are N, kN"),
        ("50 N", "area", {}, "is in no unit of contact area"),
        ("3 mm", "area", {}, "is in no unit of contact area"),
        ("5 kg", "load", {"unit": "N"}, "is in kg, a mass and no load"),
        ("5", "load", {"unit": "lb"}, "is in lb, a mass"),
        ("60 rpm", "speed", {"unit": "m/s"}, "is in rpm and no radius is known"),
        ("5 kg", "load", {"unit": "lbf"}, "is in kg, a mass"),
        ("soon", "load", {"unit": "N"}, "is not a number: 'soon'"),
        ("nan", "area", {"unit": "mm2"}, "not a finite number"),
        ("inf", "speed", {"unit": "m/s"}, "not a finite number"),
        ("1e9", "load", {"unit": "N"}, "which no load in lapping"),
        ("1e-9", "area", {"unit": "mm2"}, "which no contact area in lapping is"),
        ("40-60 N", "load", {}, "not a number"),
        ("50%", "load", {"unit": "N"}, "is in no unit of load"),
        ("1,200", "load", {"unit": "N", "decimal": ""}, "could be 1200 or 1.200"),
    ],
)  # fmt: skip
def test_what_is_no_such_quantity_is_refused_with_its_reason(text, name, options, words):
    with pytest.raises(ValueError, match="^(?!`)") as refused:
        read_quantity(text, name, **options)
    assert words in str(refused.value)


def test_a_mass_counts_as_its_weight_only_where_it_is_said_so():
    assert read_quantity("5 kg", "load", unit="kgf") == read_quantity("5", "load", unit="kgf") == 49.03325
    assert read_quantity("2 lb", "load", unit="lbf") == read_quantity("2 lbf", "load")
    assert {quantity_unit("load", mass) for mass in WEIGHED} == set(WEIGHED)


def test_turns_count_where_the_radius_is_known():
    # v = 2 pi r n: 60 turns a minute at 100 mm are one turn, 0.628 m, a second.
    assert read_quantity("60 rpm", "speed", radius_mm=100.0) == pytest.approx(0.2 * math.pi)
    assert read_quantity("30 U/min", "speed", radius_mm=100.0, unit="m/s") == pytest.approx(0.1 * math.pi)
    assert read_quantity("60", "speed", unit=TURNS, radius_mm=50.0) == pytest.approx(0.1 * math.pi)


@pytest.mark.parametrize(("name", "unit"), CASES)
def test_every_unit_is_known_by_its_own_name_and_to_its_own_quantity_only(name, unit):
    assert quantity_unit(name, unit) == unit
    assert [other for other in QUANTITIES if quantity_unit(other, unit)] == [name]


@given(st.sampled_from(CASES), st.decimals(min_value="0.001", max_value="99999", places=3), st.sampled_from([",", "."]))
def test_any_plain_number_in_any_unit_is_read_exactly_or_beyond_lapping(case, number, decimal):
    name, unit = case
    quantity = QUANTITIES[name]
    exact = Fraction(str(number)) * quantity.units[unit]
    text = str(number).replace(".", decimal)
    for cell, stated in ((f"{text} {unit}", ""), (f"{text}{unit}", ""), (text, unit)):
        if quantity.least <= float(exact) <= quantity.most:
            assert read_quantity(cell, name, unit=stated, decimal=decimal) == float(exact)
        else:
            with pytest.raises(ValueError, match="in lapping is"):
                read_quantity(cell, name, unit=stated, decimal=decimal)


@given(st.text(max_size=20), st.sampled_from(sorted(QUANTITIES)))
def test_any_text_is_a_quantity_above_0_or_refused_in_half_a_sentence(text, name):
    try:
        value = read_quantity(text, name)
    except ValueError as error:
        assert str(error) and "Traceback" not in str(error)
    else:
        assert QUANTITIES[name].least <= value <= QUANTITIES[name].most
