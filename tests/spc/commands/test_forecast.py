import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import COULD_NOT
from spc.commands.forecast import command as forecast

MILLING = str(Path(__file__).parents[2] / "sources" / "nasa_milling.csv")
COLUMNS = ["--unit", "case", "--clock", "time", "--wear", "VB", "--limit", "0.45", "--clock-unit", "min"]


def run(*arguments):
    return CliRunner().invoke(forecast, [str(a) for a in arguments])


def test_one_unit_in_words():
    outcome = run(MILLING, *COLUMNS, "--at", "50%", "--unit-id", "3")
    assert outcome.exit_code == 0
    assert "73 rows, 66 used, 7 not measured, 0 blank, 0 problems." in outcome.output
    assert "min left (6 readings of its own, the rest from 6 past cycles; shape linear" in outcome.output


def test_json_document():
    outcome = run(MILLING, *COLUMNS, "--at", "15", "--unit-id", "1", "--covariate", "feed", "--json")
    document = json.loads(outcome.output)
    unit = document["units"][0]
    assert unit["status"] == "range" and unit["now"] == 15 and unit["own_readings"] == 3
    left, at = unit["remaining"], unit["at_clock"]
    assert left["low"] <= left["median"] <= left["high"]
    assert at["median"] == pytest.approx(15 + left["median"])


def test_a_unit_unlike_all_others_is_said_to_be(tmp_path):
    draw, lines = np.random.default_rng(8), ["unit,clock,wear"]
    for unit, slope, rows in [*((f"U{i}", 0.2 + 0.01 * i, 24) for i in range(8)), ("odd", 2.0, 9)]:
        for row in range(1, rows + 1):
            age = 2.0 * row if unit != "odd" else 0.3 * row
            lines.append(f"{unit},{age},{1 + slope * age + 0.2 * draw.standard_normal():.3f}")
    (file := tmp_path / "wear.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    asked = [file, "--unit", "unit", "--clock", "clock", "--wear", "wear", "--limit", "11"]
    answers = {u["unit"]: u for u in json.loads(run(*asked, "--json").output)["units"]}
    odd = answers["odd"]
    assert odd["own_way_share"] > 0.9 and "its readings do not go as theirs" in odd["borrowed"]
    assert odd["remaining"]["low"] <= (11 - 1) / 2 - 2.7 <= odd["remaining"]["high"]
    assert "odd" in [line.split(":")[0] for line in run(*asked).output.splitlines() if "do not go as theirs" in line]
    usual = [u for u in answers.values() if u["status"] == "range" and u["unit"] != "odd"]
    assert usual and all(u["own_way_share"] < 0.5 for u in usual)


def test_backtest_document():
    outcome = run(MILLING, *COLUMNS, "--backtest", "50", "--json")
    held = json.loads(outcome.output)["backtest"]
    assert len(held) == 1 and held[0]["share_of_life"] == 0.5 and held[0]["predicted"] == 7
    assert {"truth", "low", "median", "high", "error", "inside", "score"} <= set(held[0]["units"][0])
    assert held[0]["units"][0]["sentence"].endswith("min left")


def test_units_over_the_limit_say_so():
    outcome = run(MILLING, *COLUMNS, "--unit-id", "5")
    assert outcome.exit_code == 0 and "5: the last reading is at or over the limit" in outcome.output


def test_rows_that_cannot_be_used_are_listed(tmp_path):
    file = tmp_path / "wear.csv"
    file.write_text(
        "unit,clock,wear\n"
        + "".join(f"{u},{t},{0.1 * t + 0.01 * u}\n" for u in (1, 2, 3) for t in range(8))
        + "3,8,broken\n4,1,0.1\n4,5,0.5\n4,2,0.2\n",
        encoding="utf-8",
    )
    outcome = run(file, "--limit", "2", "--json")
    document = json.loads(outcome.output)
    assert outcome.exit_code == 1
    assert [p["row"] for p in document["problems"]] == [25, 28]
    assert "must not jump back" in document["problems"][1]["reason"] and "--sort" in document["problems"][1]["reason"]
    assert [u["unit"] for u in document["units"]] == ["1", "2", "3"]
    assert all(u["at_clock"]["median"] == pytest.approx(20, rel=0.05) for u in document["units"])
    sorted_run = json.loads(run(file, "--limit", "2", "--sort", "--json").output)
    assert [u["unit"] for u in sorted_run["units"]] == ["1", "2", "3", "4"]


def test_one_unit_alone(tmp_path):
    file = tmp_path / "wear.csv"
    file.write_text("unit,clock,wear\n" + "".join(f"A,{t},{0.5 + 0.1 * t}\n" for t in range(9)), encoding="utf-8")
    outcome = run(file, "--limit", "2")
    assert outcome.exit_code == 0 and "no past cycle to borrow from" in outcome.output


def test_no_limit_is_refused_in_words(tmp_path):
    outcome = run(MILLING, *COLUMNS[:6], "--unit-id", "2")
    assert outcome.exit_code == 1 and "no limit is known: give it with --limit" in outcome.output


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--at", "150%"], "`--at` must be a clock value of 0 or more, or a share of life"),
        (["--at", "soon"], "`--at` must be a clock value of 0 or more, or a share of life"),
        (["--at", "-5"], "`--at` must be a clock value of 0 or more"),
        (["--unit-id", "99"], "there is no unit '99'; the file has 1, 2, 3"),
        (["--backtest", "0,50"], "`--backtest` must be shares of life in per cent, from 1 up, such as 50,75"),
        (["--wear", "flatness"], "there is no column 'flatness' for `wear`"),
        (["--backtest", "50", "--unit-id", "2"], "`--backtest` and `--unit-id` do not go together"),
        (["--backtest", "50", "--at", "20"], "`--backtest` and `--at` do not go together"),
        (["--limit-column", "VB"], "`--limit` and `--limit-column` do not go together"),
        (["--limit", "0.6"], "`--limit` must be given once, got 0.45, 0.6; where there is a limit on either side"),
    ],
)
def test_bad_requests_are_one_sentence(extra, words):
    outcome = run(MILLING, *COLUMNS, *extra)
    wrong = 3 if "no unit" in words or "no column" in words else 2  # 2: the command itself, whatever the file holds
    assert outcome.exit_code == wrong and words in outcome.output and "Traceback" not in outcome.output


