import math
from dataclasses import replace

import pytest

from spc.log.falling_wear import turned_round, way_to_limit
from spc.log.wear_map import load_wear_columns
from spc.log.wear_table import WearColumns, read_wear_table

COLUMNS = WearColumns(unit=("lap",), clock="faces", wear="flatness")


def test_semicolons_and_decimal_commas():
    table = read_wear_table(b"lap;faces;flatness\nA;1;0,5\nA;2;0,75\nB;1;1,25\n", COLUMNS)
    assert [u.unit for u in table.units] == ["A", "B"]
    assert table.units[0].low.tolist() == [0.5, 0.75] and table.clock_unit == "faces"


def test_a_comma_before_three_digits_is_asked_for():
    text = b"lap;faces;flatness\nA;1;2,102\nA;2;2,204\n"
    with pytest.raises(ValueError, match="'2,102' could be 2102 or 2.102: say the decimal mark"):
        read_wear_table(text, COLUMNS)
    told = replace(COLUMNS, file={"decimal": ","})
    assert read_wear_table(text, told).units[0].low.tolist() == [2.102, 2.204]
    pointed = read_wear_table(text.replace(b",", b"."), COLUMNS)  # a data file has no thousands before a point
    assert pointed.units[0].low.tolist() == [2.102, 2.204]


def test_a_header_may_be_named_without_the_unit_behind_it():
    text = "lap,faces (n),flatness [µm],flatness <mm>\nA,1,0.5,0.0005\n".encode()
    assert read_wear_table(text, replace(COLUMNS, wear="flatness [µm]")).units[0].low.tolist() == [0.5]
    with pytest.raises(ValueError, match=r"'flatness' could be any of 2 \(column 3: flatness \[µm\], column 4"):
        read_wear_table(text, COLUMNS)


def test_what_falls_to_its_limit_is_told_by_the_readings():
    fall = b"lap,faces,flatness\n" + b"".join(b"A,%d,%d\n" % (k, 50 - k) for k in range(8)) + b"A,8,42+\n"
    units = read_wear_table(fall, replace(COLUMNS, limit=30)).units
    assert way_to_limit(units).falls
    (turned,), left_out = turned_round(units)
    assert turned.low.tolist() == list(range(-50, -42)) and turned.limit == -30 and left_out == (9,)
    assert not way_to_limit(read_wear_table(fall, replace(COLUMNS, limit=60)).units).falls  # begins under its limit
    past = b"lap,faces,flatness\n" + b"".join(b"A,%d,%d\n" % (k, 40 + k % 3) for k in range(9))
    assert not way_to_limit(read_wear_table(past, replace(COLUMNS, limit=30)).units).falls  # past it, and not falling


def test_intervals_as_typed():
    table = read_wear_table(b"lap,faces,flatness\nA,1,<0.5\nA,2,0.5-1\nA,3,2+\nA,4,-0.3\n", COLUMNS)
    assert table.units[0].low.tolist() == [0, 0.5, 2, -0.3]
    assert table.units[0].high.tolist() == [0.5, 1, math.inf, -0.3]


def test_every_row_is_accounted_for():
    text = b"lap,faces,flatness\nA,1,0.5\n\nA,two,0.6\nA,3,\n,4,0.7\nA,5,wet\nA,-1,0.2\nA,6\nA,7,0.9\n"
    table = read_wear_table(text, COLUMNS)
    assert table.rows == table.used + table.blank + len(table.not_measured) + len(table.problems)
    assert table.used == 2 and table.blank == 1 and table.not_measured == (4,)
    reasons = {row: why for row, _, why in table.problems}
    assert reasons[3].startswith("the clock is not a number") and reasons[5] == "the unit is empty"
    assert reasons[6].startswith("the wear is not") and "must be 0 or more" in reasons[7]
    assert "2 fields where 3 are expected" in reasons[8]


