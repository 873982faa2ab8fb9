"""The signal that faces come back more often than usual, on invented cells whose first-pass yield is known."""

from datetime import datetime, timedelta

import numpy as np
import pytest

from spc.board.relap_signals import begun_at
from spc.chart.relaps import bernoulli_plan, relap_chart
from tests.spc.commands.planted_cell import PlantedCell, run, told


def first_pass(row):
    """The row of a first pass of this face, not good; the row itself becomes the second."""
    at = datetime.fromisoformat(row["time"]) - timedelta(minutes=8)
    before = row | {"time": f"{at:%Y-%m-%d %H:%M}", "outcome": "re-lap"}
    row["attempt"] = "2"
    return [before]


def lapped_twice(which):
    return lambda lap, cycle, age, row: first_pass(row) if which(cycle, age) else None


def relap_signals(report):
    return [s for s in report["signals"] if s["sign"] == "re-lap share"]


@pytest.fixture(scope="module")
def collapsed(tmp_path_factory):
    """Ten faces of ten lapped twice, after none of 106."""
    fault = lapped_twice(lambda cycle, age: cycle == 4 and age >= 10)
    return PlantedCell(1, fault=fault).store(tmp_path_factory.mktemp("collapsed"))


def test_a_collapse_of_the_first_pass_yield_is_an_open_signal_of_the_lap(collapsed):
    report = told(collapsed, "due", "--lap", "L1")
    (signal,) = relap_signals(report)
    assert (signal["severity"], signal["rule"]) == ("look", "more re-laps than usual")
    assert signal["sentence"] == (
        "10 of the last 10 faces of L1 were lapped again after the first pass; in earlier cycles it was 0 of 96."
    )
    assert (signal["since_face_id"], signal["spoke_face_id"], signal["since_faces"]) == (108, 110, 9)
    assert report["state"] in ("watch", "due") and signal["sentence"] in report["reasons"]
    assert any("re-lap share up" in cause["why"] for cause in report["causes"])
    assert run(collapsed, "due").exit_code == 1
    said = run(collapsed, "chart", "L1", "--sign", "re-lap share").output
    assert "it still stands, begun about face 11 of 20 (2026-" in said  # not the number the store gave it, 108


def test_a_lap_whose_faces_are_often_lapped_again_is_told_in_passes(collapsed):
    report = told(collapsed, "due", "--lap", "L1")
    assert (report["age_faces"], report["finished_faces"], report["faces_left"]["counted"]) == (30, 20, "pass")
    assert report["faces_left"]["sentence"].endswith(" passes left") and "faces left" not in report["sentence"]
    assert "It is told in passes: 20 faces of this cycle took 30 of them." in report["reasons"]


def test_the_budget_says_beside_it_how_often_a_rise_is_called_that_is_none(collapsed, tmp_path):
    said = "Besides, the share of faces lapped again is called risen on a lap where it is not, at most once in about"
    assert said in told(collapsed, "due")["false_calls"]
    assert said not in told(PlantedCell(1).store(tmp_path), "due")["false_calls"]


def test_an_answer_closes_it_and_it_opens_again_when_it_goes_on(tmp_path):
    fault = lapped_twice(lambda cycle, age: cycle == 4 and age >= 10)
    path = PlantedCell(1, fault=fault).store(tmp_path)
    kept = run(path, "answer", "L1", "--sign", "re-lap share", "--cause", "not found", "--who", "Ann")
    assert kept.exit_code == 0, kept.output
    assert relap_signals(told(path, "due", "--lap", "L1")) == []
    more = PlantedCell(1, fault=fault, last=24).rows[-8:]
    heads = list(dict.fromkeys(head for row in more for head in row))
    log = "\n".join([",".join(heads), *(",".join(row.get(h, "") for h in heads) for row in more)])
    (tmp_path / "more.csv").write_text(log + "\n")
    told(path, "ingest", str(tmp_path / "more.csv"))
    toml = tmp_path / "lapcell.toml"
    toml.write_text("\n".join(["clock = 2026-03-07T06:00:00", *toml.read_text().splitlines()[1:]]))
    (signal,) = relap_signals(told(path, "due", "--lap", "L1"))
    assert signal["sentence"].startswith("4 of the last 4 faces of L1 were lapped again")


@pytest.mark.parametrize(
    "which",
    [
        pytest.param(lambda cycle, age: False, id="never"),
        pytest.param(lambda cycle, age: age >= 12 and age % 2 == 0, id="as worn laps always do"),
        pytest.param(lambda cycle, age: cycle == 4 and age in (3, 11), id="two by chance"),
        pytest.param(lambda cycle, age: cycle == 4 and age < 6, id="long over"),
    ],
)
def test_what_is_usual_or_over_is_no_signal(tmp_path, which):
    path = PlantedCell(2, fault=lapped_twice(which), last=22).store(tmp_path)
    assert relap_signals(told(path, "due", "--lap", "L1")) == []


def test_another_grit_is_another_stream(tmp_path):
    def finer(lap, cycle, age, row):
        if cycle == 4 and age >= 10:
            row["grit"] = "3 um"
            return first_pass(row)

    path = PlantedCell(1, fault=finer).store(tmp_path)
    assert relap_signals(told(path, "due", "--lap", "L1")) == []
    charted = run(path, "chart", "L1", "--sign", "re-lap share").output
    assert "faces with another grit, or from before its last change, are left out" in charted


def test_a_call_stands_no_more_when_the_sum_was_back_at_nothing_after_it():
    plan = bernoulli_plan(0.05, 0.10, average=100.0)
    burst = [True] * 6
    assert begun_at(relap_chart(burst, plan)) == 0
    over = relap_chart([*burst, *[False] * 6 * plan.lattice, True], plan)
    assert over.since >= 0 and begun_at(over) == -1
    assert begun_at(relap_chart(np.zeros(5, dtype=bool), plan)) == -1