@pytest.mark.parametrize("limit", ["DOC:1.5", "0,45", "0.45 mm", "inf", "nan", "material:1=0.4,2=inf"])
def test_a_limit_that_is_no_number_is_refused(limit):
    outcome = run(MILLING, *COLUMNS[:6], "--limit", limit)
    assert outcome.exit_code == 2 and "with a decimal point and without a unit, or COLUMN" in outcome.output


def test_limit_by_column():
    outcome = run(MILLING, *COLUMNS[:6], "--limit", "material:1=0.4,2=0.6", "--at", "5", "--json", "--unit-id", "5")
    assert json.loads(outcome.output)["units"][0]["limit"] == 0.6


def test_options_wear_map_and_column_map_are_three_ways_to_one_answer(tmp_path):
    wear_map, column_map = tmp_path / "wear.toml", tmp_path / "column.toml"
    wear_map.write_text('unit = "case"\nclock = "time"\nwear = "VB"\nlimit = 0.45\n', encoding="utf-8")
    column_map.write_text(
        '[columns]\nlap = "case"\n[columns.minutes]\nheader = "time"\ncumulative = true\n'
        '[columns.flatness]\nheader = "VB"\nunit = "mm"\n',
        encoding="utf-8",
    )
    asked = ["--at", "50%", "--unit-id", "3", "--json"]
    ways = [
        run(MILLING, *COLUMNS, *asked),
        run(MILLING, "--map", wear_map, *asked),
        run(MILLING, "--map", column_map, "--limit", "0.45", *asked),
    ]
    answers = [json.loads(outcome.output)["units"][0]["remaining"] for outcome in ways]
    assert answers[0] == answers[1] == answers[2] and answers[0]["median"] > 0


