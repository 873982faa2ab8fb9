"""`lapcell gauge`, `conformity` and `variation` from the outside."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import cli
from tests.spc.board.gauge_cell import gauge_store, log_text

TOML = "time_zone = 'UTC'\nlamp = 'helium'\nstep_bands = 0.5\nzero_means = 'half step'\n"


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cell")
    (folder / "lapcell.toml").write_text(TOML)
    gauge_store(folder / "lapcell.db", log_text(np.random.default_rng(4))).close()
    return folder


def run(cell, *words, code):
    result = CliRunner().invoke(cli, [*words, "--store", str(cell / "lapcell.db")])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == code, (result.stdout, result.stderr)
    return result


def document(cell, *words, code):
    def no_constant(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(run(cell, *words, "--json", code=code).stdout, parse_constant=no_constant)


def test_gauge_of_the_log_with_a_plan(cell):
    told = document(cell, "gauge", "--plan", code=0)
    (study,) = told["studies"]
    assert study["status"] == "studied" and study["enough"] and study["limits"][0]["part"] == "R-1"
    assert told["plan"]["status"] == "planned" and "not meant for form" in told["analogue"]
    shown = run(cell, "gauge", "--plan", code=0).stdout
    assert "too coarse" in shown and "Note: by its scope ISO 22514-7" in shown and "Plan:" in shown
    assert "P0" not in shown and "P1" not in shown


def test_gauge_of_a_planned_study(cell, tmp_path):
    rng = np.random.default_rng(2)
    rows = [f"{f},{r},{0.4 + 0.1 * f + 0.03 * rng.normal():.2f}" for f in range(10) for r in "ab" for _ in (0, 1)]
    path = tmp_path / "plan.csv"
    path.write_text("face,reader,reading um\n" + "\n".join([*rows, "3,a,wet"]) + "\n")
    told = document(cell, "gauge", str(path), "--limit", "0.6", "--heat-k", "0.5", "--length-mm", "50",
                    "--thickness-mm", "10", "--flat-error-um", "0.03", code=1)  # fmt: skip
    assert told["problems"][0]["row"] == 41 and told["studies"][0]["readings"] == 40
    budget = told["studies"][0]["limits"][0]["budget"]
    assert budget["complete"] and [p["name"] for p in budget["parts"]][-1] == "temperature"


def test_conformity_prints_its_rule_and_its_price(cell):
    shown = run(cell, "conformity", "R-1", code=1).stdout
    assert "Accept readings up to" in shown and "Bad among accepted" in shown and "in doubt" in shown
    assert shown.startswith("R-1, flatness, the last reading of every face: ")
    first = run(cell, "conformity", "R-1", "--readings", "first pass", code=1).stdout
    assert first.startswith("R-1, flatness, the first reading of every face: ")
    told = document(cell, "conformity", "R-1", "--reader-sd-um", "0.04", "--risk", "0.01", code=1)
    assert told["status"] == "ruled" and told["chosen"]["bad_among_accepted"] <= 0.01
    assert {"text", "conformance", "verdict", "accepted", "face_ids"} <= set(told["readings"][0])


def test_variation_prints_sizes_and_no_names(cell):
    shown = run(cell, "variation", code=1).stdout
    assert "reading to reading" in shown and "run it on a second grit" in shown
    assert "P0" not in shown and "P1" not in shown
    assert document(cell, "variation", "--part", "R-1", code=1)["sources"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("gauge", "--part", "X"), "`part` must be a part number of the log"),
        (("gauge", "--heat-k", "1"), "`length_mm` must be"),
        (("conformity", "R-1", "--risk", "2"), "`risk` must be between 0 and 1"),
        (("variation", "--characteristic", "colour"), "`characteristic` must be one of"),
    ],
)
def test_bad_words_are_one_sentence(cell, words, sentence):
    assert sentence in run(cell, *words, code=3).stderr


def test_an_unknown_part_has_no_rule(cell):
    assert "no reading of flatness for X" in run(cell, "conformity", "X", code=1).stdout


@pytest.mark.parametrize("name", ["gauge", "conformity", "variation"])
def test_json_is_documented(name):
    assert "JSON" in CliRunner().invoke(cli, [name, "--help"]).stdout


def test_what_readings_change_by_from_day_to_day_counts_in_the_uncertainty_of_a_reading(tmp_path):
    """Days 0.3 um apart, repeats 0.05 um: a reading told as sure as repeats of one day was called fit for its limit."""
    rng = np.random.default_rng(1)
    size, reader, day = rng.normal(2, 0.5, 10), rng.normal(0, 0.05, 3), rng.normal(0, 0.3, 6)
    rows = [
        f"F{f},R{r},D{d},{size[f] + reader[r] + day[d] + 0.05 * rng.normal():.3f}"
        for d in range(6) for f in range(10) for r in range(3)
    ]  # fmt: skip
    (tmp_path / "g.csv").write_text("\n".join(["face,reader,day,value um", *rows]) + "\n")
    done = CliRunner().invoke(
        cli, ["gauge", str(tmp_path / "g.csv"), "--limit", "2", "--json", "--store", str(tmp_path / "s.db")]
    )
    (study,) = json.loads(done.stdout)["studies"]
    apart = float(np.std(day, ddof=1))
    assert study["run"]["low_um"] < apart < study["run"]["high_um"] and "; from day to day" in study["sentence"]
    (limit,) = study["limits"]
    counted = {part["name"]: part["u_um"] for part in limit["budget"]["parts"] if part["counted"]}
    assert counted["day to day"] == study["run"]["sd_um"]
    assert limit["budget"]["u_um"] == pytest.approx(study["reading_sd_um"], rel=0.02)  # two roads to one reading's sd
    assert "above the 15%" in limit["budget"]["sentence"]
