"""`lapcell age` on an invented lap: cycles as they ended, the curve by hand, costs from where they are said."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import COULD_NOT, DONE, NEEDS_A_PERSON, cli
from spc.commands.age import command as age
from spc.store.store import Store
from tests.spc.commands.planted_cell import PlantedCell, told
from tests.spc.commands.planted_cell import run as run_on
from tests.spc.store.many_faces import append_faces

LIVES = [(12, "worn"), (20, "worn"), (16, "planned"), (25, "worn"), (30, "worn"), (30, "worn"), (8, "damaged")]


@pytest.fixture
def store_path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    at = datetime(2026, 2, 2, 6, tzinfo=UTC)
    with Store.open(tmp_path / "lapcell.db") as store:
        store.set_lap("K1", material="cast iron", home_grit="9 um", who="QE")
        store.append_event({"lap": "K1", "event": "reconditioned", "time_utc": at, "reason": "planned"}, who="QE")
        for cycle, (faces, reason) in enumerate([*LIVES, (5, "")]):
            lapped = []
            for number in range(faces):
                at += timedelta(minutes=10)
                face = {"lap": "K1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0}
                lapped.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
            append_faces(store, lapped, who="Ann")
            if reason:
                at += timedelta(minutes=10)
                store.append_event({"lap": "K1", "event": "reconditioned", "time_utc": at, "reason": reason}, who="QE")
    return tmp_path / "lapcell.db"


def run(store_path, *arguments):
    return CliRunner().invoke(age, ["K1", "--store", str(store_path), *arguments])


def test_document(store_path):
    outcome = run(store_path, "--json", "--planned-cost", "2", "--worn-cost", "9")
    assert outcome.exit_code == DONE, outcome.output
    document = json.loads(outcome.output)
    assert document["counts"] == {"worn": 5, "planned": 2, "running": 1, "unsure": 0, "left_out": 0}
    assert document["costs"] == {"planned": 2.0, "worn": 9.0, "from": "as given"}
    ends = [(c["faces"], c["ended"], c["high_faces"]) for c in document["cycles"]]
    assert ends[0] == (12, "due", 12.0) and ends[2] == (16, "planned", None) and ends[-1] == (5, "running", None)
    # Kaplan-Meier by hand: 8 lives; 5 and 8 taken off; 12 of 6 at risk, 20 of 4, 25 of 3, both of 30.
    curve = document["curve"]
    assert curve["method"] == "Kaplan-Meier" and curve["age"] == [12.0, 20.0, 25.0, 30.0]
    assert curve["survival"] == pytest.approx([5 / 6, 5 / 6 * 3 / 4, 5 / 6 * 3 / 4 * 2 / 3, 0.0])
    assert curve["median"] == 25.0
    least = document["least_cost"]
    assert least["status"] == "range" and least["flat_low"] <= least["age"] <= least["flat_high"]
    assert document["law"]["status"] == "fitted"


def test_words_and_the_clock_in_minutes(store_path):
    outcome = run(store_path, "--clock", "minutes")
    assert outcome.exit_code == DONE
    assert "as if one found worn cost four planned ones" in outcome.output
    assert "150" in outcome.output  # 25 faces of 6 minutes
    assert "Still good at each age (Kaplan-Meier, 95% band):" in outcome.output


def test_costs_of_the_site(store_path):
    text = "[costs]\nplanned_reconditioning = 30\nunplanned_reconditioning = 210\n"
    (store_path.parent / "lapcell.toml").write_text(text, encoding="utf-8")
    costs = json.loads(run(store_path, "--json").output)["costs"]
    assert costs == {"planned": 30.0, "worn": 210.0, "from": "the site's settings"}


def test_costs_of_the_site_that_cannot_be_weighed_refuse_the_age_and_nothing_else(store_path):
    text = "[costs]\nplanned_reconditioning = 30\nunplanned_reconditioning = 30\n"
    (store_path.parent / "lapcell.toml").write_text(text, encoding="utf-8")
    outcome = run(store_path, "--json")
    document = json.loads(outcome.output)
    assert outcome.exit_code == NEEDS_A_PERSON and document["least_cost"]["status"] == "no costs"
    assert document["costs"] == {"planned": None, "worn": None, "from": "none that can be weighed"}
    assert document["curve"]["median"] == 25.0 and document["law"]["status"] == "fitted"
    assert document["sentence"].startswith("No age of least cost: there are no costs to weigh.")
    (said,) = (one for one in document["remarks"] if "lapcell.toml: `costs.unplanned_reconditioning` must be" in one)
    assert said.endswith("Put it right there, or give both costs with --planned-cost and --worn-cost.")
    outcome = run(store_path)
    assert "costs: none that can be weighed" in outcome.output and "Still good at each age" in outcome.output
    asked = run(store_path, "--json", "--planned-cost", "2")  # one alone would be weighed against nothing
    assert json.loads(asked.output)["least_cost"]["status"] == "no costs"
    asked = run(store_path, "--json", "--planned-cost", "2", "--worn-cost", "9")
    assert asked.exit_code == DONE and json.loads(asked.output)["least_cost"]["status"] == "range"
    for command in ("due", "status"):
        assert CliRunner().invoke(cli, [command, "--store", str(store_path)]).exit_code < 2


def test_what_cannot_be_asked(store_path):
    outcome = run(store_path, "--planned-cost", "5", "--worn-cost", "2")
    assert outcome.exit_code == 2 and "must be greater than `--planned-cost`" in outcome.output
    outcome = run(store_path, "--planned-cost", "nan")
    assert outcome.exit_code == 2 and "greater than 0" in outcome.output
    costs = json.loads(run(store_path, "--planned-cost", "5", "--json").output)["costs"]
    assert (costs["planned"], costs["worn"]) == (5.0, 20.0)
    assert costs["from"] == "one cost is given, the other not: as if one found worn cost four planned ones"
    outcome = CliRunner().invoke(age, ["K9", "--store", str(store_path)])
    assert outcome.exit_code == COULD_NOT and "no lap called 'K9'; known are K1" in outcome.output


def test_the_clock_that_foretells_wear_is_told_from_the_log(tmp_path, monkeypatch):
    """Cycles of quick and cycles of slow faces that wear alike by the minute; thickness is not logged."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    grown, rng = {}, np.random.default_rng(3)

    def by_the_minute(lap, cycle, age, row):
        worn = grown.setdefault(cycle, 0.0)
        spent = (4.0, 10.0)[cycle % 2] * np.exp(0.1 * rng.normal())
        grown[cycle] += spent
        read = 0.4 * np.exp(0.02 * worn / 7 + 0.1 * rng.normal())
        row |= {"minutes": f"{spent:.1f}", "flatness um": f"{read:.2f}", "thickness um": "", "thickness before um": ""}

    path = PlantedCell(1, cycles=9, faces=20, last=5, fault=by_the_minute).store(tmp_path)
    clocks = told(path, "age", "L1")["clocks"]
    assert (clocks["status"], clocks["clock"], clocks["cycles"]) == ("told", "minutes", 8)
    assert "removed_um" in clocks["left_out"]
    said = run_on(path, "age", "L1").output
    assert "Minutes on the lap since reconditioning foretell wear best" in said and "as asked" not in said
    assert told(path, "age", "L1")["clock"] == "minutes"  # led by the clock that foretells better
    asked = told(path, "age", "L1", "--clock", "faces")
    assert asked["clock"] == "faces"
    assert asked["remarks"][0] == (
        "Counted in faces as asked, though minutes clearly foretell wear better: go by the age in minutes."
    )
    assert "Micrometres removed since reconditioning: 100% of the lappings do not say." in said