def test_columns_not_named_are_asked_for_in_one_sentence():
    outcome = run(MILLING, "--limit", "0.45")
    assert outcome.exit_code == COULD_NOT and outcome.output.count("\n") == 1
    assert "there is no column 'unit' for `unit`; the file has case" in outcome.output


def test_help_shows_every_way_to_name_columns():
    text = run("--help").output
    assert (
        "by options: --unit case" in text and "by a wear map" in text and "by a column map of `lapcell ingest`" in text
    )


def test_a_file_without_usable_rows_and_a_backtest_without_crossings_say_so(tmp_path):
    columns = ["--unit", "unit", "--clock", "clock", "--wear", "wear", "--limit", "9"]
    empty, short = tmp_path / "empty.csv", tmp_path / "short.csv"
    empty.write_text("unit,clock,wear\n", encoding="utf-8")
    outcome = run(empty, *columns)
    assert outcome.exit_code == COULD_NOT and "no unit of the file has a clock and a wear reading" in outcome.output
    rows = [f"{unit},{k},{0.1 * k:.1f}" for unit in "ab" for k in range(6)]
    short.write_text("\n".join(["unit,clock,wear", *rows]), encoding="utf-8")
    outcome = run(short, *columns, "--backtest", "50")
    assert "At 50% of life: no unit reached its limit." in outcome.output and "nan" not in outcome.output


def wear_of_units(*, falls, read=15):
    """Six units that wear by about 1 in ten clock counts; falling, the same from 40 down."""
    rng = np.random.default_rng(0)
    rows = ["unit,clock,wear [um]"]
    for unit in range(6):
        rate = np.exp(0.2 * rng.normal())
        for k in range(15 if unit else read):
            wear = 2 + rate * k + 0.2 * rng.normal()
            rows.append(f"U{unit},{10 * k},{40 - wear if falls else wear:.3f}")
    return "\n".join(rows) + "\n"


def test_a_quantity_that_falls_to_a_lower_limit_is_forecast_like_one_that_rises(tmp_path):
    columns = ["--unit", "unit", "--clock", "clock", "--wear", "wear", "--unit-id", "U0", "--json"]
    found = []
    for name, falls, limit in (("up", False, "12"), ("down", True, "28")):
        file = tmp_path / f"{name}.csv"
        file.write_text(wear_of_units(falls=falls, read=7), encoding="utf-8")
        document = json.loads(run(file, *columns, "--limit", limit).output)
        assert document["falls"] is falls and document["units"][0]["limit"] == float(limit)
        assert any("falling to a lower limit" in remark for remark in document["remarks"]) is falls
        found.append(document["units"][0]["remaining"])
    up, down = found
    assert down["median"] == pytest.approx(up["median"], rel=0.05)
    assert down["low"] == pytest.approx(up["low"], rel=0.1) and down["high"] == pytest.approx(up["high"], rel=0.1)
    rises = json.loads(run(file, *columns, "--limit", limit, "--rises").output)["units"][0]
    assert rises["status"] == "over" and "at or over the limit, since its first reading at 0 clock" in rises["sentence"]
    spent = json.loads(run(file, *columns[:6], "--unit-id", "U3", "--limit", "28", "--json").output)["units"][0]
    assert spent["status"] == "over" and "at or under the limit, since about" in spent["sentence"]


