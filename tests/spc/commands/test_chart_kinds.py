"""`lapcell chart --kind`: published charts from a foreign file through the command, and hard series in words."""

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import norm

from spc.board.cell_view import look_at_cell
from spc.board.chart_kinds import KINDS, chart_of_kind
from spc.board.chart_made import ChartOptions
from spc.cli import cli
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import events_of, faces_of, fill
from tests.spc.commands.planted_cell import PlantedCell, told

SOURCES = Path(__file__).parents[2] / "sources"
MAP = """
absent = ["operator", "grit", "minutes", "finish", "flatness", "lap"]
[columns.thickness]
header = "x"
unit = "um"
{more}
[constants]
lap = "L"
"""


class Cell:
    """One foreign file of readings `x` of a lap `L`, and the command run on it."""

    def __init__(self, folder, values, *, more="", columns=()):
        folder.mkdir(exist_ok=True)
        self.store = folder / "cell.db"
        names = ["x", *(name for name, _ in columns)]
        rows = zip(values, *(column for _, column in columns), strict=True)
        (folder / "x.csv").write_text("\n".join([",".join(names), *(",".join(map(str, row)) for row in rows)]) + "\n")
        (folder / "map.toml").write_text(MAP.format(more=more))
        self.run("ingest", "--map", folder / "map.toml", folder / "x.csv")

    def run(self, *words, code=None):
        done = CliRunner().invoke(cli, [*map(str, words), "--store", str(self.store)])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        assert code is None or done.exit_code == code, done.output
        return done

    def chart(self, kind, *words):
        def no_constant(name):
            raise AssertionError(f"{name} in JSON")

        done = self.run("chart", "L", "--sign", "thickness", "--kind", kind, "--json", *words)
        assert done.exit_code in (0, 1), done.output
        return json.loads(done.stdout, parse_constant=no_constant)


def column(name, which):
    with (SOURCES / f"{name}.csv").open() as file:
        return [row[which] for row in csv.DictReader(file) if row[which] != ""]


def test_individuals_of_the_handbook(tmp_path):
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rate; limits as printed, from memory (d2 rounded to 1.128 there)
    said = json.loads((SOURCES / "nist_individuals_flowrate.json").read_text())
    found = Cell(tmp_path, column("nist_individuals_flowrate", "flowrate")).chart("individuals")
    single, ranges = found["charts"]
    assert (single["centre"], ranges["centre"]) == pytest.approx((said["mean"], said["MRbar"]), abs=5e-5)
    assert (single["upper"], single["lower"]) == pytest.approx((said["UCL"], said["LCL"]), abs=2e-3)
    assert "one false alarm in about 370 points" in found["alarms"]
    assert "Sees a lasting shift of 0.832 um after about 155" in found["sees"]
    assert "limits from 10 readings: the true false-alarm rate lies between 1 in" in found["alarms"]
    wide = Cell(tmp_path / "w", column("nist_individuals_flowrate", "flowrate")).chart("individuals", "--guarantee")
    assert wide["charts"][0]["upper"] > single["upper"] + 1
    assert "limits widened from 3 to" in " ".join(wide["remarks"])
    few = Cell(tmp_path / "f", column("nist_individuals_flowrate", "flowrate")[:4]).chart("individuals", "--guarantee")
    assert any("limits not widened: what 4 readings may be off by is not known, at least" in r for r in few["remarks"])


def test_drifting_average_of_the_handbook(tmp_path):
    # NIST/SEMATECH e-Handbook 6.3.2.4: target 50, s 2.0539, weight 0.3; averages as printed, from memory
    values, printed = column("nist_ewma_example", "x"), column("nist_ewma_example", "ewma_published")[1:]
    words = ("--centre", 50, "--sigma", 2.0539, "--weight", 0.3, "--width", 3, "--settled")
    (chart,) = Cell(tmp_path, values).chart("drifting average", *words)["charts"]
    assert [point["value"] for point in chart["points"]] == pytest.approx([float(p) for p in printed], abs=0.0051)
    assert (chart["upper"], chart["lower"]) == pytest.approx((52.5884, 47.4115), abs=2e-4)
    assert not any(point["signal"] for point in chart["points"])


