"""One question asked in several ways, and what a forecast says beside its range."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import COULD_NOT, NEEDS_A_PERSON
from spc.commands.forecast import command as forecast

MILLING = str(Path(__file__).parents[2] / "sources" / "nasa_milling.csv")
COLUMNS = ["--unit", "case", "--clock", "time", "--wear", "VB", "--limit", "0.45", "--clock-unit", "min"]
ENDS = ("low", "median", "high")


def run(*arguments):
    return CliRunner().invoke(forecast, [str(a) for a in arguments])


def units_by_name(*arguments):
    return {unit["unit"]: unit for unit in json.loads(run(*arguments, "--json").output)["units"]}


@pytest.fixture(scope="module")
def three_quarters():
    return units_by_name(MILLING, *COLUMNS, "--at", "75%")


def test_one_unit_asked_for_alone_is_told_what_it_is_told_among_all(three_quarters):
    for name in ("1", "4"):
        assert units_by_name(MILLING, *COLUMNS, "--at", "75%", "--unit-id", name)[name] == three_quarters[name]


def test_a_backtest_holds_the_very_forecasts(three_quarters):
    held = json.loads(run(MILLING, *COLUMNS, "--backtest", "75,50", "--json").output)["backtest"][0]["units"]
    assert len(held) == 7
    for unit in held:
        asked = three_quarters[unit["unit"]]
        assert [unit[end] for end in ENDS] == [asked["at_clock"][end] for end in ENDS]
        assert unit["sentence"] == asked["sentence"] and unit["own_readings"] == asked["own_readings"]


def test_a_reading_cut_off_by_hand_is_one_cut_off_by_the_clock(tmp_path, three_quarters):
    """Leave the rows past three quarters of a life out of the file: the same readings, so the same answer."""
    head, *rows = Path(MILLING).read_text(encoding="utf-8").splitlines()
    at = [head.split(",").index(name) for name in ("case", "time")]
    kept = [r for r in rows if r.split(",")[at[0]] != "4" or float(r.split(",")[at[1]]) <= three_quarters["4"]["now"]]
    assert len(kept) < len(rows)
    file = tmp_path / "cut.csv"
    file.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    cut = units_by_name(file, *COLUMNS, "--unit-id", "4")["4"]
    assert [cut["at_clock"][end] for end in ENDS] == [three_quarters["4"]["at_clock"][end] for end in ENDS]


@pytest.mark.parametrize("asked", [("--at", "50%"), ("--at", "15", "--unit-id", "7"), ("--backtest", "75")])
def test_the_order_of_the_units_in_the_file_changes_no_answer(tmp_path, asked):
    head, *rows = Path(MILLING).read_text(encoding="utf-8").splitlines()
    turned = tmp_path / "turned.csv"
    by_case = sorted(rows, key=lambda row: row.split(",")[0], reverse=True)  # each unit's rows stay as they are
    turned.write_text("\n".join([head, *by_case]) + "\n", encoding="utf-8")
    one, other = (json.loads(run(file, *COLUMNS, *asked, "--json").output) for file in (MILLING, turned))
    units = [d["units"] if "units" in d else d["backtest"][0]["units"] for d in (one, other)]
    assert {u["unit"]: u for u in units[0]} == {u["unit"]: u for u in units[1]}


def test_rows_in_any_order_are_one_file_once_sorted(tmp_path):
    """Two readings at one clock value among them: which stands first in the file is chance."""
    rows = [f"{unit},{k // 2},{0.1 * k + 0.01 * (7 * k % 5):.2f}" for unit in "ABCD" for k in range(16)]
    told = []
    for name, ordered in (("one", rows), ("other", rows[::-1])):
        file = tmp_path / f"{name}.csv"
        file.write_text("\n".join(["unit,clock,wear", *ordered]) + "\n", encoding="utf-8")
        told.append(units_by_name(file, "--limit", "2.5", "--sort"))
    assert told[0] == told[1]


def test_a_unit_over_its_limit_is_told_with_the_clock_at_which_its_readings_crossed():
    """The same clock as the truth a backtest holds forecasts against, and for case 2 the figure itself."""
    told = units_by_name(MILLING, *COLUMNS)
    held = json.loads(run(MILLING, *COLUMNS, "--backtest", "50", "--json").output)["backtest"][0]["units"]
    for name, truth in ((u["unit"], u["truth"]) for u in held):
        if told[name]["status"] == "over":
            assert told[name]["at_clock"] == dict.fromkeys(ENDS, truth), name
            assert told[name]["remaining"] == dict.fromkeys(ENDS, 0.0)
    assert told["2"]["at_clock"]["median"] == pytest.approx(61.8, abs=0.05)
    assert told["2"]["sentence"] == "the last reading is at or over the limit, since about 61.8 min"


def test_a_unit_that_was_under_its_limit_again_is_told_when_it_first_reached_it(tmp_path):
    file = tmp_path / "back.csv"
    file.write_text(
        "unit,clock,wear\nA,1,0.5\nA,2,1.5\nA,3,0.8\nA,4,1.2\nB,3,2.0\nC,5,0.2\nC,5,1.8\n", encoding="utf-8"
    )
    told = units_by_name(file, "--limit", "1", "--rises")
    assert told["A"]["sentence"].endswith("; the readings first reached it at about 1.5 clock")
    assert told["B"]["sentence"].endswith("over the limit, since its first reading at 3 clock")
    assert told["C"]["sentence"].endswith("over the limit, since about 5 clock")
    assert told["A"]["at_clock"]["high"] == 1.5 and told["B"]["at_clock"]["low"] == 3


def test_a_covariate_far_from_what_the_others_had_is_said(tmp_path):
    file = tmp_path / "loads.csv"
    rows = [f"U{unit},{k},{0.1 * k},{load}" for unit, load in enumerate((10, 50, 100, 1000)) for k in range(3)]
    file.write_text("\n".join(["unit,clock,wear,grams", *rows]) + "\n", encoding="utf-8")
    asked = [file, "--limit", "2", "--covariate", "grams"]
    said = "unit U3: grams 1000 lies outside 10 to 100 of the other units: nothing is known there"
    assert said in run(*asked, "--unit-id", "U3").output
    assert json.loads(run(*asked, "--unit-id", "U1", "--json").output)["remarks"] == []


def test_why_the_others_tell_nothing_and_figures_that_are_not_told_closer_than_they_are_known(tmp_path):
    file = tmp_path / "odd.csv"
    file.write_text("unit,clock,wear\nA,10,0.5\nB,10,0.6\n", encoding="utf-8")
    said = "A: cannot say: no past cycle with readings at two ages, and 1 reading of its own where 6 are needed"
    assert f"{said}; log 5 more" in run(file, "--limit", "2").output
    file.write_text("unit,clock,wear\nA,10,0.5\n", encoding="utf-8")
    assert "A: cannot say: no past cycle to borrow from, and 1 reading of its own" in run(file, "--limit", "2").output
    rows = [f"{unit},{k}000000000,{0.1 * k + 0.01 * (-1) ** k:.2f}" for unit in "ABCD" for k in range(9)]
    file.write_text("\n".join(["unit,clock,wear", *rows]) + "\n", encoding="utf-8")
    least, most = re.search(r"D: (\d+) to (\d+) clock left", run(file, "--limit", "2").output).groups()
    assert len(least.rstrip("0")) <= 4 and len(most.rstrip("0")) <= 4


def on_a_meter(rows, starts):
    """The milling rows with each case's times from where its meter stood; `starts` by case."""
    at_case, at_time = (rows[0].split(",").index(name) for name in ("case", "time"))
    out = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        cells[at_time] = f"{float(cells[at_time]) + starts(int(cells[at_case])):g}"
        out.append(",".join(cells))
    return "\n".join(out) + "\n"