def test_why_no_unit_can_be_used_is_said(tmp_path):
    file = tmp_path / "days.csv"
    file.write_text("unit,clock,wear\nA,2026-01-02,0.5\nA,2026-01-03,0.6\n", encoding="utf-8")
    outcome = run(file, "--limit", "2")
    assert outcome.exit_code == COULD_NOT
    assert "can be used; row 1: the clock is not a number: '2026-01-02' (days and times" in outcome.output
    file.write_text("unit;clock;wear\nA;1;2,102\nA;2;2,204\n", encoding="utf-8")
    outcome = run(file, "--limit", "9")
    assert outcome.exit_code == COULD_NOT and "'2,102' could be 2102 or 2.102: say the decimal" in outcome.output
    for rows, why in (("", "no row below the header"), (",,\n", "every row below the header is blank")):
        file.write_text(f"unit,clock,wear\n{rows}", encoding="utf-8")
        assert why in run(file, "--limit", "2").output
    file.write_text("unit,clock,wear\nA,1,\nA,2,\n", encoding="utf-8")
    assert "the wear is blank in all 2 rows" in run(file, "--limit", "2").output
    file.write_text("unit;clock;wear\nA;1;2,102\nA;2;2,204\n", encoding="utf-8")
    document = json.loads(run(file, "--limit", "9", "--decimal", ",", "--json").output)
    assert document["rows"]["used"] == 2 and document["units"][0]["status"] != "over"


def test_a_share_of_a_life_that_has_not_ended_is_not_known(tmp_path):
    file = tmp_path / "units.csv"
    file.write_text(wear_of_units(falls=False, read=7), encoding="utf-8")
    columns = ["--clock", "clock", "--wear", "wear", "--limit", "12", "--at", "50%", "--json", "--unit-id"]
    running, ended = (json.loads(run(file, *columns, name).output)["units"][0] for name in ("U0", "U3"))
    assert running["own_readings"] == 7 and "it never reached its limit, so all its readings" in running["sentence"]
    assert ended["own_readings"] < 15 and "never reached" not in ended["sentence"]


def test_a_backtest_of_one_unit_rests_on_that_unit_alone_as_its_forecast_does(tmp_path):
    file = tmp_path / "one.csv"
    file.write_text("unit,clock,wear\n" + "".join(f"A,{t},{0.5 + 0.1 * t:.2f}\n" for t in range(20)), encoding="utf-8")
    held = json.loads(run(file, "--limit", "2.2", "--backtest", "20,75", "--json").output)["backtest"]
    assert held[0]["predicted"] == 0 and "6 are needed" in held[0]["units"][0]["sentence"]
    assert held[1]["predicted"] == 1 and held[1]["units"][0]["inside"]
    said = run(file, "--limit", "2.2", "--backtest", "20").output
    assert "no unit that reached its limit could be predicted: A: cannot say: no past cycle" in said


def test_limits_and_covariates_are_read_with_the_decimal_mark_of_the_file(tmp_path):
    file = tmp_path / "loads.csv"
    loads = (("A", "0,5"), ("B", "1,5"), ("C", "1,5"))
    rows = [f"{unit};{t};{f'{1 + 0.1 * t:.1f}'.replace('.', ',')};{load}" for unit, load in loads for t in range(10)]
    file.write_text("\n".join(["unit;clock;wear;load", *rows]), encoding="utf-8")
    document = json.loads(run(file, "--limit", "load:0.5=4,1.5=5", "--covariate", "load", "--json").output)
    assert [u["limit"] for u in document["units"]] == [4, 5, 5] and not document["problems"]


@pytest.mark.parametrize(("falls", "limit", "side"), [(False, "12", "over"), (True, "28", "under")])
def test_a_reading_that_had_reached_the_limit_before_the_last_is_pointed_at(tmp_path, falls, limit, side):
    file = tmp_path / "units.csv"
    lines = wear_of_units(falls=falls, read=7).splitlines()
    at = lines.index(next(line for line in lines if line.startswith("U0,30,")))
    lines[at] = f"U0,30,{4 if falls else 36}"
    file.write_text("\n".join(lines), encoding="utf-8")
    asked = ["--limit", limit, "--falls" if falls else "--rises"]
    said = run(file, *asked, "--wear", "wear", "--unit-id", "U0").output
    assert f"the reading at 30 clock was at or {side} the limit, the last one is not: look at it" in said
    assert "look at it" not in run(file, *asked, "--wear", "wear", "--unit-id", "U3", "--at", "40").output


