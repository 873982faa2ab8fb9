"""What the form that freezes limits asks of the board."""

from contextlib import nullcontext
from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest

from dashboard.parts import freeze, said
from spc.board import frozen_limits
from spc.settings import Settings


@pytest.mark.parametrize(
    ("day", "ends"),
    [
        (date(2026, 3, 29), "2026-03-29T22:00Z"),  # 23 hours: summer time begins (Directive 2000/84/EC)
        (date(2026, 10, 25), "2026-10-25T23:00Z"),  # 25 hours
        (date(2026, 6, 1), "2026-06-01T22:00Z"),
        (None, None),
    ],
)
def test_the_last_day_of_a_list_is_taken_whole(monkeypatch, day, ends):
    asked = []

    def stop(store, settings, **options):
        asked.append(options["until_us"])
        raise ValueError("enough was asked")

    monkeypatch.setattr(frozen_limits, "freeze_limits", stop)
    monkeypatch.setattr(freeze.data, "open_store", nullcontext)
    monkeypatch.setattr(said, "refuse", lambda *words, **more: None)
    page = SimpleNamespace(site=Settings(time_zone="Europe/Copenhagen"))
    wanted = freeze._List(last=60, until=day, left_out={}, guarantee=False, knowingly=False)
    freeze._freeze(page, "L1", "flatness", "Q. Reed", wanted, why="settled", place="here")
    assert asked == [None if ends is None else pd.Timestamp(ends).value // 1000]