@pytest.mark.parametrize(
    ("header", "unit", "remarks"),
    [
        ("flatness [mm]", "mm", ()),
        ("flatness", "um", ("readings are written in um; the limit is taken to be in um too",)),
    ],
)
def test_a_reading_in_another_unit_is_not_used(header, unit, remarks):
    """Four readings of one length: taken as bare numbers, 450 would stand beside 0.45."""
    cells = ("450 um", "0.45 mm", "450 µm", "0,45 mm")
    text = f"lap;faces;{header}\n" + "".join(f"A;{k};{cell}\n" for k, cell in enumerate(cells))
    table = read_wear_table(text.encode(), replace(COLUMNS, file={"decimal": "."}))
    assert table.used == 2 and table.remarks == remarks
    assert table.units[0].low.tolist() == ([0.45, 0.45] if unit == "mm" else [450, 450])
    other = "um" if unit == "mm" else "mm"
    assert all(why.startswith(f"the wear is in {other} where readings are in {unit}") for _, _, why in table.problems)


def test_a_row_of_empty_cells_is_blank():
    table = read_wear_table(b"lap,faces,flatness,note\nA,1,0.5,\n,,,\n,,,end of week\nA,2,0.6,\n", COLUMNS)
    assert (table.rows, table.used, table.blank, table.problems) == (4, 2, 2, ())


def test_limits_by_column_and_by_value():
    text = b"lap,faces,flatness,load,most\nA,1,1,10,6\nB,1,1,50,14\nC,1,1,99,\n"
    by_value = WearColumns(("lap",), "faces", "flatness", limit_by="load", limits={"10": 6.0, "50.0": 14.0})
    limits = [u.limit for u in read_wear_table(text, by_value).units]
    assert limits[:2] == [6, 14] and math.isnan(limits[2])
    by_column = WearColumns(("lap",), "faces", "flatness", limit_column="most")
    limits = [u.limit for u in read_wear_table(text, by_column).units]
    assert limits[:2] == [6, 14] and math.isnan(limits[2])


def test_a_missing_column_lists_what_there_is():
    with pytest.raises(ValueError, match="there is no column 'wear' for `wear`; the file has lap, faces, flatness"):
        read_wear_table(b"lap,faces,flatness\nA,1,1\n", WearColumns(("lap",), "faces"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("clok = 'faces'", "`clok` is not a key of this map"),
        ("clock = 3", "`clock` must be a text, got 3"),
        ("limit = 'two'", "`limit` must be a number, got 'two'"),
        ("falls = 'yes'", "`falls` must be true or false, got 'yes'"),
        ("unit = [1]", "`unit` must be a column name or a list of them"),
        ("[file]\nsheet = 1", "`file.sheet` is not a key"),
        ("clock = ", "the map cannot be read"),
        ("limit = 5\nlimit_by = 'load'\n[limits]\n10 = 6", "`limit` and `limit_by` do not go together"),
        ("[limits]\n10 = 6", "`limits` needs `limit_by`"),
    ],
)
def test_bad_maps_are_refused(tmp_path, text, words):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words.replace("[", r"\[")):
        load_wear_columns(path)


