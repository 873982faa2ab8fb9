"""One question asked in several ways, and what a forecast says beside its range."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from spc.commands import forecast as forecast_module
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


def test_a_backtest_borrows_from_as_many_others_as_a_forecast(monkeypatch):
    monkeypatch.setattr(forecast_module, "MOST_BORROWED", 3)
    asked = units_by_name(MILLING, *COLUMNS, "--at", "50%", "--unit-id", "7")["7"]
    held = json.loads(run(MILLING, *COLUMNS, "--backtest", "50", "--json").output)["backtest"][0]["units"]
    assert asked["past_units"] == 2  # of the newest three others one has a single reading
    assert next(u for u in held if u["unit"] == "7")["median"] == asked["at_clock"]["median"]
