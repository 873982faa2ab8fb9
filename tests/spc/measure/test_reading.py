import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.measure.reading import as_reading, finest_step, parse_reading, parse_typed

INF = math.inf

# Interval in the reading's own unit for a step of one half: r +- w/2, cut at 0; written-out intervals as written.
HALF_BANDS = [
    ("0.5", 0.25, 0.75), ("<0.5", 0, 0.5), ("≤1", 0, 1), ("<= 1", 0, 1), ("1-1.5", 1, 1.5), ("1 – 1.5", 1, 1.5),
    ("1..2", 1, 2), ("1 to 2", 1, 2), ("2 bis 3", 2, 3), ("2+", 2, INF), (">4", 4, INF), ("≥ 4", 4, INF),
    ("~1", 0.5, 1.5),
    ("ca. 1", 0.5, 1.5), ("1½", 1.25, 1.75), ("½", 0.25, 0.75), ("1 1/2", 1.25, 1.75), ("1-1/2", 1.25, 1.75),
    ("1/4-1/2", 0.25, 0.5), ("0", 0, 0.25), ("flat", 0, 0.5), ("trace", 0, 0.5), ("eben", 0, 0.5), ("0,5", 0.25, 0.75),
    ("2 bands", 1.75, 2.25), ("1.5 Streifen", 1.25, 1.75), ("1±0.5", 0.5, 1.5), (".5", 0.25, 0.75), ("2.", 1.75, 2.25),
    ("1.5-1", 1, 1.5), ("+1", 0.75, 1.25),
]  # fmt: skip


@pytest.mark.parametrize(("typed", "low", "high"), HALF_BANDS)
def test_interval_of_a_half_band_log(typed, low, high):
    reading = parse_reading(typed, unit="bands", lamp_text="644 nm", step=0.5)
    assert (reading.low_um, reading.high_um) == pytest.approx((low * 0.322, high * 0.322))
    assert (reading.text, reading.unit, reading.lamp) == (typed, "band", "644 nm")


@pytest.mark.parametrize(
    ("typed", "unit", "low_um", "high_um"),
    [
        ("0.6", "um", 0.55, 0.65), ("23 uin", "um", 22.5 * 0.0254, 23.5 * 0.0254), ("600", "nm", 0.5995, 0.6005),
        ("0.0006 mm", "um", 0.55, 0.65), ("6e-4", "mm", 0.55, 0.65), ("1.50", "um", 1.495, 1.505),
        ("1/2", "um", 0.25, 0.75), ("1.234,5", "nm", 1.23445, 1.23455),
    ],
)  # fmt: skip
def test_interval_by_the_last_digit_typed(typed, unit, low_um, high_um):
    reading = parse_reading(typed, unit=unit, decimal="," if "," in typed else ".")
    assert (reading.low_um, reading.high_um) == pytest.approx((low_um, high_um), rel=1e-12)


@given(st.integers(0, 400), st.sampled_from([1, 2, 3, 4, 8, 10, 100]), st.sampled_from(["um", "uin", "nm", "mm", "in"]))
def test_interval_holds_what_was_typed_and_is_never_a_point(top, bottom, unit):
    typed = f"{top}/{bottom}" if bottom in (2, 3, 4, 8) else str(top / bottom)
    reading = parse_reading(typed, unit=unit, step=Fraction(1, bottom))
    per = {"um": 1, "uin": 0.0254, "nm": 1e-3, "mm": 1e3, "in": 25400}[unit]
    value = top / bottom * per
    assert reading.low_um <= value * (1 + 1e-12) and value <= reading.high_um * (1 + 1e-12)
    assert reading.high_um - reading.low_um >= per / bottom / 2 * (1 - 1e-9)
    assert reading.low_um >= 0


def test_zero_may_mean_a_whole_step():
    assert parse_reading("0", unit="um", step=0.5, zero_means="whole step").high_um == 0.5


@pytest.mark.parametrize(
    ("typed", "step"),
    [
        (["1", "2", "4"], 1), (["1", "0.5"], Fraction(1, 2)), (["1 1/4", "1/2"], Fraction(1, 4)),
        (["1/3", "2/3", "1"], Fraction(1, 3)), (["0.125", "1"], Fraction(1, 8)), (["0.6"], Fraction(1, 10)),
        (["0.3", "0.5"], Fraction(1, 10)), (["<0.25", "2+", "flat", "1"], 1), (["1-1.5", "2"], Fraction(1, 2)), ([], 0),
        (["<0.5"], 0),
    ],
)  # fmt: skip
def test_finest_step_of_bands(typed, step):
    assert finest_step([parse_typed(t) for t in typed], unit="band") == step


def test_finest_step_of_decimals_is_the_last_digit():
    assert finest_step([parse_typed(t) for t in ("1.5", "2", "1.50")], unit="um") == Fraction(1, 100)


def test_minus_is_a_shape_only_when_stated():
    with pytest.raises(ValueError, match=r'is negative \(-0\.5\).*negative = "concave"'):
        parse_reading("-0.5", unit="um")
    hollow = parse_reading("-0.5", unit="um", negative="concave")
    assert (hollow.shape, hollow.low_um, hollow.high_um) == ("concave", 0.45, 0.55)
    assert parse_reading("0.5", unit="um", negative="concave").shape == "convex"
    assert parse_reading("0", unit="um", negative="concave").shape == ""
    signed = parse_reading("-0.5", unit="um", negative="deviation")
    assert (signed.shape, signed.low_um, signed.high_um) == ("", -0.55, -0.45)


@pytest.mark.parametrize(
    ("typed", "shape"),
    [
        ("0.5 convex", "convex"),
        ("1 ccv", "concave"),
        ("convex 1", "convex"),
        ("1/2 band cvx", "convex"),
        ("2 hohl", "concave"),
    ],
)
def test_shape_written_in_the_cell(typed, shape):
    assert parse_reading(typed, unit="bands", lamp_text="helium").shape == shape


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "nan",
        "inf",
        "-inf",
        "1e400",
        "-1",
        "abc",
        "--1",
        "1.5.2",
        "1 2",
        "=1+1",
        "1/0",
        "9" * 70,
        "<",
        "1-",
        "<-1",
        "0x10",
    ],
)
def test_refused_in_one_sentence(typed):
    with pytest.raises(ValueError, match=r"^(is|has|\S+ uses) "):
        parse_reading(typed, unit="um")


def test_undecided_thousands_are_refused():
    with pytest.raises(ValueError, match=r"'1,200' could be 1200 or 1\.200"):
        parse_reading("1,200", unit="nm", decimal="")
    assert parse_reading("1,200", unit="nm", decimal=".").high_um == pytest.approx(1.2005)
    assert parse_reading("1,200", unit="um", decimal=",").high_um == pytest.approx(1.2005)


@pytest.mark.parametrize(("unit", "words"), [("", "has no unit"), ("bands", "no lamp is known")])
def test_nothing_is_guessed(unit, words):
    with pytest.raises(ValueError, match=words):
        parse_reading("1", unit=unit)


def test_words_need_a_known_step():
    with pytest.raises(ValueError, match="no known reading step"):
        parse_reading("flat", unit="um")


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text):
    try:
        typed = parse_typed(text)
        reading = as_reading(typed, text=text, unit="um", step=Fraction(1, 2))
    except ValueError:
        return
    assert 0 <= reading.low_um <= reading.high_um
    assert reading.low_um < reading.high_um or typed.kind in ("below", "range")
