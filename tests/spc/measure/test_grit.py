import csv
import math
from pathlib import Path

import pytest

from spc.measure.grit import FEPA_F_UM, FEPA_P_UM, parse_grit

SOURCE = Path(__file__).parents[2] / "sources" / "abrasive_grit_um.csv"
TABLE = list(
    csv.DictReader(SOURCE.read_text(encoding="utf-8").splitlines())
)  # ISO 8486-2 / ISO 6344; provenance in the file


@pytest.mark.parametrize("row", TABLE, ids=[r["grade"] for r in TABLE])
def test_fepa_sizes(row):
    assert parse_grit(row["grade"]).size_um == float(row["median_um"])


def test_tables_hold_no_more_than_the_source():
    assert len(TABLE) == len(FEPA_F_UM) + len(FEPA_P_UM)


@pytest.mark.parametrize(
    ("typed", "text", "size"),
    [
        ("15 um", "15 um", 15), ("15µ", "15 um", 15), ("15 \u03bcm", "15 um", 15), ("0,5 µm", "0.5 um", 0.5),
        ("6-12 um", "6-12 um", 9), ("f600", "F600", 9.3), ("FEPA P1200", "P1200", 15.3), ("F 600", "F600", 9.3),
    ],
)  # fmt: skip
def test_sized(typed, text, size):
    found = parse_grit(typed)
    assert (found.text, found.size_um) == (text, size)


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        ("15", "15"),
        ("#600", "600 mesh"),
        ("600 mesh", "600 mesh"),
        ("600 grit", "600 mesh"),
        ("JIS 2000", "JIS 2000"),
        ("F601", "F601"),
    ],
)
def test_scale_without_a_size(typed, text):
    found = parse_grit(typed)
    assert found.text == text
    assert math.isnan(found.size_um)
    assert "size left open" in found.remark


@pytest.mark.parametrize(
    ("unit", "text"), [("um", "600 um"), ("F", "F600"), ("P", "P600"), ("JIS", "JIS 600"), ("mesh", "600 mesh")]
)
def test_bare_number_by_a_stated_scale(unit, text):
    assert parse_grit("600", unit=unit).text == text


@pytest.mark.parametrize("typed", ["", "fine", "0", "0 um", "nan", "9000 um", "x" * 99, "=15"])
def test_refused(typed):
    with pytest.raises(ValueError, match="^is "):
        parse_grit(typed)