@pytest.mark.parametrize("starts", [lambda case: 10_000, lambda case: 300 * case], ids=["one", "each"])
def test_a_meter_that_runs_on_tells_what_the_age_of_each_unit_tells(tmp_path, starts):
    """Ages and shapes of wear count from where a unit was new, wherever its meter stood then."""
    rows = Path(MILLING).read_text(encoding="utf-8").splitlines()
    new, meter = tmp_path / "new.csv", tmp_path / "meter.csv"
    at = [rows[0].split(",").index(name) for name in ("case", "time")]
    first = {}
    for row in rows[1:]:
        first.setdefault(int(row.split(",")[at[0]]), float(row.split(",")[at[1]]))
    new.write_text(on_a_meter(rows, lambda case: -first[case]), encoding="utf-8")
    meter.write_text(on_a_meter(rows, starts), encoding="utf-8")
    asked = (*COLUMNS, "--at", "75%", "--unit-id", "4")
    one, other = (units_by_name(file, *asked)["4"] for file in (new, meter))
    begun = starts(4) + first[4]
    assert [other["remaining"][end] for end in ENDS] == pytest.approx([one["remaining"][end] for end in ENDS])
    assert (one["origin"], other["origin"]) == (0, begun) and other["sentence"] == one["sentence"]
    assert [other["at_clock"][end] for end in ENDS] == pytest.approx([begun + one["at_clock"][end] for end in ENDS])
    words = "units begin further from 0 than any lasts"
    assert words in run(meter, *asked).output and words not in run(new, *asked).output
    as_age = run(meter, *asked, "--clock-kind", "age", "--json").output
    assert words not in as_age and json.loads(as_age)["units"][0]["origin"] == 0
    held = json.loads(run(meter, *COLUMNS, "--backtest", "75", "--json").output)["backtest"][0]["units"]
    told = {unit["unit"]: unit for unit in held}["4"]
    assert [told[end] for end in ENDS] == [other["at_clock"][end] for end in ENDS]


