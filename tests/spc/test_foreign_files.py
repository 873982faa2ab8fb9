"""Files made by others through the main job: a column map, then due, chart, capability and forecast in words.

Excerpts in tests/sources/open are as published (source and licence beside them). Sets under GPL or CC BY-SA are not
copied: files of the same columns with made-up numbers stand in their place.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import cli
from spc.log.columns import load_column_map

ROOT = Path(__file__).parents[2]
MAPS = ROOT / "demo_data" / "maps"
SOURCES = ROOT / "tests" / "sources"
OPEN = SOURCES / "open"
LIMITS = (("10", "6 um"), ("50", "14 um"), ("100", "30 um"))
FORECAST = ["--unit", "unit", "--clock", "cycles", "--wear", "microns", "--limit", "grams:10=6,50=14,100=30"]


class Cell:
    """A store in a folder, and `lapcell` run on it."""

    def __init__(self, folder):
        self.folder = folder

    def run(self, *words, code=0):
        result = CliRunner().invoke(cli, [*map(str, words), "--store", str(self.folder / "lapcell.db")])
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        assert result.exit_code == code, result.output
        return result.output

    def json(self, *words, code=0):
        def no_constant(name):
            raise AssertionError(f"{name} in JSON")

        return json.loads(self.run(*words, "--json", code=code), parse_constant=no_constant)

    def take(self, name, file=None):
        """Take one set in through its map; every row must become a face or a repeat reading of one."""
        document = self.json("ingest", "--map", MAPS / f"{name}.toml", file or OPEN / f"{name}.csv")
        (taken,) = document["files"]
        assert taken["rows"] == taken["faces"] + taken["repeats"] > 0
        return taken

    def limit(self, *words):
        self.run("parts", "set", *words, "--who", "A. Tester")


@pytest.fixture
def cell(tmp_path):
    return Cell(tmp_path)


@pytest.fixture
def sliding(tmp_path):
    """Made-up wear of six units under three loads, in the columns of the sliding wear set; two units end early."""
    rng = np.random.default_rng(11)
    lines = ["microns,unit,cycles,grams"]
    for unit, grams, limit in (
        (301, 10, 6),
        (302, 10, 6),
        (303, 50, 14),
        (304, 50, 14),
        (305, 100, 30),
        (306, 100, 30),
    ):
        rate = limit / 200**0.5 * np.exp(0.15 * rng.normal())
        for cycles in (2, 5, 10, 20, 50, 100, 200, 500)[: 5 if unit in (302, 304) else 8]:
            lines.append(f"{rate * cycles**0.5 * np.exp(0.03 * rng.normal()):.3f},{unit},{cycles},{grams}")
    file = tmp_path / "sliding.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_every_map_can_be_loaded_and_names_its_source_and_licence():
    maps = sorted(MAPS.glob("*.toml"))
    assert len(maps) == 11
    for file in maps:
        text = file.read_text(encoding="utf-8")
        assert load_column_map(file).name and "# Source: " in text
        assert any(licence in text for licence in ("GPL", "MIT", "CC BY", "NIST-PD"))


def test_sliding_wear_as_laps_with_a_wear_limit_by_load(cell, sliding):
    taken = cell.take("sliding_metal_wear", sliding)
    assert taken["faces"] == 42
    for part, limit in LIMITS:
        cell.limit(part, "flatness", limit)
    due = cell.json("due", code=1)
    state = {lap["lap"]: lap["state"] for lap in due["laps"]}
    assert state == {"301": "held", "302": "watch", "303": "held", "304": "watch", "305": "held", "306": "held"}
    held = next(lap for lap in due["laps"] if lap["lap"] == "303")
    assert "over their limit" in held["sentence"] and "against 14 um for 50" in held["sentence"]
    young = next(lap for lap in due["laps"] if lap["lap"] == "302")
    assert young["faces_left"]["status"] == "refused" and "no past cycle to borrow from" in young["sentence"]
    assert young["age_minutes"] == pytest.approx(50)  # the running count of cycles, taken as increases
    assert due["stale"].startswith("No face carries a time") and "carries no times" in due["false_calls"]
    assert "Left out: 301 (held)" in str(young["answers"])  # no face may go on it
    chart = cell.json("chart", "301")
    assert chart["status"] == "no limits" and "no cycle of this lap has ended" in chart["baseline"]
    assert "cannot be said" in cell.run("chart", "302", "--sign", "wear")


def test_sliding_wear_forecast_in_its_own_clock(cell, sliding):
    units = {u["unit"]: u for u in cell.json("forecast", sliding, *FORECAST)["units"]}
    assert "at or over the limit" in units["301"]["sentence"]
    left = units["302"]["remaining"]
    assert 0 < left["low"] < left["median"] < left["high"] and "cycles left" in units["302"]["sentence"]
    assert units["302"]["own_readings"] == 5 and units["302"]["past_units"] == 5


def test_milling_wear_keeps_the_runs_that_were_not_measured(cell):
    taken = cell.take("nasa_milling", SOURCES / "nasa_milling.csv")
    assert taken["faces"] == 73
    cell.limit("*", "flatness", "0.45 mm")
    laps = {lap["lap"]: lap for lap in cell.json("due", code=1)["laps"]}
    assert laps["2"]["state"] == "held" and "against 450 um" in laps["2"]["sentence"]
    assert laps["6"]["state"] == "watch" and laps["6"]["faces_left"]["low"] is None  # a single reading
    assert "faces carry no flatness" in cell.run("chart", "1")


def test_turning_roughness_as_finish(cell):
    taken = cell.take("turning_roughness")
    assert taken["faces"] == 288
    cell.limit("*", "finish", "6 um")
    chart = cell.json("chart", "New", "--sign", "finish")
    assert len(chart["readings"]) == 144 and chart["status"] == "no limits"
    assert chart["readings"][0]["high"] - chart["readings"][0]["low"] == pytest.approx(0.01)
    study = cell.json("capability", "1", "--characteristic", "finish", code=1)
    assert study["n"] == 144 and study["word"] != "capability" and study["refusals"]


def test_plunge_grinding_as_a_dimension(cell):
    taken = cell.take("plunge_grinding")
    assert taken["faces"] == 80
    part = "0.15/50.0/33.0/0.02"
    cell.limit("*", "thickness", "20 um", "--lower", "-5 um")
    study = cell.json("capability", part, "--characteristic", "thickness", code=1)
    index = study["index"]
    assert (study["status"], study["word"], study["lower_um"], study["upper_um"]) == ("computed", "performance", -5, 20)
    # second route: mean and sd of the whole micrometres as published, straight from the excerpt
    rows = [line.split(",") for line in (OPEN / "plunge_grinding.csv").read_text().splitlines()[1:]]
    t1 = np.array([float(row[7]) for row in rows if "/".join(row[1:5]) == part])
    assert index["n"] == t1.size == 40
    assert index["index"] == pytest.approx(min(20 - t1.mean(), t1.mean() + 5) / (3 * t1.std(ddof=1)))
    assert index["lower_bound"] < index["index"] and index["fit_p_value"] > 0.05
    chart = cell.json("chart", "1-A", "--sign", "thickness", "--part", part)
    assert chart["status"] == "too few" and "12 independent readings are needed" in chart["sentence"]
    refused = CliRunner().invoke(
        cli, ["chart", "1-A", "--sign", "thickness", "--store", str(cell.folder / "lapcell.db")]
    )
    assert refused.exit_code == 3 and "`part` must be named" in refused.stderr


def test_line_width_takes_after_the_one_before_and_gets_no_index(cell):
    cell.take("nist_lithography")
    cell.limit("line width", "thickness", "4 um", "--lower", "1 um")
    chart = cell.json("chart", "lithography", "--sign", "thickness")
    assert chart["status"] == "ok" and chart["phi"] > 0.2 and "correlated" in chart["method"]
    study = cell.json("capability", "line width", "--characteristic", "thickness", code=1)
    assert study["status"] == "refused" and "takes after the one before" in study["sentence"]


def test_spray_dryer_gets_no_limits(cell):
    cell.take("nist_aerosol")
    chart = cell.json("chart", "dryer", "--sign", "thickness")
    assert (
        chart["status"] == "too few"
        and chart["upper_um"] is None
        and "follow each other so closely" in chart["sentence"]
    )


def test_gauge_study_readings_of_one_wafer_are_repeats(cell):
    taken = cell.take("nist_resistivity_gauge")
    assert (taken["faces"], taken["repeats"]) == (5, 25)  # one wafer on five probes, six readings each


@pytest.mark.parametrize(
    ("name", "text", "lap"),
    [
        ("fatigue_crack_alloy_a", "inches,specimen,megacycles\n0.9,1,0.0\n0.95,1,0.011\n1.0,1,0.019\n", "1"),
        ("gaas_laser", "increase,unit,hours\n0.0,101,0\n0.51,101,250\n0.88,101,500\n", "101"),
    ],
)
def test_other_wear_columns(cell, tmp_path, name, text, lap):
    """Made-up numbers in the columns of sets that are not copied."""
    file = tmp_path / "made_up.csv"
    file.write_text(text)
    assert cell.take(name, file)["faces"] == 3
    (report,) = cell.json("due")["laps"]
    assert report["lap"] == lap and report["state"] == "watch" and report["faces_left"]["low"] is None


def test_scaled_thickness_below_zero(cell, tmp_path):
    """Made-up numbers in the columns of the wafer set, centred and scaled; limits lie on both sides of zero."""
    z = np.round(np.random.default_rng(6).normal(0.0, 0.4, (80, 9)), 3)
    file = tmp_path / "wafer.csv"
    file.write_text(",".join(f"G{i}" for i in range(1, 10)) + "\n" + "".join(",".join(map(str, r)) + "\n" for r in z))
    assert cell.take("silicon_wafer_thickness", file)["faces"] == 80
    cell.limit("wafer", "thickness", "1.5 um", "--lower", "-1.5 um")
    study = cell.json("capability", "wafer", "--characteristic", "thickness", code=1)
    g1 = z[:, 0]
    assert study["index"]["index"] == pytest.approx((1.5 - abs(g1.mean())) / (3 * g1.std(ddof=1)))
    assert cell.json("chart", "wafer line", "--sign", "thickness")["status"] == "ok"


def test_boards_with_one_time_for_many(cell, tmp_path):
    """Made-up numbers in the columns of the board set: local times without a zone, repeated; mils."""
    mils = np.random.default_rng(3).integers(1680, 1780, (40, 6))
    lines = [f"2010-02-18 03:{i // 8:02d}:00," + ",".join(map(str, row)) for i, row in enumerate(mils)]
    file = tmp_path / "boards.csv"
    file.write_text("Date.Time,Pos1,Pos2,Pos3,Pos4,Pos5,Pos6\n" + "\n".join(lines) + "\n")
    taken = cell.take("board_thickness", file)
    assert taken["faces"] == 40 and any("typed in one go" in remark for remark in taken["remarks"])
    readings = cell.json("chart", "saw", "--sign", "thickness", code=0)["readings"]
    assert readings[0]["low_um"] == pytest.approx((mils[0, 0] - 0.5) * 25.4)
