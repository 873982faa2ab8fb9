"""Laps scratched in one shift after one wash, or by the same hands at one bench, each name the others."""

import pytest

from spc.board import lap_diagnosis
from spc.board.board import Board
from spc.board.guard_signals import guard_signals
from spc.board.neighbours import hit_together_words
from spc.settings import load_settings
from tests.spc.commands.planted_cell import PlantedCell

LAPS = ("L1", "L2", "L3", "L4")


@pytest.fixture(params=[1, 2])  # in the first, a chart of minutes calls L1 by chance
def path(tmp_path, monkeypatch, request):
    """L1 and L2 washed together and scratched; L3 scratched by other hands; L4 by the hands at L1, not washed."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def scratched(lap, cycle, age, row):
        if cycle == 1:
            row["operator"] = {"L1": "Ann", "L2": "Bo", "L3": "Cy", "L4": "Ann"}[lap]
        if cycle == 1 and age >= 12:
            row["scratch"] = "yes"
        if cycle == 1 and lap in ("L1", "L2") and age == 12:
            return [{"time": row["time"], "lap": lap, "event": "cleaned"}]
        return None

    return PlantedCell(request.param, laps=LAPS, cycles=2, faces=20, last=14, fault=scratched).store(tmp_path, limit="")


def board_of(path):
    return Board(path, load_settings(path.parent / "lapcell.toml"))


def test_laps_of_one_wash_name_each_other_and_contamination_leads(path, monkeypatch):
    board = board_of(path)
    view, _, _ = board.look()
    said = {lap: [signal.sentence for signal in guard_signals(view, lap)] for lap in LAPS}
    wash, bench = "{}, washed when it was, is hit in the same shift too", "{}, lapped by the same hands, is hit in the "
    assert {lap: len(texts) for lap, texts in said.items()} == dict.fromkeys(LAPS, 1)
    (first,), (second,), (third,), (fourth,) = said.values()
    assert wash.format("L2") in first and bench.format("L4") in first
    assert wash.format("L1") in second and "the same hands, is hit" not in second
    assert "hit in the same shift" not in third  # neither washed with them nor lapped by their hands
    assert bench.format("L1") in fourth and fourth.endswith("look for one grain in what they share first.")
    together = board.lap("L1").causes[0]
    assert together.name == "coarse grain or contamination"
    assert "other laps of the same wash or bench hit too" in together.why
    monkeypatch.setattr(lap_diagnosis, "laps_hit_too", lambda view, call: {})
    unseen = {c.name: c.likelihood for c in board_of(path).lap("L1").causes}  # by the same readings of L1
    assert together.likelihood > unseen.get(together.name, 0.0) + 0.2


@pytest.mark.parametrize(
    ("hit", "words"),
    [
        ({}, ""),
        ({"A": "bench"}, "A, lapped by the same hands, is hit in the same shift too: look for one grain "),
        (
            {"A": "wash", "B": "bench", "C": "wash"},
            "A and C, washed when it was, are hit in the same shift too; B, lapped by the same hands, is hit ",
        ),
    ],
)
def test_words(hit, words):
    assert hit_together_words(hit).startswith(words)
    assert bool(hit_together_words(hit)) == bool(hit)
