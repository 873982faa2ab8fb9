"""What the form that freezes limits asks of the board."""

from contextlib import nullcontext
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from dashboard.parts import freeze, said
from spc.board import frozen_limits
from spc.settings import Settings
from spc.store.store import Store
from tests.dashboard.conftest import text
from tests.dashboard.test_proof_view import run
from tests.spc.board.invented_cell import DAY_US, START_US, events_of, faces_of, fill


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


def test_a_chart_whose_limits_differ_by_part_shows_each(empty_store):
    asked = {"lap": "K1", "who": "Q. Reed", "why": "first weeks", "knowingly": True}
    with Store.open(empty_store) as store:
        fill(store, faces_of("K1", 120, np.random.default_rng(90)), events_of("K1", 120))
        done = frozen_limits.freeze_limits(store, Settings(), sign="minutes", until_us=START_US + 6 * DAY_US, **asked)
        out = dict.fromkeys(done.analysis.model.face_ids[::2], "another part")
        frozen_limits.freeze_limits(
            store, Settings(), sign="flatness", until_us=START_US + 6 * DAY_US, excluded=out, **asked
        )
    told = {part: f"{limit:.3g} minutes" for part, limit in done.analysis.model.part_limits.items()}
    page = run(lap="K1", section="Chart", sign="minutes")
    revisions, parts = (one.value for one in page.dataframe if {"limit", "revision 1"} & set(one.value.columns))
    assert revisions["limit"].tolist() == [f"{told['ring seal']} to {told['gauge pin']}, by part"]
    assert dict(zip(parts["part"], parts["revision 1"], strict=True)) == told
    assert "Parts differ, so each has its own limit:" in text(page)
    page = run(lap="K1", section="Chart", sign="flatness")
    assert not any("revision 1" in one.value.columns for one in page.dataframe)
