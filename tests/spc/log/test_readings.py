import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.log.coded import Coded
from spc.log.columns import FieldSource
from spc.log.readings import read_length, read_readings
from spc.measure.reading import parse_reading
from spc.settings import Settings


def column(texts):
    return Coded(np.arange(len(texts), dtype=np.int32), pa.array(texts, pa.string()))


@given(
    st.lists(
        st.decimals(0, 9999, places=3).map(str) | st.integers(0, 999).map(str), min_size=1, max_size=30, unique=True
    ),
    st.sampled_from(["um", "uin", "nm", "mm", "in", "mil"]),
    st.sampled_from([None, 0.5, 0.001, 3.0]),
    st.sampled_from(["", "concave", "deviation"]),
    st.sampled_from(["half step", "whole step"]),
)
def test_plain_numbers_are_exactly_what_the_single_reading_says(texts, unit, step, negative, zero_means):
    source = FieldSource(unit=unit, step=step, negative=negative)
    found = read_readings(
        column(texts), field="flatness", source=source, settings=Settings(zero_means=zero_means), decimal="."
    )
    finest = step or 10.0 ** -max(len(t.partition(".")[2]) for t in texts)
    for case, text in zip(found.codes, texts, strict=True):
        one = parse_reading(text, unit=unit, step=finest, negative=negative, zero_means=zero_means)
        assert (found.low_um[case], found.high_um[case]) == (one.low_um, one.high_um)
        assert (found.unit[case], found.shape[case]) == (one.unit, one.shape)


def test_a_hundred_thousand_different_readings():
    texts = [f"{i / 1000:.3f}" for i in range(100_000)]
    found = read_readings(
        column(texts), field="thickness", source=FieldSource(unit="mm"), settings=Settings(), decimal="."
    )
    assert not any(found.faults)
    assert found.high_um[12_345] == pytest.approx(12_345.5)


@pytest.mark.parametrize(
    ("cell", "unit", "um"), [("-0.4", "um", -0.4), ("1-2", "um", 1.5), ("2 mm", "", 2000), ("10", "uin", 0.254)]
)
def test_plain_length(cell, unit, um):
    assert read_length(cell, source=FieldSource(unit=unit), decimal=".") == pytest.approx(um)


@pytest.mark.parametrize(
    ("cell", "words"), [("1", "has no unit"), ("2+ um", "has no upper end"), ("2 bands", "no lamp")]
)
def test_length_refused(cell, words):
    with pytest.raises(ValueError, match=words):
        read_length(cell, source=FieldSource(), decimal=".")
