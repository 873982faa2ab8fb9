"""`lapcell due` on invented cells whose readings do not tell the wear: lapped until good, or without a limit."""

import re

import numpy as np
from scipy.stats import gmean, lognorm, weibull_min

from spc.board.board import Board
from spc.settings import load_settings
from tests.spc.commands.planted_cell import PlantedCell, run, told


def until_good(seed, *, passes_logged, lasting=None):
    """Faces lapped until they read at most 0.8 um; every pass takes about 4 minutes and a worn lap needs more.

    Where it is given how long each cycle lasts until worn, minutes hang on that alone: twice as many at its end; of 0
    faces, none is logged.
    """
    rng = np.random.default_rng(seed)

    def lapped(lap, cycle, age, row):
        passes = 1
        while (read := 0.45 * np.exp(0.035 * age + 0.3 * rng.normal())) > 0.8:
            passes += 1
        minutes = 4 * passes if lasting is None else 4 * (1 + (age + 1) / (lasting[cycle] or np.inf))
        row |= {"flatness um": f"{read:.2f}", "minutes": f"{minutes * np.exp(0.1 * rng.normal()):.1f}"}
        if lasting is not None and not lasting[cycle]:
            row["minutes"] = ""
        row["attempt"] = str(passes) if passes_logged else "1"

    return lapped


def test_a_cell_that_laps_until_good_is_led_by_another_sign_and_gives_no_faces_left(tmp_path):
    cell = PlantedCell(5, faces=30, last=26, fault=until_good(12, passes_logged=False))
    path = cell.store(tmp_path, limit="0.8 um")
    report = told(path, "due", "--lap", "L1")
    assert (report["lead_sign"], report["state"], report["confidence"]) == ("minutes", "watch", "")
    assert report["sentence"].startswith(
        "Look at L1 before the next lot. Final flatness hides the wear; minutes per face are"
    )
    assert "more than on a fresh lap, as wear makes them" in report["reasons"][0]
    left = report["faces_left"]
    assert (left["status"], left["low"], left["median"], left["high"]) == ("refused", None, None, None)
    assert "log the first reading of every face, or how many passes it took" in left["sentence"]
    said = run(path, "due").output
    assert "cannot say yet; minutes lead" in said
    run(path, "handover", "--format", "json", "--out", str(tmp_path / "handover"))
    handed = (tmp_path / "handover.json").read_text()
    for output in (said, run(path, "due", "--lap", "L1").output, handed):
        assert not re.search(r"\d+ faces left", output)
    assert "how many were good at the first pass cannot be told" in report["answers"][1]["answer"]


LASTED = (24, 31, 27, 35, 22, 29, 33, 26)  # faces of each past cycle until it was found worn


def test_where_no_reading_tells_the_faces_left_how_long_past_cycles_lasted_does(tmp_path):
    """By scipy, Weibull and log-normal fits to these lives put the next one between 20 and 38 faces in 19 of 20."""
    fault = until_good(12, passes_logged=False, lasting=[0] * 9)
    quiet = PlantedCell(5, cycles=9, faces=(*LASTED, 0), last=4, fault=fault)
    path = quiet.store(tmp_path, limit="0.8 um")
    report = told(path, "due", "--lap", "L1")
    left = report["faces_left"]
    assert (left["status"], left["from_lives"], left["by_lives"]) == ("range", True, False)
    assert left["lives_sign"] == ""
    shape, _, scale = weibull_min.fit(LASTED, floc=0)
    middle = [weibull_min.median(shape, scale=scale), lognorm.median(np.std(np.log(LASTED)), scale=gmean(LASTED))]
    assert min(middle) - 4 - 1 < left["median"] < max(middle) - 4 + 1
    assert 12 < left["low"] < 20 and 28 < left["high"] < 38, left
    assert left["sentence"] == f"{left['low']:.0f} to {left['high']:.0f} faces left, as past cycles lasted"
    assert (left["past_cycles"], left["own_faces"], left["part"], left["others"]) == (8, 0, "", [])
    assert report["sentence"].startswith(f"L1: plan its reconditioning; {left['sentence']}. Final flatness hides the")
    assert report["confidence"] == (
        "90% range; it rests on how long cycles of L1 lasted until 8 of them were found worn, and on no reading: "
        "flatness is logged only when a face is good and hides the wear; log the first reading of every face, or how "
        "many passes it took"
    )
    shift = run(path, "due").output
    assert left["sentence"] in shift and "may not last" not in shift
    run(path, "handover", "--format", "json", "--out", str(tmp_path / "handover"))
    assert left["sentence"] in (tmp_path / "handover.json").read_text()


