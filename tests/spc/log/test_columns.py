import pytest

from spc.log.columns import ColumnMap, ColumnMapError, load_column_map, match_columns
from spc.log.lexicon import header_meaning, looks_like_header


@pytest.mark.parametrize(
    ("header", "field", "unit"),
    [
        ("flatness (um)", "flatness", "um"), ("Ebenheit [µm]", "flatness", "um"),
        ("planéité (bandes)", "flatness", "band"),
        ("flatness_bands", "flatness", "band"), ("Bands", "flatness", "band"), ("Ra µin", "finish", "uin"),
        ("Planéité (bandes, hélium)", "flatness", "band"), ("Flatness [bands; He-Ne]", "flatness", "band"),
        ("Surface Finish, Ra (uin)", "finish", "uin"), ("Surface finish, Rz (uin)", "", ""),
        ("Ebenheit in Streifen (He)", "flatness", "band"), ("flatness in µm", "flatness", "um"),
        ("flatness (in)", "flatness", "in"), ("Finish µ-inch", "finish", "uin"), ("Technician", "operator", ""),
        ("ts", "time", ""), ("Run time (min)", "minutes", "min"), ("finish_ra_um", "finish", "um"),
        ("Rauheit Ra [µm]", "finish", "um"), ("time UTC", "time", "UTC"),
        ("Zeit (UTC+1)", "time", "+1"), ("time (min)", "minutes", "min"), ("Läppzeit [min]", "minutes", "min"),
        ("durée (min)", "minutes", "min"), ("Operator", "operator", ""), ("Bediener", "operator", ""),
        ("opérateur", "operator", ""), ("Läppscheibe", "lap", ""), ("plateau", "lap", ""), ("grit (µm)", "grit", "um"),
        ("Körnung", "grit", ""), ("Part No.", "part", ""), ("Teile-Nr.", "part", ""),
        ("n° de série", "serial", ""), ("Temp (°F)", "temperature", "F"),
        ("numéro de série", "serial", ""), ("thickness_before_mm", "thickness_before", "mm"),
        ("Temp °C", "temperature", "C"),
        ("load N", "load", "N"), ("Load (kgf)", "load", "kgf"), ("Anpresskraft [daN]", "load", "daN"),
        ("load", "load", ""),
        ("load kg", "load", "kg"), ("load psi", "", ""), ("load no", "", ""), ("area mm2", "area", "mm2"),
        ("Contact area (cm²)", "area", "cm2"), ("area sq. in", "area", "in2"), ("Kontaktfläche in mm²", "area", "mm2"),
        ("area mm", "", ""), ("speed_m_per_s", "speed", "m/s"), ("Rubbing speed (ft/min)", "speed", "ft/min"),
        ("vitesse [m/min]", "speed", "m/min"), ("lap speed rpm", "speed", "rpm"), ("charge", "lot", ""),
        ("FlatnessUm", "flatness", "um"), ("from_mm", "from_mm", "mm"), ("VB", "", ""), ("flatness_low", "", ""),
        ("", "", ""),
    ],
)  # fmt: skip
def test_header_words(header, field, unit):
    meaning = header_meaning(header)
    assert (meaning.field, meaning.unit) == (field, unit)


def test_lamp_in_the_header():
    assert header_meaning("flatness (helium bands)").lamp == "helium"


def test_header_line_or_data_line():
    assert looks_like_header(["time", "lap", "what", "flatness (um)"])
    assert not looks_like_header(["2026-03-04", "lap", "flatness", "0.5"])


def test_first_of_two_columns_wins_and_the_other_is_listed():
    uses = match_columns(["lap", "flatness um", "flatness bands", "colour"], column_map=ColumnMap(), has_header=True)
    assert [u.field for u in uses] == ["lap", "flatness", "", ""]
    assert "already comes from flatness um" in uses[2].how
    assert "not a known header" in uses[3].how


