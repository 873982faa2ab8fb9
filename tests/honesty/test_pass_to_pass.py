"""A face that did not change from pass to pass is seldom said to be better or worse, and a real change is told."""

from collections import Counter

import numpy as np
import pytest

from spc.board.answers import pass_to_pass
from spc.board.pass_scatter import pass_scatter
from tests.honesty.table import honesty_size
from tests.spc.wear.made_up_log import faces_frame

CELLS = 120 if honesty_size() == "full" else 60  # of these a share of 0.05 is met to 0.028
SD_UM = 0.03  # of one reading


def answers(rng, *, change_um, earlier, part_sd_um, passes=2):
    """First words of the answer on laps whose faces change by so much from pass to pass."""
    found = Counter()
    frame = faces_frame([{"flatness_um": 0.5}] * (passes * (earlier + 1)))
    frame["cycle"] = 1
    frame["serial"] = np.repeat([f"S{n}" for n in range(earlier + 1)], passes)
    frame["attempt"] = np.tile(np.arange(1, passes + 1), earlier + 1)
    for _ in range(CELLS):
        true = np.repeat(rng.normal(0.8, part_sd_um, earlier + 1), passes) + change_um * (frame["attempt"] - 1)
        read = np.round(true + rng.normal(0, SD_UM, len(frame)), 2)
        lap = frame.assign(flatness_low_um=read - 0.005, flatness_high_um=read + 0.005)
        found[pass_to_pass(lap, scatter=pass_scatter(lap)).split(":")[0].split(" ")[0]] += 1
    return found


@pytest.mark.parametrize(
    ("earlier", "part_sd_um", "passes"), [(14, 0.08, 2), (14, 0.0, 2), (60, 0.08, 3), (5, 0.08, 2), (3, 0.08, 3)]
)
def test_no_change_is_seldom_called_one(earlier, part_sd_um, passes):
    rng = np.random.default_rng(earlier + passes)
    found = answers(rng, change_um=0.0, earlier=earlier, part_sd_um=part_sd_um, passes=passes)
    assert found["Better"] + found["Worse"] + found["Up"] <= 0.1 * CELLS


@pytest.mark.parametrize(("change_um", "word"), [(-0.2, "Better"), (0.2, "Worse")])
def test_a_change_beyond_the_scatter_is_told(change_um, word):
    found = answers(np.random.default_rng(3), change_um=change_um, earlier=40, part_sd_um=0.08)
    assert found[word] >= 0.95 * CELLS
