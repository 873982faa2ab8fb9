"""What is made ready behind the first page: the same board that pages ask, and nothing that stops them."""

import subprocess
import sys

from dashboard import data, start
from spc.board import ahead, cell_view
from spc.store.store import Store


def test_the_first_page_finds_its_report_made(filled_store, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    start.make_ready(pause_s=0.0)
    now = data.snapshot()
    assert data.board(now).made

    def never(*_args, **_options):
        raise AssertionError("looked again")

    monkeypatch.setattr(cell_view, "look_at_cell", never)
    assert [report.lap for report in data.board(now).shift().laps] == ["CI-1", "DI-2"]


def test_forecasts_are_made_beside_only_where_they_can_be_handed_over(filled_store, tmp_path, monkeypatch):
    begun = []
    real = subprocess.Popen
    monkeypatch.setattr(ahead.subprocess, "Popen", lambda command: begun.append(command) or real(command))
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    start.make_ready(pause_s=0.0)
    assert not begun
    with Store.open(filled_store) as store:
        store.set_limit("*", "flatness", upper_um=0.9, upper_text="3 bands", who="QE")
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    start.make_ready(pause_s=0.0)
    (command,) = begun
    assert command == [sys.executable, "-P", "-m", "spc.board.ahead", str(filled_store), ""]
    assert list((tmp_path / "kept").glob("forecast-*"))


def test_a_store_that_cannot_be_read_is_left_to_the_page_to_say(empty_store):
    empty_store.write_bytes(b"not a store at all, whatever its name says" * 100)
    start.make_ready(pause_s=0.0)


def test_the_first_page_loads_nothing_that_only_a_report_needs():
    look = "import sys, dashboard.views.shift; print(sorted(set(sys.modules) & {*sys.argv[1:]}))"
    heavy = ["spc.report.made", "spc.report.handover_content", "spc.board.kept_studies", "matplotlib", "fpdf"]
    found = subprocess.run([sys.executable, "-c", look, *heavy], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
