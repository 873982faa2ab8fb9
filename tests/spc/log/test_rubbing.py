"""Load, contact area and speed from the cells of a log: rows in are rows out, whatever stands in them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.log.columns import load_column_map
from spc.log.rows import OUTCOMES, read_log
from spc.measure.rubbing import QUANTITIES, read_quantity
from spc.settings import Settings

COLUMNS = {"load": ("load N", "N"), "area": ("area cm2", "cm2"), "speed": ("speed m/min", "m/min")}
CELLS = st.sampled_from(
    ["50", "0", "-3", "", "n/a", "?", "50 N", "5 kgf", "5 kg", "8 cm²", "1½", "1,5", "0.5 m/s", "60 rpm", "nan", "inf",
     "1e9", "1e400", "50 psi", "=A1", "soon", "40-60", "12 lbf", "3 in2", "7 mm"]
)  # fmt: skip
ROWS = st.lists(st.tuples(CELLS, CELLS, CELLS), min_size=1, max_size=20)


def read(text, column_map=""):
    plan = load_column_map(column_map) if column_map else None
    return read_log(text.encode(), name="log.csv", settings=Settings(), column_map=plan)


def one(header, *cells, column_map=""):
    lines = [f"lap,minutes,flatness um,{header}", *(f"A,3,0.5,{cell}" for cell in cells)]
    return read("\n".join(lines) + "\n", column_map)


def slow(cells):
    """Figures of one row, None where it must wait in quarantine; worked out on its own."""
    out = {}
    for cell, (name, (_, unit)) in zip(cells, COLUMNS.items(), strict=True):
        if cell in ("", "n/a", "nan"):
            out[QUANTITIES[name].column] = math.nan
            continue
        try:
            out[QUANTITIES[name].column] = read_quantity(cell, name, unit=unit)
        except ValueError:
            return None
    return out


@given(ROWS)
def test_every_row_is_a_face_with_its_figures_or_waits_with_its_reasons(rows):
    lines = [",".join(["lap", "minutes", "flatness um", *(header for header, _ in COLUMNS.values())])]
    lines += [",".join(["A", "3.5", "0.5", *(f'"{cell}"' for cell in cells)]) for cells in rows]
    log = read("\n".join(lines) + "\n", "[file]\ndecimal = '.'\n")
    assert sum(log.counts.values()) == len(rows) == len(log.rows)
    assert set(log.rows["outcome"]) <= set(OUTCOMES)
    for cells, (_, row) in zip(rows, log.rows.iterrows(), strict=True):
        wanted = slow(cells)
        assert row["outcome"] == ("quarantine" if wanted is None else "face")
        assert bool(row["reasons"]) == (wanted is None)
        for name, value in (wanted or {}).items():
            assert row[name] == value or (math.isnan(value) and math.isnan(row[name]))
        texts = tuple(row[f"{name}_text"] for name in COLUMNS)
        assert texts == tuple("" if cell in ("n/a", "nan") else cell for cell in cells)


@pytest.mark.parametrize(
    ("header", "cell", "words"),
    [
        ("load", "3", "load: no unit in the header or the cells says that it is a load"),
        ("area", "B2", "no unit in the header or the cells says that it is a contact area"),
        ("speed", "fast", "no unit in the header or the cells says that it is a rubbing speed"),
        ("load kg", "5", "load kg: kg is a mass; a column map with unit = 'kgf' says that its weight is the load"),
        ("speed rpm", "60", "speed rpm: a speed in rpm needs radius_mm in a column map"),
    ],
)
def test_a_column_that_is_none_for_sure_stays_in_the_raw_text_and_holds_no_row_back(header, cell, words):
    log = one(header, cell, cell)
    assert log.counts["face"] == 2
    assert (
        log.columns[-1].field == "" and words in log.columns[-1].how and "kept in the raw text" in log.columns[-1].how
    )
    assert f"kept in the raw text only: {header}" in log.remarks
    assert log.rows[["load_n", "area_mm2", "speed_m_per_s"]].isna().all(axis=None)


def test_a_unit_in_some_cell_tells_what_the_column_is():
    log = one("load", "50 N", "5 kgf", "50")
    assert log.rows["load_n"].tolist()[:2] == [50.0, 49.03325]
    assert log.rows["outcome"].tolist() == ["face", "face", "quarantine"]
    assert "load has no unit: '50'" in log.rows["reasons"].iloc[2]


def test_a_column_map_says_what_a_mass_and_turns_stand_for():
    kilograms = one("weights", "5", "5 kg", column_map="[columns.load]\nheader = 'weights'\nunit = 'kgf'\n")
    assert kilograms.rows["load_n"].tolist() == [49.03325, 49.03325]
    turns = one("dial", "60", column_map="[columns.speed]\nheader = 'dial'\nunit = 'rpm'\nradius_mm = 100\n")
    assert turns.rows["speed_m_per_s"].tolist() == [pytest.approx(0.2 * math.pi)]
    assert "at a radius of 100 mm" in turns.columns[-1].how
    always = one("note", "x", column_map="[constants]\narea = '8 cm2'\n")
    assert always.rows["area_mm2"].tolist() == [800.0]
    unsaid = one("load kg", "5", column_map="[columns]\nload = 'load kg'\n")
    assert "is in kg, a mass and no load" in unsaid.rows["reasons"].iloc[0]
