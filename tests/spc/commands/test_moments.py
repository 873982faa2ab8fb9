"""One form for every moment of a table: logs that write times in their own ways must not mix in one column."""

import csv
import json

import pandas as pd
import pytest
from click.testing import CliRunner

from spc.board.chart_series import groups_of
from spc.cli import cli
from spc.log.moments import shown_text
from spc.settings import Settings

SITE = Settings(time_zone="Europe/Copenhagen")

# Copenhagen is an hour ahead of UTC in winter and two in summer; clocks go forward on the last Sunday of March
# (Directive 2000/84/EC).
AS_TYPED = [
    ("2026-06-26 15:52", "2026-06-26 15:52"),
    ("26.06.2026 15:52:10", "2026-06-26 15:52"),
    ("26 Jun 2026 3:52 pm", "2026-06-26 15:52"),
    ("2026-06-26T15:52+02:00", "2026-06-26 15:52"),
    ("2026-06-26T13:52:00Z", "2026-06-26 15:52"),
    ("2026-01-26T13:52:00Z", "2026-01-26 14:52"),
    ("2026-06-26T23:52-05:00", "2026-06-27 06:52"),
    ("2026-05-15T13:11:00.000001+00:00", "2026-05-15 15:11"),
    ("26.06.2026", "2026-06-26"),  # a day stays a day
    ("03/04/2026 14:00", "03/04/2026 14:00"),  # nothing says which is the day: as typed
    ("after lunch", "after lunch"),
    ("", ""),
]


@pytest.mark.parametrize(("typed", "shown"), AS_TYPED)
def test_a_moment_is_told_by_the_clock_of_the_site(typed, shown):
    assert shown_text(typed, SITE) == shown


def test_the_date_order_of_the_site_decides():
    assert shown_text("03/04/2026 14:00", Settings(date_order="mdy")) == "2026-03-04 14:00"


def test_where_no_zone_is_set_utc_is_named_and_a_time_without_a_zone_stays_what_it_is():
    assert shown_text("2026-06-26T15:52+02:00", Settings()) == "2026-06-26 13:52 UTC"
    assert shown_text("26.06.2026 15:52", Settings()) == "2026-06-26 15:52"


@pytest.fixture
def cell(tmp_path):
    """Two laps whose faces and events were written down in three ways."""
    head = ["time", "lap", "operator", "grit", "minutes", "part", "flatness um", "event"]
    stamps = ("2026-03-{:02d} 09:30", "{:02d}.03.2026 09:30", "2026-03-{:02d}T08:30:00Z")
    rows = [["2026-02-28T08:30:00Z", "L1", "Reed", "9 um", "", "", "", "reconditioned"]]
    rows += [
        [stamps[day % 3].format(day), lap, "Reed", "9 um", "10", "P1", f"{0.4 + 0.01 * day:.2f}", ""]
        for day in range(1, 29)
        for lap in ("L1", "L2")
        if lap == "L1" or day % 3 == 0
    ]
    with (tmp_path / "log.csv").open("w", newline="") as file:
        csv.writer(file).writerows([head, *rows])
    (tmp_path / "lapcell.toml").write_text('time_zone = "Europe/Copenhagen"\n')

    def run(*words):
        return CliRunner().invoke(cli, [*words, "--store", str(tmp_path / "cell.db")])

    assert run("ingest", str(tmp_path / "log.csv")).exit_code == 0
    assert run("parts", "set", "P1", "flatness", "2 um", "--who", "Reed").exit_code == 0
    return run


LISTS = [
    ("due",),
    ("events",),
    ("parts",),
    ("chart", "L1"),
    ("chart", "L1", "--kind", "individuals"),
    ("chart", "L1", "--kind", "subgroup mean", "--by", "time"),
]


@pytest.mark.parametrize("words", LISTS)
def test_no_table_mixes_forms_of_time(cell, words):
    said = cell(*words).output
    said = said[said.index("\n---") :] if words == ("due",) else said  # its sentences name moments as typed
    assert ", Europe/Copenhagen" in cell(*words).output
    assert ".03.2026" not in said and "T08:30" not in said and "+00:00" not in said
    if words[0] == "chart":
        assert sum(line.count(" 09:30") for line in said.splitlines() if "2026-03-" in line) >= 20


def test_the_last_faces_of_due_and_its_document(cell):
    said = cell("due").output
    assert "2026-03-28 09:30" in said and "2026-03-27 09:30" in said
    laps = {lap["lap"]: lap["last_face"] for lap in json.loads(cell("due", "--json").output)["laps"]}
    assert laps == {"L1": "2026-03-28 09:30", "L2": "2026-03-27 09:30"}


def test_one_moment_typed_in_two_ways_is_one_subgroup():
    rows = pd.DataFrame(
        {"time_text": ["2026-03-04 09:30", "2026-03-04T08:30:00Z", "2026-03-05 09:30", ""], "sort_us": [1, 1, 2, 2]}
    )
    assert groups_of(rows, "time")[0].tolist() == ["2026-03-04 09:30", "2026-03-04 09:30", "2026-03-05 09:30", "2"]