def test_subgroups_of_a_published_data_file(tmp_path):
    # CCXBAR.DAT, Dataplot (NIST, public domain); limits recomputed with exact constants
    said = json.loads((SOURCES / "nist_ccxbar.json").read_text())["recomputed"]
    days = [f"d{float(day):.0f}" for day in column("nist_ccxbar", "day")]
    more = '[columns.part]\nheader = "day"'
    cell = Cell(tmp_path, column("nist_ccxbar", "thickness"), more=more, columns=[("day", days)])
    mean, within = cell.chart("subgroup mean", "--by", "part", "--spread", "range")["charts"]
    assert mean["centre"] == pytest.approx(said["grand_mean"])
    assert (mean["upper"], mean["lower"]) == pytest.approx((said["UCL_X_from_R"], said["LCL_X_from_R"]), abs=1e-3)
    assert within["upper"] == pytest.approx(said["UCL_R"], abs=1e-3)
    mean, within = cell.chart("subgroup mean", "--by", "part", "--spread", "standard deviation")["charts"]
    assert (mean["upper"], within["upper"]) == pytest.approx((said["UCL_X_from_s"], said["UCL_s"]), abs=1e-4)


def test_cumulative_sum_has_its_published_run_length(tmp_path):
    # Reference 0.5, decision 4, both sides: 168 points (tables after Lucas and Crosier 1982, from memory)
    rng = np.random.default_rng(5)
    values = [f"{v:.2f}" for v in np.concatenate([rng.normal(10, 1, 40), rng.normal(12, 1, 10)])]
    found = Cell(tmp_path, values).chart("cumulative sum", "--decision", 4, "--centre", 10, "--sigma", 1)
    assert [one["name"] for one in found["charts"]] == ["cumulative sum, high", "cumulative sum, low"]
    assert found["charts"][0]["run_length"]["average"] == pytest.approx(167.7, abs=0.1)
    assert any(point["signal"] for point in found["charts"][0]["points"][40:])
    assert any("has stood above 0 since face 4" in remark for remark in found["remarks"])


def test_a_signal_of_any_panel_is_counted_and_wants_a_person(tmp_path):
    """A fall speaks on the low sum alone: the headline of the high one must not deny it."""
    rng = np.random.default_rng(3)
    values = [f"{v:.2f}" for v in np.concatenate([rng.normal(10, 1, 40), rng.normal(7.5, 1, 10)])]
    cell = Cell(tmp_path, values)
    words = ("--sign", "thickness", "--kind", "cumulative sum", "--centre", 10, "--sigma", 1)
    done = cell.run("chart", "L", *words, code=1)
    high, low = cell.chart(*words[3:])["charts"]
    count = sum(bool(point["signal"]) for point in low["points"])
    assert count > 1 and not any(point["signal"] for point in high["points"])
    assert f"\n{count} of 50 points signal.\n" in done.output and "the low sum has stood below 0 since" in done.output


def test_a_part_too_short_to_signal_is_told(tmp_path):
    """Nine readings alike and one far out: of ten the farthest possible, and still within 3 sd of their own mean."""
    values, parts = [10.0] * 9 + [500.0] + [10 + 0.1 * (i % 3) for i in range(29)] + [500.0], ["a"] * 10 + ["b"] * 30
    more = '[columns.part]\nheader = "part"'
    cell = Cell(tmp_path, values, more=more, columns=[("part", parts)])
    found = cell.chart("standardised by part")
    assert [bool(point["signal"]) for point in found["charts"][0]["points"]] == [False] * 39 + [True]
    assert found["charts"][0]["points"][9]["value"] == pytest.approx(9 / 10**0.5)
    (said,) = [remark for remark in found["remarks"] if "so few readings" in remark]
    assert said == "1 part has so few readings that none of its own can lie 3 sd from their mean: nothing signals there"
    assert not any("so few readings" in r for r in cell.chart("standardised by part", "--width", 2.5)["remarks"])


def test_one_point_that_signals_is_said_as_one(tmp_path):
    values = [10 + 0.1 * (i % 3) for i in range(50)]
    values[20] = 11
    said = Cell(tmp_path, values).chart("drifting average", "--weight", 1, "--width", 3)
    assert said["sentence"] == "1 of 50 points signals."