def test_light_that_fades_by_a_share_of_what_is_left_is_foretold_so(tmp_path):
    """100 falling to 70 by about 0.6 % of what is left each hour, read to 0.8: a line through it ends too early."""
    rng = np.random.default_rng(6)
    rows = [
        f"{name},{hour},{100 * np.exp(-rate * hour) + 0.8 * rng.standard_normal():.2f}"
        for name, rate in zip("ABCDEF", 0.006 * np.exp(0.3 * rng.standard_normal(6)), strict=True)
        for hour in range(0, 160, 2)
    ]
    rows[20] = "A,40,970"
    file = tmp_path / "light.csv"
    file.write_text("\n".join(["lamp,hour,light", *rows]) + "\n", encoding="utf-8")
    asked = ("--unit", "lamp", "--clock", "hour", "--wear", "light", "--limit", "70", "--backtest", "50")
    told = json.loads(run(file, *asked, "--json").output)
    assert told["falls"] and "A: the reading 970 at 40 stands alone" in told["remarks"][-1]
    held = told["backtest"][0]
    assert held["covered"] >= 5 and held["predicted"] == 6
    assert held["median_abs_error"] < 0.03 * np.median([unit["truth"] for unit in held["units"]])


def six_units(*extra, head="unit,clock,wear", more=""):
    """Units that wear by about 1 in ten clock counts, and further rows; the last two never reach 9."""
    rng = np.random.default_rng(4)
    rows = [
        f"U{unit},{10 * k},{2 + rate * k + 0.1 * rng.normal():.3f}{more}"
        for unit, rate in enumerate((1.5, 1.3, 1.2, 1.1, 0.5, 0.4))
        for k in range(1, 11)
    ]
    return "\n".join([head, *rows, *extra]) + "\n"


