"""A face over its limit is told as it was typed, beside its interval and the limit in the unit of the lap."""

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.guard_signals import over_limit_signals
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import BAND_UM, events_of, faces_of, fill

UM = {"flatness_text": "0.9", "flatness_unit": "um", "lamp": "", "flatness_low_um": 0.85, "flatness_high_um": 0.95}


@pytest.mark.parametrize(
    ("typed", "limit_um", "said"),
    [
        ({"flatness_text": "3", "flatness_unit": "band", "lamp": "helium"}, 2 * BAND_UM, "3 bands (2.5 bands or more)"),
        (UM, 2 * BAND_UM, "0.9 um (0.85 um or more)"),
    ],
)
def test_a_face_over_its_limit_is_told_in_one_unit(tmp_path, typed, limit_um, said):
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces_of("K1", 12, np.random.default_rng(2)), events_of("K1", 12))
        store.set_limit("*", "flatness", upper_um=limit_um, upper_text="2 bands", who="QE")
        at = pd.Timestamp("2026-01-07", tz="UTC")
        last = {"flatness_low_um": 2.5 * BAND_UM, "flatness_high_um": 3.5 * BAND_UM} | typed
        store.append_face({"lap": "K1", "part": "GB-15", "time_utc": at} | last, who="Ann")
    view, _, _ = Board(tmp_path / "cell.db", Settings(time_zone="UTC")).look()
    (signal,) = over_limit_signals(view, "K1")
    against = "2 bands" if typed["flatness_unit"] == "band" else "0.588 um"
    assert (
        signal.sentence == f"The last face read on K1 is over its limit: flatness {said} against {against} for GB-15."
    )
