import json
import re

import numpy as np
import pytest
from click.testing import CliRunner

from spc.cli import cli
from spc.store.store import Store
from tests.spc.board.invented_cell import events_of, faces_of, fill


@pytest.fixture
def run(tmp_path):
    path = tmp_path / "cell.db"
    with Store.open(path) as store:
        fill(store, faces_of("K1", 160, np.random.default_rng(96), jump_at=120, jump=1.6), events_of("K1", 160))

    def invoke(*words):
        return CliRunner().invoke(cli, [*words, "--store", str(path)])

    return invoke


FREEZE = ("limits", "freeze", "K1", "--sign", "minutes", "--until", "2026-01-11", "--who", "Q. Reed", "--why", "week 1")


def test_freeze_list_show_replay(run):
    assert "No limits are frozen" in run("limits", "list").output
    done = run(*FREEZE)
    assert done.exit_code == 0
    assert "Revision 1 frozen" in done.output
    listed = json.loads(run("limits", "list", "--json").output)["revisions"]
    assert [(r["lap"], r["sign"], r["revision"], r["who"]) for r in listed] == [("K1", "minutes", 1, "Q. Reed")]
    assert listed[0]["limit"] is None
    of_part = {part: f"{limit:.4g}" for part, limit in listed[0]["part_limits"].items()}
    assert f"{of_part['ring seal']} to {of_part['gauge pin']} min by part" in run("limits", "list").output
    shown = run("limits", "show", "K1", "--sign", "minutes")
    assert all(f"  part {part}: limit {limit} min (usual " in shown.output for part, limit in of_part.items())
    assert shown.exit_code == 1  # a new revision is advised
    assert "to the last bit, those it was frozen from" in shown.output
    played = json.loads(run("limits", "replay", "2026-01-15", "--json").output)
    assert played["signals"]
    assert played["digest"] in run("limits", "replay", "2026-01-15").output


def test_chart_prints_its_claims_and_asks_for_a_person(run):
    run(*FREEZE)
    charted = run("chart", "K1", "--sign", "minutes", "--rules", "far out", "--last", "5")
    assert charted.exit_code in (0, 1)
    for words in ("Method: ", "Baseline: ", "By chance 1 face in", "Sees a lasting upward shift", "Rule added, "):
        assert words in charted.output
    assert re.search(r"Sees a lasting upward shift of [\d.]+ min to [\d.]+ min by part after about", charted.output)
    document = json.loads(run("chart", "K1", "--sign", "minutes", "--json").output)
    assert document["status"] == "frozen"
    assert len(document["readings"]) == 160
    assert document["readings"][0]["z"] is None  # before the limits: not judged
    assert document["change"]["face_ids"]


def test_leaving_a_face_out_needs_a_cause(run):
    bad = run(*FREEZE, "--leave-out", "12")
    assert bad.exit_code == 3
    assert "`--leave-out` must be FACE=CAUSE" in bad.stderr
    good = run(*FREEZE, "--leave-out", "12=bad wipe")
    assert good.exit_code == 0
    assert "left out: face 12, bad wipe" in run("limits", "show", "K1", "--sign", "minutes").output


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("chart", "K9"), "`lap` must be a lap of the store, got 'K9'"),
        (("limits", "show", "K1"), "no limits are frozen"),
        (("limits", "replay", "last week"), "`day` must be an ISO date"),
        (("limits", "freeze", "K1", "--last", "3", "--who", "a", "--why", "b"), "3 readings of flatness"),
        (
            ("limits", "freeze", "K1", "--sign", "wear", "--who", "a", "--why", "b"),
            "nothing to freeze",
        ),
        (
            ("limits", "freeze", "K1", "--sign", "re-lap share", "--who", "a", "--why", "b"),
            "nothing to freeze",
        ),
        (("limits", "freeze", "K1", "--since", "soon", "--who", "a", "--why", "b"), "`moment` must be an ISO date"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run, words, sentence):
    done = run(*words)
    assert done.exit_code == 3
    assert sentence in done.stderr
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("change", "n"),
    [
        (lambda f: f.assign(flatness_text="<0.5"), 90),
        (lambda f: f.assign(flatness_text="1", minutes=12.0), 90),
        (lambda f: f, 1),
        (lambda f: f, 2),
        (lambda f: f.iloc[::-1].reset_index(drop=True), 90),  # out of order
        (lambda f: f.assign(time_text="2026-01-05 09:00"), 90),  # one time for all
    ],
)
@pytest.mark.parametrize("sign", ["flatness", "minutes", "removal rate", "finish", "wear", "re-lap share"])
def test_poor_logs_get_an_answer_or_a_refusal_in_words(tmp_path, change, n, sign):
    path = tmp_path / "cell.db"
    with Store.open(path) as store:
        fill(store, change(faces_of("K1", n, np.random.default_rng(98))), events_of("K1", n))
    charted = CliRunner().invoke(cli, ["chart", "K1", "--sign", sign, "--store", str(path)])
    assert charted.exit_code in (0, 1), charted.output
    assert "K1: " in charted.output
    assert "nan" not in charted.output.lower()
    frozen = CliRunner().invoke(
        cli, ["limits", "freeze", "K1", "--sign", sign, "--who", "a", "--why", "b", "--store", str(path)]
    )
    assert frozen.exit_code in (0, 1, 3)
    assert "Traceback" not in frozen.output


UNDATED = """
absent = ["operator", "lap", "grit", "minutes", "finish"]
[columns.flatness]
header = "x"
unit = "um"
[constants]
lap = "big iron"
"""


def test_a_log_without_times_is_judged_by_frozen_limits_in_its_own_order(tmp_path):
    values = np.exp(0.4 * np.random.default_rng(3).normal(size=200)) * np.where(np.arange(200) < 120, 1.0, 2.5)
    (tmp_path / "map.toml").write_text(UNDATED)

    def run(*words, code=(0, 1)):
        done = CliRunner().invoke(cli, [*map(str, words), "--store", str(tmp_path / "s.db")])
        assert done.exit_code in code, done.output
        return done.output

    def take(n):
        (tmp_path / "x.csv").write_text("x\n" + "".join(f"{v:.2f}\n" for v in values[:n]))
        run("ingest", "--map", tmp_path / "map.toml", tmp_path / "x.csv")

    take(80)
    assert "`lapcell chart 'big iron' --kind individuals`" in run("chart", "big iron")
    assert "judges faces after face 80." in run("limits", "freeze", "big iron", "--who", "a", "--why", "b")
    take(200)
    readings = json.loads(run("chart", "big iron", "--json"))["readings"]
    assert [r["revision"] for r in readings] == [0] * 80 + [1] * 120
    assert not any(r["signal"] for r in readings[80:100]) and any(r["signal"] for r in readings[120:])
    assert "120 readings since differ from the baseline" in run("limits", "show", "big iron")
    assert "judges faces after face 200." in run(
        "limits", "freeze", "big iron", "--last", 60, "--who", "a", "--why", "b"
    )
    assert [r["revision"] for r in json.loads(run("chart", "big iron", "--json"))["readings"]] == [0] * 80 + [1] * 120