@pytest.mark.parametrize("option", ["--width", "--decision"])
def test_a_setting_of_0_is_refused_not_replaced(tmp_path, option):
    kind = "cumulative sum" if option == "--decision" else "individuals"
    done = Cell(tmp_path, range(9)).run("chart", "L", "--sign", "thickness", "--kind", kind, option, 0, code=3)
    assert f"`{option[2:]}_sd` must be a finite number greater than 0, got 0" in done.stderr


@pytest.mark.parametrize("kind", ["cumulative sum", "likelihood-ratio sum"])
def test_a_sum_names_the_face_by_its_cycle_and_time(tmp_path, kind):
    rng = np.random.default_rng(5)
    values = [f"{v:.2f}" for v in np.concatenate([rng.normal(10, 1, 40), rng.normal(18, 1, 10)])]
    times = [f"2026-03-{1 + i // 5:02d} {8 + i % 5:02d}:00" for i in range(50)]
    cell = Cell(tmp_path, values, columns=(("time", times),))
    cell.run("events", "add", "L", "reconditioned", "--time", "2026-03-05 12:30", "--who", "Q", code=0)
    since = [remark for remark in cell.chart(kind)["remarks"] if "has stood above 0" in remark]
    assert since and all(re.search(r"since face \d+ of its cycle \(2026-03-\d\d \d\d:00\)", one) for one in since)
    face, day, hour = map(int, re.search(r"face (\d+) of its cycle \(2026-03-(\d+) (\d+):", since[0]).groups())
    assert face == 5 * (day - 1) + (hour - 8) + 1 - 25  # counted from the reconditioning, not through the log


def test_readings_that_are_not_independent_or_not_normal_are_told(tmp_path):
    rng = np.random.default_rng(12)
    walk = [0.0]
    for step in rng.normal(size=99):
        walk.append(0.9 * walk[-1] + step)
    for folder, values, words in (
        ("a", np.array(walk) + 50, "see the kinds correlated and residuals"),
        ("b", np.exp(rng.normal(size=100)), "see the kind probability limit"),
        ("c", rng.normal(50, 1, 100), ""),
    ):
        (tmp_path / folder).mkdir()
        cell = Cell(tmp_path / folder, [f"{v:.3f}" for v in values])
        for kind in ("individuals", "drifting average", "cumulative sum"):
            said = " ".join(cell.chart(kind)["remarks"])
            assert words in said and (bool(words) or "see the kind" not in said)


@pytest.mark.parametrize(
    ("kind", "words", "of_ranges"),
    [
        ("individuals", (), True),
        ("individuals", ("--sides", "upper"), True),
        ("individuals", ("--spread", "standard deviation"), False),  # rests on the lasting spread
        ("individuals", ("--sigma", "2"), False),
        ("drifting average", (), False),  # its rate is another than that of single readings
        ("cumulative sum", (), False),
    ],
)
def test_the_rate_of_moving_ranges_is_told_of_limits_that_rest_on_them(tmp_path, kind, words, of_ranges):
    rng, walk = np.random.default_rng(12), [50.0]
    for step in rng.normal(size=99):
        walk.append(50 + 0.9 * (walk[-1] - 50) + step)
    found = Cell(tmp_path, [f"{v:.3f}" for v in walk]).chart(kind, *words)
    (said,) = [remark for remark in found["remarks"] if "neighbours follow each other" in remark]
    assert ("limits from moving ranges call" in said) == of_ranges
    assert of_ranges or "so the alarm rate is not the one said for independent ones" in said
    if of_ranges:  # second way: the normal tail at the share of the lasting spread that moving ranges see
        phi, between = (float(re.search(words, said)[1]) for words in (r"phi ([\d.]+)", r"in about ([\d.]+),"))
        tails = 2 if words == () else 1
        assert 1 / between == pytest.approx(tails * norm.sf(3 * (1 - phi) ** 0.5), rel=0.06)  # phi to two digits