def test_found_late_is_good_only_as_far_as_its_readings_say(tmp_path, monkeypatch):
    """20 faces read, the last four over the limit: worn between the 16th face and the next; no outcome is logged."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def grown(lap, cycle, age, row):
        row["flatness um"] = f"{0.5 + 0.02 * age + (0.5 if age >= 16 else 0):.2f}"

    cell = PlantedCell(1, cycles=7, faces=20, last=3, fault=grown)
    for row in cell.rows:
        if row.get("event"):
            row["found late"] = "yes"
    found = told(cell.store(tmp_path), "age", "L1")
    late = [c for c in found["cycles"] if c["ended"] == "found late"]
    assert len(late) == 6
    assert {(c["good_faces"], c["low_faces"], c["high_faces"]) for c in late} == {(16, 16.0, 17.0)}
    assert found["curve"]["method"] == "Turnbull"


def test_what_nobody_logged_of_the_lives_is_told_beside_them(tmp_path, monkeypatch):
    """Of three worn cycles two say no reason, and a reconditioning is left out of a fourth: it counts up to there."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def started_again(lap, cycle, age, row):
        if cycle == 2:
            row["flatness um"] = f"{0.3 * np.exp(0.06 * (age % 15) + 0.02 * (age % 3)):.3f}"

    cell = PlantedCell(3, faces=30, fault=started_again)
    begun = [row for row in cell.rows if row.get("event")]
    path = cell.store(tmp_path)
    assert told(path, "age", "L1")["remarks"] == _asked(path) != []
    begun[1]["reason"] = begun[2]["reason"] = ""
    (again := tmp_path / "again").mkdir()
    path = cell.store(again)
    silent, missing = told(path, "age", "L1")["remarks"]
    assert silent == (
        "2 of the 3 worn cycles ended with no reason logged and count as worn at the last face, even where that read "
        "under the limit."
    )
    (unsure,) = (c for c in told(path, "age", "L1")["cycles"] if c["ended"] == "unsure")
    assert (unsure["good_faces"], unsure["low_faces"], unsure["high_faces"]) == (15, 15.0, None)
    assert missing in _asked(path) and missing.startswith("L1 may have been reconditioned before face ")
    printed = run_on(path, "age", "L1").output
    assert f"  {silent}\n  {missing}\n" in printed