def test_a_value_without_a_limit_is_named(tmp_path):
    file = tmp_path / "loads.csv"
    rows = [
        f"{unit},{k},{0.1 * k:.2f},{load}" for unit, load in (("A", "10"), ("B", "75"), ("C", "")) for k in range(4)
    ]
    file.write_text("\n".join(["unit,clock,wear,load", *rows]) + "\n", encoding="utf-8")
    told = run(file, "--limit", "load:10=2,50=3").output
    assert "B: no limit is known for load 75: add 75=LIMIT to --limit" in told
    assert "C: no limit is known for an empty load: add VALUE=LIMIT" in told
    assert "C: no limit is known: its cell under load is empty" in run(file, "--limit-column", "load").output
    twice = run(file, "--limit", "load:10=2,10=3")
    assert twice.exit_code == 2 and "must give each value of load one limit" in twice.output


def test_rows_of_a_unit_that_is_not_used_are_not_counted_as_used(tmp_path):
    file = tmp_path / "back.csv"
    rows = [
        f"{unit},{clock},{0.1 * clock:.2f}" for unit, ages in (("A", (1, 2, 3)), ("B", (1, 3, 2))) for clock in ages
    ]
    file.write_text("\n".join(["unit,clock,wear", *rows]) + "\n", encoding="utf-8")
    document = json.loads(run(file, "--limit", "2", "--json").output)
    assert document["rows"]["read"] == 6 and document["rows"]["used"] == 3
    assert "unit B is not used" in document["problems"][0]["reason"]