def test_a_unit_without_a_reading_is_named_and_not_said_to_be_missing(tmp_path):
    (file := tmp_path / "wear.csv").write_text(six_units("Z,10,", "Z,20,NaN", "U0,5,1"), encoding="utf-8")
    outcome = run(file, "--limit", "9", "--json")
    assert outcome.exit_code == NEEDS_A_PERSON
    told = {p["reason"].split(" is not used")[0]: p["row"] for p in json.loads(outcome.output)["problems"]}
    assert told == {"unit Z": None, "unit U0": 63}
    for unit, why in (("Z", "none of its rows has a clock and a wear"), ("U0", "`age` of U0 must not jump back")):
        outcome = run(file, "--limit", "9", "--unit-id", unit)
        assert outcome.exit_code == COULD_NOT and f"unit {unit} is not used: {why}" in outcome.output
    assert "there is no unit 'Q'; the file has U1, U2" in run(file, "--limit", "9", "--unit-id", "Q").output


def test_a_backtest_says_of_every_unit_why_it_is_not_held(tmp_path):
    rows = six_units(head="unit,clock,wear,kind", more=",a").splitlines()
    rows = [row.removesuffix("a") + "b" if row.startswith("U3") else row for row in rows]
    (file := tmp_path / "wear.csv").write_text("\n".join(rows), encoding="utf-8")
    asked = [file, "--limit", "kind:a=9", "--backtest", "50"]
    outcome = run(*asked, "--json")
    assert outcome.exit_code == NEEDS_A_PERSON  # one has no limit
    document = json.loads(outcome.output)
    why = {unit["unit"]: unit["reason"] for unit in document["not_held"]}
    assert {unit["unit"] for unit in document["backtest"][0]["units"]} | {*why} == {"U0", "U1", "U2", "U3", "U4", "U5"}
    assert why.pop("U3") == "no limit is known for kind b: add b=LIMIT to --limit, or to [limits] of the map"
    assert why == dict.fromkeys(("U4", "U5"), "it never reached its limit")
    assert "Not held against what came: U4, U5 (it never reached its limit)." in run(*asked).output


def test_a_backtest_of_what_no_reading_shows_is_refused(tmp_path):
    (file := tmp_path / "wear.csv").write_text(six_units(), encoding="utf-8")
    for crossing in ("path", "next face"):
        outcome = run(file, "--limit", "9", "--backtest", "50", "--crossing", crossing)
        assert outcome.exit_code == 2 and f"leave `--crossing {crossing}` out" in outcome.output


def test_a_clock_value_before_the_first_reading_is_not_called_that_of_a_reading(tmp_path):
    (file := tmp_path / "wear.csv").write_text(six_units(), encoding="utf-8")
    outcome = run(file, "--limit", "9", "--unit-id", "U1", "--at", "5")
    assert "it has no reading by then: from 0 on, where its age begins, not 5" in outcome.output


def test_a_limit_column_asked_for_comes_before_the_limits_of_a_map(tmp_path):
    (file := tmp_path / "wear.csv").write_text(six_units(head="unit,clock,wear,most", more=","), encoding="utf-8")
    (own := tmp_path / "wear.toml").write_text('limit_by = "unit"\n[limits]\nU1 = 9\n', encoding="utf-8")
    outcome = run(file, "--map", own, "--limit-column", "most", "--unit-id", "U1")
    assert "U1: no limit is known: its cell under most is empty" in outcome.output
    outcome = run(file, "--limit", ":U1=9")
    assert outcome.exit_code == 2 and "COLUMN:VALUE=LIMIT" in outcome.output


def test_a_life_that_was_over_before_the_first_reading_is_not_known(tmp_path):
    (file := tmp_path / "wear.csv").write_text(six_units("Z,10,9.5", "Z,20,11"), encoding="utf-8")
    held = json.loads(run(file, "--limit", "9", "--backtest", "50", "--json").output)
    assert {"unit": "Z", "reason": "its first reading is at its limit already"} in held["not_held"]
    told = units_by_name(file, "--limit", "9", "--at", "50%", "--unit-id", "Z")["Z"]
    assert told["status"] == "over" and told["own_readings"] == 2
    assert told["sentence"].endswith(
        "its first reading is at its limit already, so all its readings are used, not 50% of a life"
    )