def test_cycles_that_end_with_no_reason_are_counted_among_all_that_count_as_worn(tmp_path, monkeypatch):
    """Of four cycles two read over the limit in use and two never; of none is a reason logged."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def never_over(lap, cycle, age, row):
        if cycle >= 2:
            row["flatness um"] = "0.50"

    found = told(PlantedCell(3, faces=60, fault=never_over, reason="").store(tmp_path), "age", "L1")
    assert found["counts"]["worn"] == 4
    assert [said[:50] for said in found["remarks"]] == [
        "2 of the 4 worn cycles ended with no reason logged",
        "In 2 of the 5 cycles the faces read over their lim",
    ]


def _asked(path):
    return [one["sentence"] for one in told(path, "due", "--lap", "L1")["asked"]]


def test_a_reconditioning_logged_twice_with_a_face_between_is_asked_after_beside_the_ages(tmp_path):
    """Two people log it, one of them late: five lives of one face made "run to the limit" of a lap that wears out."""

    def twice(lap, cycle, age, row):
        return [{"time": row["time"], "lap": lap, "event": "reconditioned", "reason": "worn"}] if age == 1 else None

    found = told(PlantedCell(3, cycles=6, fault=twice).store(tmp_path), "age", "L1")
    (said,) = (line for line in found["remarks"] if "logged twice" in line)
    assert said.startswith("L1: 6 cycles of one face.") and "take-back" in said
    once = tmp_path / "once"
    once.mkdir()
    found = told(PlantedCell(3, cycles=6).store(once), "age", "L1")
    assert not any("logged twice" in line for line in found["remarks"])