def test_minutes_that_go_with_the_life_say_how_far_a_cycle_has_come(tmp_path):
    """Two running cycles of 14 faces, one to be worn at 20, one at 40: minutes double from fresh to worn."""
    left = []
    for life in (20, 40):
        fault = until_good(12, passes_logged=False, lasting=(*LASTED, life))
        cell = PlantedCell(5, cycles=9, faces=(*LASTED, 0), last=14, fault=fault)
        (tmp_path / f"{life}").mkdir()
        path = cell.store(tmp_path / f"{life}", limit="0.8 um")
        report = told(path, "due", "--lap", "L1")
        left.append(report["faces_left"])
        assert left[-1]["low"] <= life - 14 <= left[-1]["high"], left[-1]
        assert (left[-1]["from_lives"], left[-1]["lives_sign"]) == (True, "minutes")
        assert left[-1]["sentence"].endswith("faces left, as past cycles and their minutes went")
        assert "found worn, and on how minutes per face went in them and in this one: " in report["confidence"]
        assert "too few to say" not in report["sentence"]
        assert left[-1]["sentence"] in run(path, "due").output
    assert left[0]["high"] < left[1]["median"] and left[0]["high"] - left[0]["low"] < 12


def test_lives_that_nobody_called_worn_are_said_to_be_so(tmp_path):
    cell = PlantedCell(
        5, cycles=9, faces=(*LASTED, 0), last=4, reason="by Bo",
        fault=until_good(12, passes_logged=False, lasting=[0] * 9),
    )  # fmt: skip
    report = told(cell.store(tmp_path, limit="0.8 um"), "due", "--lap", "L1")
    assert (
        "until 8 of them were found worn (8 of these with no reason logged), and on no reading"
        in (report["confidence"])
    )


def test_a_lap_without_a_limit_has_faces_left_as_past_cycles_lasted_and_is_asked_for_one(tmp_path):
    path = PlantedCell(5, cycles=9, faces=(*LASTED, 0), last=3).store(tmp_path, limit="")
    report = told(path, "due", "--lap", "L1")
    left = report["faces_left"]
    assert (left["from_lives"], left["lives_sign"]) == (True, "flatness")
    assert "faces left, as past cycles and their flatness went" in report["sentence"]
    assert "found worn, and on how first flatness went in them and in this one: " in report["confidence"]
    assert report["confidence"].endswith("no limit is set for this part: enter its limit, then the forecast follows")
    run(path, "parts", "set", "*", "flatness", "1 um", "--who", "QE")
    assert not told(path, "due", "--lap", "L1")["faces_left"]["from_lives"]


def test_a_first_pass_that_is_not_logged_counts_as_over_the_limit(tmp_path):
    """Only the last pass is logged, with its number: 0.45 um growing 3.5 % a face has 0.8 um in sight at 16 faces."""
    cell = PlantedCell(5, faces=30, last=12, fault=until_good(12, passes_logged=True))
    path = cell.store(tmp_path, limit="0.8 um")
    report = told(path, "due", "--lap", "L1")
    assert report["lead_sign"] == "flatness"
    assert any("lapped again after a pass that is not logged" in line for line in report["data_health"])
    truth = np.log(0.8 / 0.45) / 0.035 - 12
    assert report["faces_left"]["low"] <= truth <= report["faces_left"]["high"]
    assert re.search(r"\d+ of \d+ good at the first pass", report["answers"][1]["answer"])


def test_which_lap_serves_is_answered_alike_on_every_page(tmp_path):
    """Of L1 only the pass that ended well is logged; of L2 every reading, some of them over the limit."""
    hidden = until_good(1, passes_logged=False)

    def fault(lap, cycle, age, row):
        return hidden(lap, cycle, age, row) if lap == "L1" else None

    path = PlantedCell(6, laps=("L1", "L2"), rate=0.04, fault=fault).store(tmp_path, limit="0.8 um")
    said = {told(path, "due", "--lap", lap)["answers"][1]["answer"] for lap in ("L1", "L2")}
    assert len(said) == 1 and "how many were good at the first pass cannot be told" in said.pop().lower()


def test_the_plan_of_breaks_names_the_laps_whose_faces_left_no_reading_tells(tmp_path):
    """Nobody is told that no lap needs a break where nothing but past cycles, or nothing at all, says how long."""
    hidden = until_good(12, passes_logged=False)

    def fault(lap, cycle, age, row):
        return hidden(lap, cycle, age, row) if lap == "L1" else None

    (tmp_path / "alone").mkdir()
    alone = PlantedCell(5, faces=30, last=26, fault=hidden).store(tmp_path / "alone", limit="0.8 um")
    both = PlantedCell(5, laps=("L1", "L2"), rate=0.005, fault=fault).store(tmp_path, limit="0.8 um")
    notes = [
        Board(path, load_settings(path.parent / "lapcell.toml")).shift().slots_note for path in (alone, both)
    ]  # fmt: skip
    assert notes[0] == "No plan: of no lap in use do the readings tell when a limit is reached."
    assert notes[1].endswith(" Not in this plan: L1, whose readings do not tell when a limit is reached.")
