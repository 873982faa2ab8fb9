import json
import re

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from scipy.stats import theilslopes

from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_chart import chart_report
from spc.board.wear_report import relap_report, wear_finding, wear_report
from spc.chart.stream import stream_of
from spc.chart.wear_chart import wear_chart
from spc.cli import cli
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import events_of, faces_of, fill


def look(tmp_path, change=None, n=200):
    faces = faces_of("K1", n, np.random.default_rng(97), growth=0.02)
    path = tmp_path / "cell.db"
    with Store.open(path) as store:
        fill(store, faces if change is None else change(faces), events_of("K1", n))
        view = look_at_cell(store, Settings())
    return view, chart_cell(view), path


def jumped(faces):
    bands = faces["flatness_text"].astype(float)
    return faces.assign(flatness_text=[f"{b if i < 180 else 5 * b + 1:g}" for i, b in enumerate(bands)])


def relapped(faces):
    """Every tenth face of the past, and every second one of the last thirty, needed a second pass."""
    again = np.where(np.arange(len(faces)) < 170, np.arange(len(faces)) % 10 == 0, np.arange(len(faces)) % 2 == 0)
    return faces.assign(attempt=np.where(again, 2, 1))


def turned(faces):
    """Convex, and less so from face to face of a cycle, then concave: read in steps of a fifth of a band."""
    bow = 2.0 - 0.1 * (np.arange(len(faces)) % 40)
    sizes = [f"{max(abs(b), 0.2):.1f}" for b in bow]
    return faces.assign(flatness_text=sizes, shape=np.where(bow > 0, "convex", "concave"))


def test_a_form_that_goes_through_flat_is_not_judged_by_its_size(tmp_path):
    view, cell, path = look(tmp_path, turned)
    report = wear_report(view, cell, "K1")
    assert report.status == "refused" and report.sentence.startswith("The form of K1 goes through flat in this cycle")
    assert wear_finding(view, cell, "K1") == report.baseline == report.alarms == report.by_itself == ""
    said = CliRunner().invoke(cli, ["chart", "K1", "--sign", "wear", "--store", str(path)]).output
    assert "goes through flat" in said and "beyond the limits" not in said


def turned_before(faces):
    """The same in the past; of the running cycle the form is not written, or it has not turned yet."""
    bow = 2.0 - 0.1 * (np.arange(len(faces)) % 40)
    rng = np.random.default_rng(5)
    sizes = [f"{max(abs(b) + 0.1 * rng.normal(), 0.2):.1f}" for b in bow]
    shape = np.where(bow > 0, "convex", "concave")
    return faces.assign(flatness_text=sizes, shape=np.where(np.arange(len(faces)) < 160, shape, ""))


@pytest.mark.parametrize("faces", [200, 166])
def test_past_cycles_that_went_through_flat_have_no_usual_growth(tmp_path, faces):
    view, cell, path = look(tmp_path, turned_before, n=faces)
    report = wear_report(view, cell, "K1")
    assert report.status == "refused" and "usually grows" not in report.sentence
    through = "in 4 of the 4 past cycles of K1 that say convex or concave the form went through flat"
    assert through in report.sentence
    assert "Look at which way it bends" in report.sentence and "drawn towards" not in report.method
    assert np.isnan(report.chart.upper).all() and report.chart.usual is None
    assert report.unusual.status == "refused" and wear_finding(view, cell, "K1") == ""
    by_size = chart_report(view, cell, "K1", "flatness")
    assert any(through in said for said in by_size.remarks) and "usual growth" not in by_size.method
    asked = CliRunner().invoke(cli, ["chart", "K1", "--sign", "wear", "--json", "--store", str(path)])
    told = json.loads(asked.stdout)
    assert asked.exit_code == 0 and told["called_faces"] == [] and {r["z"] for r in told["readings"]} == {None}


def test_a_lap_whose_form_nobody_writes_is_judged_by_its_size_though_that_of_a_sister_turned(tmp_path):
    own, sister = (faces_of(lap, 200, np.random.default_rng(97), growth=0.02) for lap in ("K1", "K2"))
    path = tmp_path / "cell.db"
    with Store.open(path) as store:
        store.set_limit("*", "flatness", upper_um=3.0, who="QE")
        events = pd.concat([events_of("K1", 200), events_of("K2", 200)])
        fill(store, pd.concat([own.assign(shape=""), turned(sister)]).sort_values("sort_us", kind="stable"), events)
        view = look_at_cell(store, Settings())
    cell = chart_cell(view)
    report = wear_report(view, cell, "K1")
    assert report.status == "ok" and "drawn towards 4 past cycles" in report.method
    assert not [said for said in chart_report(view, cell, "K1", "flatness").remarks if "went through flat" in said]
    assert wear_report(view, cell, "K2").status == "refused"
    asked = CliRunner().invoke(cli, ["due", "--lap", "K1", "--json", "--store", str(path)])
    left = json.loads(asked.stdout)["faces_left"]
    assert (left["status"], left["past_cycles"]) == ("range", 4)


def test_a_lap_that_wears_as_usual(tmp_path):
    report = wear_report(*look(tmp_path)[:2], "K1")
    assert report.status == "ok"
    assert "drawn towards 4 past cycles" in report.method
    assert report.unusual.status == "none"
    assert "It usually grows by +" in report.sentence