def test_a_whole_map(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(
        "unit = ['lap', 'cycle']\nclock = 'n'\nwear = 'um'\nlimit_by = 'load'\n"
        "[limits]\n10 = 6\n[file]\ndecimal = ','\n",
        encoding="utf-8",
    )
    columns = load_wear_columns(path)
    table = read_wear_table(b"lap;cycle;n;um;load\nA;1;1;0,5;10\nA;2;1;0,6;10\n", columns)
    assert [u.unit for u in table.units] == ["A 1", "A 2"] and table.units[0].limit == 6


def test_clock_that_adds_and_clock_that_counts():
    text = b"lap,minutes,flatness\nA,3,0.5\nA,4,\nB,2,0.6\nA,5,0.7\n"
    adds = read_wear_table(text, WearColumns(("lap",), "minutes", "flatness", clock_kind="adds"))
    assert adds.units[0].clock.tolist() == [3, 12] and adds.units[1].clock.tolist() == [2]
    counts = read_wear_table(text, WearColumns(("lap",), wear="flatness", clock_kind="counts"))
    assert counts.units[0].clock.tolist() == [1, 3] and counts.clock_unit == "readings"
    with pytest.raises(ValueError, match="`clock_kind` must be one of runs, age, meter, adds, counts, got 'ticks'"):
        read_wear_table(text, WearColumns(("lap",), "minutes", "flatness", clock_kind="ticks"))


COLUMN_MAP = """
name = "wear bench"
[file]
separator = ";"
[columns]
lap = "plate"
[columns.minutes]
header = "ran"
cumulative = true
[columns.flatness]
header = "out of flat"
unit = "um"
"""


def test_column_map_of_intake_names_unit_clock_and_wear(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(COLUMN_MAP, encoding="utf-8")
    columns = load_wear_columns(path)
    assert (columns.unit, columns.clock, columns.clock_kind, columns.wear) == (("plate",), "ran", "runs", "out of flat")
    assert dict(columns.file) == {"separator": ";"}
    path.write_text(COLUMN_MAP.replace("cumulative = true\n", ""), encoding="utf-8")
    assert load_wear_columns(path).clock_kind == "adds"
    path.write_text('[columns]\nlap = "plate"\nfinish = "Ra"\n', encoding="utf-8")
    columns = load_wear_columns(path)
    assert (columns.clock, columns.clock_kind, columns.wear) == ("", "counts", "Ra")


def test_column_map_without_a_lap_says_what_to_add(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text('[columns]\nflatness = "f"\n', encoding="utf-8")
    with pytest.raises(ValueError, match=r"needs the header of `columns.lap` in this column map; add it, or name"):
        load_wear_columns(path)


def test_a_column_is_the_one_of_that_very_name_before_one_of_another_case():
    text = b"unit,hours,Wear,wear\nA,1,5,7\n"
    for name, expected in (("Wear", 5.0), ("wear", 7.0)):
        table = read_wear_table(text, WearColumns(unit=("unit",), clock="hours", wear=name))
        assert table.units[0].low.tolist() == [expected]


@pytest.mark.parametrize(
    ("head", "asked", "where"),
    [
        ("unit,hours,wear,wear", "wear", r"any of 2 \(column 3: wear, column 4: wear\)"),
        ("unit,hours,Wear,WEAR", "wear", r"any of 2 \(column 3: Wear, column 4: WEAR\)"),
    ],
)
def test_a_name_that_could_be_several_columns_is_refused_with_their_places(head, asked, where):
    with pytest.raises(ValueError, match=where):
        read_wear_table(f"{head}\nA,1,5,7\n".encode(), WearColumns(unit=("unit",), clock="hours", wear=asked))


def test_a_time_of_day_is_refused_with_what_to_give_instead():
    table = read_wear_table(b"unit,clock,wear\nA,8:30,5\nA,2024-01-05,6\n", WearColumns())
    assert all("give what has passed, such as hours, or count rows" in why for _, _, why in table.problems)
    assert len(table.problems) == 2


def test_a_clock_below_zero_is_refused_with_what_to_do():
    text = b"unit,clock,wear\nA,-5,0.1\nA,5,0.2\n"
    ((row, _, why),) = read_wear_table(text, WearColumns()).problems
    assert row == 1 and why.startswith(
        "the clock is -5; it must be 0 or more: add one amount to every value of the clock"
    )
    ((_, _, why),) = read_wear_table(text, WearColumns(clock_kind="adds")).problems
    assert "what a row adds is never less" in why and "--clock-kind runs" in why


def test_names_that_differ_in_capitals_only_are_pointed_at():
    table = read_wear_table(b"unit,clock,wear\nu0,1,1\nU0,2,1\nlap  2,1,1\nlap 2,2,1\nu1,1,1\n", WearColumns())
    assert len(table.units) == 5
    assert table.remarks == tuple(
        f"units {names} differ in capitals or blanks only and are taken as 2: give them one name if they are one"
        for names in ("u0 and U0", "lap  2 and lap 2")
    )


def test_names_that_are_one_number_are_pointed_at():
    table = read_wear_table(b"unit,clock,wear\n6,1,1\n6.0,2,1\n06 b,2,1\n6 b,3,1\n", WearColumns())
    assert [unit.unit for unit in table.units] == ["6", "6.0", "06 b", "6 b"]
    assert table.remarks == ("units 6 and 6.0 are one number and are taken as 2: give them one name if they are one",)


def test_a_covariate_written_as_another_form_of_its_number_has_not_changed():
    text = b"unit,clock,wear,load\nA,1,1,5\nA,2,2,5.0\nB,1,1,5\nB,2,1,5.1\n"
    table = read_wear_table(text, WearColumns(covariates=("load",)))
    assert table.remarks == ("unit B: a covariate changes in row 4; the first value is used",)


def test_one_column_is_not_clock_and_wear():
    with pytest.raises(ValueError, match="column 'wear' is named both for `clock` and for `wear`"):
        read_wear_table(b"unit,clock,wear\nA,1,1\n", WearColumns(clock="wear"))


def test_what_a_row_that_is_not_used_adds_to_the_clock_is_added_or_said_to_be_lost():
    text = b"unit,clock,wear,limit\nA,10,1,9\nA,10,2,x\nA,10,3,9\nA,x,4,9\nA,10,5,9\nA,10,5\n"
    table = read_wear_table(text, WearColumns(clock_kind="adds", limit_column="limit"))
    assert table.units[0].clock.tolist() == [10, 30, 40]
    told = {row: why for row, _, why in table.problems}
    assert [row for row, why in told.items() if "stand too early by what it would have added" in why] == [4, 6]
    assert told[2] == "the limit is not a number: 'x'"


def test_readings_below_zero_may_be_written_with_their_unit():
    table = read_wear_table(b"unit,clock,wear\nA,1,-1.5%\nA,2,-2 %\nA,3,-3 um\n", WearColumns())
    assert table.units[0].low.tolist() == table.units[0].high.tolist() == [-1.5, -2]
    assert [why for _, _, why in table.problems] == ["the wear is in um where readings are in %: '-3 um'"]


@pytest.mark.parametrize("cell", ["", "-", "NA", "n/a", "NaN", " nan ", "null"])
def test_a_cell_that_says_nothing_is_not_measured(cell):
    text = f"unit,clock,wear,limit\nA,1,0.5,{cell}\nA,2,{cell},7\nB,1,0.5,{cell}\n".encode()
    table = read_wear_table(text, WearColumns(limit_column="limit"))
    assert table.problems == () and table.not_measured == (2,)
    assert table.units[0].limit == 7 and math.isnan(table.units[1].limit)


def test_readings_in_per_cent_are_read_and_no_others_beside_them():
    table = read_wear_table(b"unit,clock,wear\nA,1,98.5%\nA,2,97 %\nA,3,96\nA,4,95 um\n", WearColumns())
    assert table.units[0].low.tolist() == [98.5, 97, 96]
    assert table.remarks == ("readings are written in %; the limit is taken to be in % too",)
    assert [why for _, _, why in table.problems] == ["the wear is in um where readings are in %: '95 um'"]


def test_a_limit_written_with_its_unit_is_read_where_the_readings_are_in_it():
    text = b"unit,clock,wear [um],limit\nA,1,0.5,10 um\nA,2,0.6,10\nB,1,0.5,0.01 mm\nB,2,0.7,1e1\nC,1,0.4,10 parsec\n"
    table = read_wear_table(text, WearColumns(wear="wear", limit_column="limit"))
    assert [(unit.unit, unit.limit) for unit in table.units] == [("A", 10), ("B", 10)]
    reasons = {row: why for row, _, why in table.problems}
    assert reasons[3] == "the limit is in mm where readings are in um: '0.01 mm'"
    assert reasons[5].startswith("the limit is not a number: '10 parsec'") and len(reasons) == 2


def test_a_limit_with_a_unit_says_what_bare_readings_are_in():
    table = read_wear_table(b"unit,clock,wear,limit\nA,1,50,2%\nA,2,60,\n", WearColumns(limit_column="limit"))
    assert table.units[0].limit == 2
    assert table.remarks == ("the limit is written in %; readings are taken to be in % too",)


def test_rows_that_stand_there_twice_are_pointed_at():
    rows = [f"{unit},{k},{k / 10}" for unit in "AB" for k in range(1, 7)]
    twice = [*rows, *rows[:3], "B,3,0.35", "B,4,0.4", "B,5,0.5"]  # of B two: readings taken twice that agree
    table = read_wear_table("\n".join(["unit,clock,wear", *twice]).encode(), WearColumns())
    assert table.used == 18 and table.remarks == (
        "unit A: 3 of 9 rows read what another row of it reads at the same clock value, and each counts by itself: "
        "take out those that are copies",
    )
