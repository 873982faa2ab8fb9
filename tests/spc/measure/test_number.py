from fractions import Fraction

import pytest

from spc.measure.number import decimal_evidence, parse_number


@pytest.mark.parametrize(
    ("typed", "decimal", "value"),
    [
        ("0.5", ".", "1/2"), ("0,6", ",", "3/5"), ("0,6", ".", "3/5"), ("1.234,5", ",", "2469/2"),
        ("1,234.5", ".", "2469/2"),
        ("1'234.5", ".", "2469/2"), ("1 234,5", ",", "2469/2"), ("1.234.567", ",", "1234567"), ("1,200", ".", "1200"),
        ("1,200", ",", "6/5"), ("2½", ".", "5/2"), ("1 1/2", ".", "3/2"), ("−3", ".", "-3"), ("6e-4", ".", "3/5000"),
        ("0,125", "", "1/8"),
    ],
)  # fmt: skip
def test_value(typed, decimal, value):
    assert parse_number(typed, decimal=decimal).value == Fraction(value)


@pytest.mark.parametrize(
    ("typed", "mark"),
    [
        ("0.5", "."),
        ("0,6", ","),
        ("1.234,5", ","),
        ("1,234.5", "."),
        ("1,200", "?"),
        ("0,200", ","),
        ("12", ""),
        ("a.b", ""),
    ],
)
def test_evidence(typed, mark):
    assert decimal_evidence(typed) == mark


@pytest.mark.parametrize("typed", ["", "nan", "1e31", "1.2.3,4", "1/0", "12,34,567.1"])
def test_refused(typed):
    with pytest.raises(ValueError, match="^is "):
        parse_number(typed, decimal=".")


def test_unknown_decimal_mark_is_refused():
    with pytest.raises(ValueError, match=r"`decimal` must be '\.', ',' or '', got ';'"):
        parse_number("1", decimal=";")
