import pytest

from dashboard.column_choice import column_table, edited_map, map_text
from spc.log.columns import ColumnMap, load_column_map
from spc.log.records import first_cells
from spc.log.rows import read_log
from spc.settings import Settings

LOG = b"operator;plate name;grit;minutes;flatness (um);mystery\nA;CI-1;15 um;12;0,6;0,7\nB;CI-1;15 um;11;0,5;0,8\n"


@pytest.fixture
def parsed():
    return read_log(LOG, name="own.csv", settings=Settings())


def test_each_column_is_listed_with_how_it_is_read(parsed):
    table = column_table(parsed.columns, {})
    assert list(table["header"]) == ["operator", "plate name", "grit", "minutes", "flatness (um)", "mystery"]
    assert table.loc[5, ["read as", "unit"]].tolist() == ["flatness", "um"]
    assert table.loc[6, "read as"] == ""


def test_each_column_shows_the_first_cells_that_differ_in_it():
    bare = b"CI-1;0,6;;a note that is longer than thirty characters\nCI-1;0,5;;\nCI-2;0,6;;x\n"
    read = read_log(bare, name="own.csv", settings=Settings())
    assert "no line of the file is a header" in read.refused
    table = column_table(read.columns, first_cells(bare, read.dialect))
    assert table["holds"].tolist() == ["CI-1  |  CI-2", "0,6  |  0,5", "", "a note that is longer than th\u2026  |  x"]


def test_nothing_edited_changes_nothing(parsed):
    table = column_table(parsed.columns, {})
    base = ColumnMap(decimal=",")
    assert edited_map(table, table.copy(), parsed.columns, base) is base


def test_an_edit_becomes_a_map_that_reads_the_file_so(parsed):
    table = column_table(parsed.columns, {})
    edited = table.copy()
    edited.loc[2, "read as"] = "lap"
    edited.loc[6, ["read as", "unit", "step"]] = ["finish", "um", "0,1"]
    plan = edited_map(table, edited, parsed.columns, ColumnMap(decimal=","))
    again = read_log(LOG, name="own.csv", settings=Settings(), column_map=plan)
    assert again.refused == "" and again.counts["face"] == 2
    assert again.rows["lap"].tolist() == ["CI-1", "CI-1"]
    assert again.rows["finish_low_um"].tolist() == pytest.approx([0.65, 0.75])
    assert again.rows["flatness_text"].tolist() == ["0,6", "0,5"]
    kept = load_column_map(map_text(plan))
    assert read_log(LOG, name="own.csv", settings=Settings(), column_map=kept).rows.equals(again.rows)


@pytest.mark.parametrize(
    ("typed", "why"),
    [("half", "The step of mystery is not a number: 'half'."), ("0", "The step of mystery must be a length greater")],
)
def test_a_step_that_is_no_length_is_refused(parsed, typed, why):
    table = column_table(parsed.columns, {})
    edited = table.copy()
    edited.loc[6, ["read as", "step"]] = ["finish", typed]
    with pytest.raises(ValueError, match=why):
        edited_map(table, edited, parsed.columns, ColumnMap())


def test_one_field_for_two_columns_is_refused(parsed):
    table = column_table(parsed.columns, {})
    edited = table.copy()
    edited.loc[6, "read as"] = "flatness"
    with pytest.raises(ValueError, match="`read as` must name each field once, got flatness for two columns"):
        edited_map(table, edited, parsed.columns, ColumnMap())