def test_a_dimension_on_two_sides_says_what_every_chart_says(tmp_path):
    rng = np.random.default_rng(9)
    cell = Cell(tmp_path, [f"{v:.2f}" for v in rng.normal(25, 0.5, 40)])
    found = json.loads(cell.run("chart", "L", "--sign", "thickness", "--json").stdout)
    assert found["lower_um"] < 24 < 26 < found["upper_um"]
    assert found["method"] and found["baseline"] and "one false alarm in about 370" in found["alarms"]
    text = cell.run("chart", "L", "--characteristic", "thickness").output  # as the other commands call it
    see_saw = Cell(tmp_path / "b", ["0", "1"] * 40) if (tmp_path / "b").mkdir() is None else None
    assert "a trend or a see-saw" in see_saw.run("chart", "L", "--sign", "thickness").output
    assert "Baseline: all 40 readings" in text and "Sees a lasting shift of" in text


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    path = tmp_path_factory.mktemp("kinds") / "cell.db"
    with Store.open(path) as store:
        faces = faces_of("K1", 160, np.random.default_rng(96), jump_at=120, jump=1.6)
        fill(store, faces, events_of("K1", 160))
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_its_method_baseline_alarms_and_what_it_sees(cell, kind):
    by = ("--by", "day") if kind == "subgroup mean" else ()
    done = CliRunner().invoke(cli, ["chart", "K1", "--kind", kind, "--store", str(cell), "--last", "3", *by])
    assert done.exit_code in (0, 1), done.output
    for words in ("Method: ", "Baseline: ", "Alarms: "):
        assert words in done.output
    refused = "No limits: " in done.output
    assert refused or "sees " in done.output.lower()
    assert refused == (kind in ("joint distance", "joint drifting average", "scratches", "share of re-laps",
                                "faces between re-laps"))  # fmt: skip  # the invented log has no finish, no re-laps
    assert "nan" not in done.output.lower()
    if kind == "individuals":  # said in the unit the readings were typed in
        assert re.search(r"Sees a lasting shift of [\d.]+ bands after", done.output)


def test_flatness_with_finish_and_re_laps(tmp_path):
    rng = np.random.default_rng(8)
    lines = ["lap,part,serial,attempt,time,flatness (um),Ra (um),scratch"]
    for i in range(300):
        a, b = rng.normal(size=2)
        flat, rough = np.exp(0.3 * a - 1), np.exp(0.2 * (0.6 * a + 0.8 * b) - 3)
        when = f"2026-01-{5 + i // 20:02d} {8 + i % 20 // 2:02d}:{30 * (i % 2):02d}"
        lines.append(f"K1,P1,S{i},1,{when},{flat:.3f},{rough:.4f},{'yes' if i % 50 == 7 else ''}")
        if i % 9 == 4:
            lines.append(f"K1,P1,S{i},2,{when},{flat / 2:.3f},{rough:.4f},")
    (tmp_path / "x.csv").write_text("\n".join(lines) + "\n")

    def run(*words):
        done = CliRunner().invoke(cli, [*map(str, words), "--store", str(tmp_path / "s.db")])
        assert done.exit_code in (0, 1), done.output
        return json.loads(done.stdout)

    run("ingest", tmp_path / "x.csv", "--json")
    for kind, words in (
        ("joint distance", "sd of flatness or finish alone after"),
        ("joint drifting average", "sd of flatness or finish alone after"),
        ("share of re-laps", "times as many after about"),
        ("scratches", "times as many after about"),
        ("faces between re-laps", "times as many after about"),
    ):
        found = run("chart", "K1", "--kind", kind, "--json")
        assert found["status"] == "ok", found
        assert words in found["sees"]
    share = run("chart", "K1", "--kind", "share of re-laps", "--json")
    assert "11.000% of faces lapped again" in share["baseline"]  # 33 of 300
    assert len(share["charts"][0]["points"]) == 15  # days


HARD = {
    "constant": ["1"] * 40,
    "one": ["1"],
    "two": ["1", "2"],
    "all below": ["<0.5"] * 40,
    "all open": ["2+"] * 40,
    "tiny": [f"{v:.3g}" for v in 1e-12 * np.exp(np.random.default_rng(1).normal(size=30))],
    "huge": [f"{v:.6g}" for v in 1e9 * np.exp(np.random.default_rng(2).normal(size=30))],
    "below zero": [f"{v:.2f}" for v in np.random.default_rng(3).normal(size=30)],
    "two values": ["1", "1.5"] * 40,
}