def test_what_the_cycle_shows_by_itself_is_its_own_slope(tmp_path):
    """A second route: each reading moved at random within its interval, then scipy's slopes of pairs."""
    view, cell, _ = look(tmp_path)
    report = wear_report(view, cell, "K1")
    own = stream_of(view.faces, lap="K1", sign="flatness")
    own = own.where(own.running())
    rng = np.random.default_rng(4)
    slopes = [theilslopes(rng.uniform(own.low, own.high), own.age_faces).slope for _ in range(200)]
    found = re.search(r"no trend shown by 40 readings \((\S+) to (\S+) um per face\); 90% interval", report.by_itself)
    low, high = (float(number) for number in found.groups())
    assert 0 <= low < np.quantile(slopes, 0.05) and np.quantile(slopes, 0.95) < high < 3 * np.quantile(slopes, 0.95)


def test_both_charts_say_baseline_alarms_and_what_they_see(tmp_path):
    view, cell, path = look(tmp_path, relapped)
    wear, share = wear_report(view, cell, "K1"), relap_report(view, cell, "K1")
    assert "the lines of 4 past cycles, 144 faces" in wear.baseline and "by chance one face in" in wear.alarms
    assert "a share of 10.2% of 161 faces" in share.baseline.replace("160 faces", "161 faces")
    assert "one false alarm in" in share.alarms
    assert "Sees a lasting rise of the share to 20.5% after about" in share.sees
    for sign in ("wear", "re-lap share"):
        text = CliRunner().invoke(cli, ["chart", "K1", "--sign", sign, "--store", str(path)]).output
        assert all(words in text for words in ("Method: ", "Baseline: ", "Sees a lasting "))
        document = json.loads(
            CliRunner().invoke(cli, ["chart", "K1", "--sign", sign, "--json", "--store", str(path)]).stdout
        )
        assert document["baseline"] and document["alarms"] and document["sees"]


def test_what_the_wear_chart_sees_is_what_counting_gives(tmp_path):
    report = wear_report(*look(tmp_path)[:2], "K1")
    usual, spread, alpha = report.chart.usual, report.chart.spread, report.chart.alpha
    share = int(
        re.search(r"(\d+)%; \+\d+% at once in \d+%, within 10 in \d+% of cases", report.sees)[1]
    )  # 2 sd, within 10
    rng, age, runs = np.random.default_rng(3), np.arange(20.0), 600
    seen = 0
    for _ in range(runs):
        y = rng.normal(usual.start, usual.start_sd) + rng.normal(usual.slope, usual.slope_sd) * age
        y += spread * (rng.normal(size=20) + 2.0 * (age >= 10))
        chart = wear_chart(age, y, usual=usual, alpha=alpha)
        seen += bool(np.any(((chart.value > chart.upper) | (chart.value < chart.lower))[10:]))
    assert abs(seen / runs - share / 100) < 4 * (0.25 / runs) ** 0.5 + 0.01


def test_a_jump_is_named_with_its_faces(tmp_path):
    report = wear_report(*look(tmp_path, jumped)[:2], "K1")
    assert "Not wearing as usual: a jump, begun" in report.sentence
    assert "from reading" not in report.sentence and "at reading" not in report.sentence  # told in faces of the cycle
    assert 181 in np.asarray(report.face_ids)[report.unusual.changes[0].set_start]


@pytest.mark.parametrize("change", [None, jumped, relapped])
def test_the_finding_by_itself_is_that_of_the_report(tmp_path, change):
    view, cell, _ = look(tmp_path, change)
    said, found = wear_report(view, cell, "K1").sentence, wear_finding(view, cell, "K1")
    assert (f"Not wearing as usual: {found}." in said) if found else ("Not wearing as usual" not in said)
    assert found.startswith("a jump, begun") == (change is jumped)


def test_a_rise_of_relaps_is_called(tmp_path):
    report = relap_report(*look(tmp_path, relapped)[:2], "K1")
    assert report.usual_share == pytest.approx(16.5 / 161)  # 16 of 160 faces of earlier cycles, Jeffreys
    assert " of 40 (2026-" in report.sentence and "A rise was first called at face" in report.sentence
    calm = relap_report(*look(tmp_path / "calm")[:2], "K1") if (tmp_path / "calm").mkdir() is None else None
    assert "No rise is called" in calm.sentence


def test_readings_of_few_values_name_nothing(tmp_path):
    coarse = wear_report(
        *look(tmp_path, lambda f: f.assign(flatness_text=np.where(f.index % 40 < 20, "0.5", "1")))[:2], "K1"
    )
    assert coarse.unusual.status == "refused"
    assert "take only 2 values: whether it jumped or grew through a step cannot be told" in coarse.sentence


def test_too_few_is_said(tmp_path):
    view, cell, _ = look(tmp_path, n=3)
    assert wear_report(view, cell, "K1").status == "refused"
    assert "0 faces of earlier cycles are too few" in relap_report(view, cell, "K1").sentence


def test_both_from_the_command_line(tmp_path):
    path = look(tmp_path, jumped)[2]
    said = CliRunner().invoke(cli, ["chart", "K1", "--sign", "wear", "--store", str(path)])
    assert said.exit_code == 1
    assert "Not wearing as usual" in said.output
    shares = CliRunner().invoke(cli, ["chart", "K1", "--sign", "re-lap share", "--json", "--store", str(path)])
    assert json.loads(shares.output)["called_faces"] == []
    refused = CliRunner().invoke(cli, ["chart", "K1", "--sign", "wear", "--part", "x", "--store", str(path)])
    assert refused.exit_code == 3
    assert "do not go with the sign 'wear'" in refused.stderr