MAP = """
name = "bench log"
absent = ["operator"]
[file]
separator = "tab"
decimal = ","
date_order = "dmy"
time_zone = "Europe/Vienna"
[columns]
lap = "unit"
[columns.flatness]
header = "microns"
unit = "µm"
step = 0.5
negative = "concave"
[columns.serial]
header = ["a", "b"]
join = "/"
[columns.outcome]
header = "Befund"
values = { "i.O." = "ok" }
[constants]
material = "cast iron"
grit = 15
"""


def test_column_map():
    plan = load_column_map(MAP)
    assert (plan.separator, plan.decimal, plan.date_order, plan.absent) == ("\t", ",", "dmy", ("operator",))
    uses = match_columns(["unit", "microns", "a", "b", "Befund", "operator"], column_map=plan, has_header=True)
    by_field = {u.field: u for u in uses if u.field}
    assert by_field["lap"].positions == (1,)
    assert by_field["flatness"].source.unit == "um"
    assert by_field["serial"].positions == (3, 4)
    assert by_field["grit"].positions == ()
    assert "operator" not in by_field
    assert plan.constants == {"material": "cast iron", "grit": "15"}


def test_header_unit_counts_where_the_map_says_none():
    uses = match_columns(
        ["flatness (nm)"], column_map=load_column_map('[columns]\nflatness = "flatness (nm)"\n'), has_header=True
    )
    assert uses[0].source.unit == "nm"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nonsense = 1\n", "`nonsense` is not known here"),
        ("[columns.colour]\nheader = 'x'\n", "`columns.colour` is no field"),
        ("[columns.lap]\nunit = 'um'\n", "given one of header and position"),
        ("[columns.flatness]\nheader = 'x'\nunit = 'parsec'\n", "`unit` must be one of"),
        ("[columns.flatness]\nheader = 'x'\nstep = 0\n", "`columns.flatness.step` must be a number greater than 0"),
        ("[columns.flatness]\nheader = 'x'\nnegative = 'up'\n", "must be one of concave"),
        ("[columns.lap]\nheader = 'x'\ncumulative = true\n", "for minutes only"),
        ("[columns.load]\nheader = 'x'\nunit = 'kg'\n", "`unit` kg is a mass; write kgf if its weight is the load"),
        ("[columns.area]\nheader = 'x'\nunit = 'N'\n", "`unit` must be one of mm2, cm2, m2, in2, got 'N'"),
        ("[columns.speed]\nheader = 'x'\nradius_mm = 0\n", "`columns.speed.radius_mm` must be a number greater than 0"),
        ("[columns.load]\nheader = 'x'\nradius_mm = 9\n", "it goes with a speed in rpm"),
        ("[file]\ndecimal = '!'\n", r"`file.decimal` must be one of \., ,"),
        ("[file]\ntime_zone = 'Mars/Base'\n", "time-zone database"),
        ("absent = ['colour']\n", "a list of field names"),
        ("[file\n", "not valid TOML"),
    ],
)
def test_map_refusals(text, words):
    with pytest.raises(ColumnMapError, match=words):
        load_column_map(text)


def test_missing_map_file(tmp_path):
    with pytest.raises(ColumnMapError, match="cannot be read"):
        load_column_map(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[columns]\nlap = 'other'\n", "no header 'other'"),
        ("[columns.lap]\nposition = 9\n", "there is no column 9, the file has 2"),
        ("[columns]\nlap = 'x'\n", "stands over 2 columns"),
    ],
)
def test_map_that_does_not_fit_the_file(text, words):
    with pytest.raises(ColumnMapError, match=words):
        match_columns(["x", "x"], column_map=load_column_map(text), has_header=True)


def test_positions_where_there_is_no_header():
    with pytest.raises(ColumnMapError, match="give position = N"):
        match_columns(["", ""], column_map=load_column_map("[columns]\nlap = 'x'\n"), has_header=False)