@pytest.mark.parametrize("name", HARD)
def test_hard_series_get_an_answer_or_a_refusal_in_words(tmp_path, name):
    n, more = len(HARD[name]), 'negative = "deviation"\n[columns.part]\nheader = "part"'
    cell = Cell(tmp_path, HARD[name], more=more, columns=[("part", ["a" if i % 2 else "b" for i in range(n)])])
    with Store.open(cell.store) as store:
        view = look_at_cell(store, Settings())
    for kind in KINDS:
        found = chart_of_kind(view, "L", "thickness", kind, part="", options=ChartOptions(by="4", guarantee=n < 3))
        assert found.method and found.baseline and found.alarms
        assert bool(found.sees) or found.status != "ok"
        said = " ".join((found.sentence, found.alarms, found.sees, *found.signals, *found.remarks)).lower()
        assert "nan" not in said and " inf" not in said
        assert (found.status == "ok") == ("no limits" not in found.sentence.lower())


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--kind", "pie"), "`kind` must be one of individuals"),
        (("--kind", "subgroup mean"), "`by` must not be 'time' where no face carries a time"),
        (("--kind", "subgroup mean", "--by", "moon"), "`by` must be a whole number"),
        (("--kind", "individuals", "--part", "X"), "`part` must be a part number lapped on L"),
        (("--kind", "individuals", "--sigma", "-1"), "`sigma` must be"),
        (("--kind", "drifting average", "--weight", "2"), "`weight` must be"),
        (("--kind", "likelihood-ratio sum", "--times", "1"), "`times` must be"),
        (("--kind", "probability limit", "--between", "1"), "`between` must be"),
        (
            ("--kind", "joint distance", "--between", "0.5"),
            "`between` must be a number of points greater than 2, got",
        ),
        (("--kind", "joint drifting average", "--between", "nan"), "`between` must be"),
        (("--kind", "residuals", "--between", "inf"), "`between` must be"),
        (("--weight", "0.1"), "`--weight` goes with --kind only"),
        (
            ("--kind", "subgroup mean", "--by", "2", "--spread", "fish"),
            "`spread` must be one of 'range', 'standard dev",
        ),
        (("--kind", "individuals", "--spread", "range"), "`spread` must be one of 'mean moving range'"),
        (("--kind", "individuals", "--guarantee", "--sigma", "2"), "`guarantee` must go with a centre and a mean"),
        (("--kind", "individuals", "--guarantee", "--spread", "median moving range"), "`guarantee` must go with a"),
    ],
)
def test_refusals(tmp_path, words, sentence):
    done = Cell(tmp_path, ["1", "2", "3", "2.5"]).run("chart", "L", "--sign", "thickness", *words, code=3)
    assert sentence in done.stderr


def test_a_signal_names_its_point_as_the_table_does_where_other_laps_share_the_log(tmp_path):
    """Face numbers run through all laps: the 100th reading of L2 is not face 100."""

    def rough(lap, cycle, age, row):
        if (lap, cycle, age) == ("L2", 4, 17):
            row.update({"flatness um": "2.9", "ra um": "0.4"})

    path = PlantedCell(4, laps=("L1", "L2"), fault=rough).store(tmp_path)
    joint, by_day = ("--between", "2000"), ("--by", "day")
    for kind, by in (("individuals", ()), ("joint distance", joint), ("subgroup mean", by_day)):
        found = told(path, "chart", "L2", "--kind", kind, *by)
        for chart in found["charts"]:
            named = {point["point"] for point in chart["points"] if point["signal"]}
            said = [one for one in found["signals"] if one.startswith(f"{chart['name']}, point ")]
            assert {re.search(r", point (\S+?)(?: \(20|,)", one)[1] for one in said} == named
        assert any(chart["points"][-3]["signal"] for chart in found["charts"]) or by == by_day
        if kind == "joint distance":
            lead = next(remark for remark in found["remarks"] if "lies apart mostly by its" in remark)
            assert lead.startswith(f"point {found['charts'][0]['points'][-3]['point']} (")
