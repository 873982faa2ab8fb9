import json
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from spc.cli import cli
from spc.commands.files import file_name
from spc.store.store import Store
from tests.spc.report.invented_study import fill


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    path = tmp_path_factory.mktemp("cell") / "cell.db"
    with Store.open(path) as store:
        fill(store, cycles=3, faces=15)
        fill(store, part="=1+1", laps=("L1",), cycles=3, faces=15, seed=5)
    return path


@pytest.fixture
def run(cell):
    return lambda *words: CliRunner().invoke(cli, [*words, "--store", str(cell)])


def test_several_parts_in_one_batch_with_every_format(run, tmp_path):
    done = run("report", "PN-7", "=1+1", "--format", "html,pdf,xlsx,csv,json", "--out", str(tmp_path), "--json")
    assert done.exit_code == 1, done.stderr  # a performance, not a capability
    reports = json.loads(done.output)["reports"]
    assert [r["part"] for r in reports] == ["PN-7", "=1+1"]
    assert len(list(tmp_path.iterdir())) == 10 and {r["word"] for r in reports} == {"performance"}
    book = openpyxl.load_workbook(next(f for f in reports[1]["files"] if f.endswith(".xlsx")))
    assert not [c for s in book for row in s.iter_rows() for c in row if c.data_type == "f"]


def test_a_batch_on_two_processors_is_the_batch_of_one(run, tmp_path, monkeypatch):
    def batch(folder):
        done = run("report", "PN-7", "=1+1", "--format", "json", "--json", "--out", str(folder))
        assert done.exit_code == 1, done.stderr
        reports = json.loads(done.output)["reports"]
        documents = [json.loads(Path(report["files"][0]).read_text()) for report in reports]
        for document in documents:  # the moment of making is another one
            del document["made_at"]
            document["front"] = [line for line in document["front"] if line["name"] != "Made at"]
        return [report["part"] for report in reports], documents

    alone = batch(tmp_path / "a")
    monkeypatch.setattr("spc.commands.report._PER_WORKER", 1)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    assert batch(tmp_path / "b") == alone


def test_a_kept_study_is_written_again_to_the_same_bytes(run, cell, tmp_path):
    first, again = tmp_path / "a", tmp_path / "b"
    every = ("--format", "html,pdf,xlsx,csv,json")
    kept = run("report", "PN-7", "--save", "spring", "--who", "Q. Reed", "--out", str(first), *every)
    assert kept.exit_code == 1, kept.stderr
    with Store.open(cell) as store:
        fill(store, laps=("L2",), cycles=1, faces=6, seed=8, limit_um=0.9)
    back = run("report", "--study", "spring", "--out", str(again), *every)
    assert back.exit_code == 1, back.stderr
    names = sorted(f.name for f in first.iterdir())
    assert names == sorted(f.name for f in again.iterdir()) and len(names) == 5
    for name in names:
        assert (first / name).read_bytes() == (again / name).read_bytes(), name
    with Store.open(cell) as store:
        changed = {"flatness_low_um": 0.7, "flatness_high_um": 0.71, "flatness_text": "0.705"}
        store.correct_face(2, changed, who="Ann", reason="typed wrongly")
    told = json.loads(run("report", "--study", "spring", "--out", str(again), "--json").output)["reports"][0]
    assert told["changed"].startswith("1 reading of the list is corrected in the log since: face 2 ")
    assert b"corrected in the log since" in (again / "spring-1.html").read_bytes()
    listed = json.loads(run("report", "--list", "--json").output)["studies"]
    assert [(s["study"], s["version"], s["readings"], s["by"]) for s in listed] == [("spring", 1, 90, "Q. Reed")]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "name one PART or more, or a kept study"),
        (("PN-7", "--study", "spring"), "name one PART or more, or a kept study"),
        (("PN-7", "--version", "2"), "`--version` needs the name of a kept study"),
        (("nobody",), "no face of part 'nobody' is logged; logged are =1+1, PN-7"),
        (("PN-7", "--format", "doc"), "`--format` must be of html, pdf, xlsx, csv, json"),
        (("PN-7", "--units", "ells"), "`units` must be one of um, uin, bands"),
        (("PN-7", "--units", "bands"), "`units` bands need their lamp"),
        (("PN-7", "--language", "xx"), "`language` must be one of en, de, fr"),
        (("PN-7", "--paper", "A7", "--format", "pdf"), "`paper` must be one of A4, Letter"),
        (("PN-7", "--limit-um", "0"), "`limit_um` must be a finite length greater than 0"),
        (("PN-7", "--exclude", "4"), "`--exclude` must be FACE_ID=CAUSE"),
        (("PN-7", "--save", "x"), "`made_by` must name the person who keeps the study"),
        (("--study", "never kept"), "no study is kept as 'never kept'"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run, tmp_path, words, sentence):
    done = run("report", *words, "--out", str(tmp_path))
    assert done.exit_code == 3
    assert sentence in done.stderr and "Traceback" not in done.stderr
    assert not [f for f in tmp_path.rglob("*") if f.is_file()]


def test_handover_is_written(run, tmp_path):
    done = run("handover", "--format", "html,pdf", "--out", str(tmp_path / "page.html"), "--who", "A. Lead", "--json")
    assert done.exit_code in (0, 1), done.stderr
    assert sorted(f.name for f in tmp_path.iterdir()) == ["page.html", "page.pdf"]
    assert b"A. Lead" in (tmp_path / "page.html").read_bytes()


@pytest.mark.parametrize(
    ("text", "name"),
    [("PN-7", "PN-7"), ("a b", "a-b"), ("../x", "x-"), ("=1+1", "1-1-"), ("\u05d7", ""), ("N" * 99, "N" * 60)],
)
def test_a_file_name_is_plain_and_its_own(text, name):
    made = file_name(text)
    assert made.startswith(name) and made.replace("-", "").replace(".", "").isalnum() and len(made) <= 70
    assert "/" not in made and not made.startswith(".")


@pytest.mark.parametrize("limit", ["0 um", "-2 um", "-1"])
def test_a_limit_of_zero_or_less_is_one_sentence(run, limit):
    done = run("parts", "set", "PN-7", "flatness", limit, "--who", "QE")
    assert done.exit_code == 3 and done.stderr.startswith("lapcell: ") and done.stderr.count("\n") == 1
    assert "greater than 0" in done.stderr or "unit" in done.stderr
