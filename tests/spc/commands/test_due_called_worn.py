"""`lapcell due` where people called past cycles worn long before flatness was at its limit."""

import numpy as np
import pytest

from tests.spc.commands.planted_cell import PlantedCell, told

LASTED = (24, 31, 27, 35, 22, 29, 33, 26)  # faces of each past cycle
SAID = (
    "8 of 8 past cycles were called worn after 22 to 35 faces, less than half way to the limit by its readings: they "
    "could have gone on, or it is not flatness that wears first"
)


def confidence(tmp_path, *, growth, faces=LASTED, reason="worn", last=20):
    rng = np.random.default_rng(3)

    def fault(lap, cycle, age, row):
        row["flatness um"] = f"{0.45 * np.exp(growth * age + 0.1 * rng.normal()):.2f}"

    cell = PlantedCell(5, cycles=len(faces) + 1, faces=(*faces, 0), last=last, reason=reason, fault=fault)
    return told(cell.store(tmp_path, limit="0.8 um"), "due", "--lap", "L1")["confidence"]


def test_cycles_called_worn_while_flatness_hardly_moves_are_told_beside_the_range(tmp_path):
    assert confidence(tmp_path, growth=0.001).endswith(f"; {SAID}")


@pytest.mark.parametrize(
    "cell",
    [
        {"growth": 0.02},  # at its limit after some 29 faces, as people said
        {"growth": 0.01},  # after some 58: they recondition in good time
        {"growth": 0.001, "reason": "planned"},
        {"growth": 0.001, "reason": "by Bo"},  # nobody said why
        {"growth": 0.001, "faces": (24, 31)},
    ],
)
def test_nothing_is_said_where_flatness_agrees_or_nobody_called_them_worn(tmp_path, cell):
    found = confidence(tmp_path, **cell)
    assert found and "called worn" not in found
