"""What is shown of the causes of one lap, and when a part number accounts for its signals."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from spc.board import lap_diagnosis
from spc.board.causes import CAUSES_SHOWN, diagnose, read_pattern
from spc.board.lap_diagnosis import as_sentence, part_that_moved, shown_causes
from spc.board.moved_parts import MovedPart
from tests.dashboard.fixtures import signal


@pytest.mark.parametrize("rank", range(6))
def test_unknown_is_shown_however_unlikely_and_the_likeliest_before_it(rank):
    found = diagnose(read_pattern((), scratch=False, also={"flatness": "up"}))
    others = [cause for cause in found.causes if cause.name != "unknown"]
    unknown = next(cause for cause in found.causes if cause.name == "unknown")
    shown = shown_causes(replace(found, causes=(*others[:rank], unknown, *others[rank:])))
    assert len(shown) == CAUSES_SHOWN and shown.count(unknown) == 1
    assert [cause for cause in shown if cause is not unknown] == others[: CAUSES_SHOWN - 1]


def test_a_part_that_moved_accounts_only_for_laps_of_it_that_nothing_else_calls(monkeypatch):
    part = MovedPart("P1", ("CI-1", "CI-2"))
    monkeypatch.setattr(lap_diagnosis, "moved_part", lambda view, cell: part)
    view = cell = SimpleNamespace()
    slow, flat = signal(sign="minutes"), signal(sign="flatness")
    assert part_that_moved(view, cell, "CI-1", (slow, signal(sign="removal rate"))) is part
    assert part_that_moved(view, cell, "CI-1", (slow, flat)) is None
    assert part_that_moved(view, cell, "CI-1", ()) is None
    assert part_that_moved(view, cell, "DI-1", (slow,)) is None


def test_a_sentence_begins_large_and_ends_with_one_stop():
    assert [as_sentence(text) for text in ("it stays", "It stays.", "")] == ["It stays.", "It stays.", "."]