def test_a_unit_that_does_not_begin_where_all_others_do_keeps_its_own_level(tmp_path):
    """Past units begin at one value to the last digit; what a unit read that began elsewhere is not bent towards it."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(8):
        rows = ["unit,clock,wear"]
        for unit in range(8):
            rate = 0.02 * np.exp(0.2 * rng.normal())
            rows += [f"P{unit},0,0.100"]
            rows += [f"P{unit},{10 * k},{0.1 + 10 * rate * k + 0.02 * rng.normal():.3f}" for k in range(1, 14)]
        start, rate = rng.uniform(0.3, 0.8), 0.02 * np.exp(0.2 * rng.normal())
        rows += [f"Z,{10 * k},{start + 10 * rate * k + 0.02 * rng.normal():.3f}" for k in range(6)]
        file = tmp_path / "starts.csv"
        file.write_text("\n".join(rows) + "\n", encoding="utf-8")
        asked = ("--unit", "unit", "--clock", "clock", "--wear", "wear", "--limit", "2.5", "--unit-id", "Z")
        unit = json.loads(run(file, *asked, "--crossing", "path", "--json").output)["units"][0]
        inside += unit["at_clock"]["low"] <= (2.5 - start) / rate <= (unit["at_clock"]["high"] or np.inf)
    assert inside >= 5  # of 8 at nominal 90 %: fewer in one run of 200


def wear_file(path, units, *, head="unit,clock,wear", cells=lambda unit, k, n: ""):
    """Units as (name, slope, readings); wear rises straight, a hundredth up and down."""
    rows = [
        f"{name},{k},{slope * k + 0.01 * (-1) ** k:.4f}{cells(name, k, n)}"
        for name, slope, n in units
        for k in range(n)
    ]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_a_limit_many_readings_ahead_is_reached(tmp_path):
    # A straight line at 0.01 a step reads 6 at step 600, by arithmetic; some 540 readings lie ahead.
    file = wear_file(tmp_path / "long.csv", [("A", 0.01, 60), ("B", 0.011, 300), ("C", 0.009, 300)])
    for crossing in ("reading", "path"):
        told = json.loads(run(file, "--limit", "6", "--unit-id", "A", "--crossing", crossing, "--json").output)
        at = told["units"][0]["at_clock"]
        assert at["low"] < 600 < at["high"] and at["high"] - at["low"] < 120, crossing


def test_a_slip_of_the_pen_in_one_unit_leaves_the_others_alone(tmp_path):
    units = [(name, slope, 25) for name, slope in (("A", 0.2), ("B", 0.25), ("C", 0.3), ("D", 0.22), ("E", 0.27))]
    file = wear_file(tmp_path / "sound.csv", units)
    slipped = tmp_path / "slipped.csv"
    slipped.write_text(file.read_text(encoding="utf-8").replace("A,2,0.4100", "A,2,41.00"), encoding="utf-8")
    asked = ("--limit", "7", "--unit-id", "D", "--json")
    sound, told = (json.loads(run(f, *asked).output) for f in (file, slipped))
    assert sound["remarks"] == [] and len(told["remarks"]) == 1
    assert "A: the reading 41 at 2 stands alone, far from those on either side: look at it" in told["remarks"][0]
    one, other = (d["units"][0]["remaining"] for d in (sound, told))
    assert [other[k] for k in ("low", "median", "high")] == pytest.approx(
        [one[k] for k in ("low", "median", "high")], abs=1.5
    )


@pytest.mark.parametrize("written_in", [0, 7, 24])
def test_a_blank_limit_or_covariate_neither_sets_nor_changes_one(tmp_path, written_in):
    def cells(unit, k, n):
        return ",7,40" if k == written_in else ",,"

    units = [("A", 0.2, 25), ("B", 0.25, 25), ("C", 0.3, 25)]
    file = wear_file(tmp_path / "once.csv", units, head="unit,clock,wear,limit,load", cells=cells)
    told = json.loads(run(file, "--limit-column", "limit", "--covariate", "load", "--json").output)
    assert told["remarks"] == [] and told["problems"] == []
    assert [unit["limit"] for unit in told["units"]] == [7.0, 7.0, 7.0]


def test_a_limit_that_changes_is_said(tmp_path):
    file = wear_file(
        tmp_path / "two.csv", [("A", 0.2, 25)], head="unit,clock,wear,limit", cells=lambda u, k, n: f",{7 + (k == 9)}"
    )
    assert "unit A: its limit changes in row 10; the first value is used" in run(file, "--limit-column", "limit").output


def test_what_is_left_counts_from_the_last_reading_where_more_is_asked_for(tmp_path):
    units = [("A", 0.2, 12), ("B", 0.25, 25), ("C", 0.3, 25)]
    file = wear_file(tmp_path / "beyond.csv", units)
    asked = ("--limit", "7", "--unit-id", "A", "--json")
    whole, beyond = (json.loads(run(file, *asked, *at).output)["units"][0] for at in ((), ("--at", "100")))
    assert beyond["sentence"] == f"{whole['sentence']}; from its last reading at 11 on, not from 100"


@pytest.mark.parametrize("slope", [0.31, 0.0])
def test_units_that_read_the_same_to_the_last_digit_go_as_each_other(tmp_path, slope):
    rows = [f"{name},{k},{1 + slope * k:.2f}" for name in "ABCDE" for k in range(12)]
    file = tmp_path / "alike.csv"
    file.write_text("\n".join(["unit,clock,wear", *rows]) + "\n", encoding="utf-8")
    told = json.loads(run(file, "--limit", "10", "--json").output)["units"]
    assert all("the rest from 4 past cycles" in unit["borrowed"] for unit in told)
    if slope:  # 10 is met at 29.03
        assert all(17.5 < unit["remaining"]["low"] <= unit["remaining"]["high"] < 18.5 for unit in told)
