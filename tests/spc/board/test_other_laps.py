"""A face that one lap left bad and another lapped good: the second lap is not blamed for the first one's pass."""

import pandas as pd

from spc.board.lap_memo import LapMemo
from spc.board.other_laps import with_passes_elsewhere
from tests.spc.commands.planted_cell import PlantedCell, told
from tests.spc.wear.made_up_log import faces_frame, hours


def _moved_over(at_least_um):
    """Faces that read so much on L1 are lapped again on L2 a few minutes later, and are good there."""

    def fault(lap, cycle, age, row):
        if lap == "L2":
            row["flatness um"] = f"{0.3 + 0.01 * (age % 7):.2f}"
            return [moved.pop(0) | {"time": row["time"]}] if moved and moved[0]["time"] < row["time"] else None
        if float(row["flatness um"]) >= at_least_um:
            moved.append(row | {"lap": "L2", "attempt": "2", "flatness um": f"{0.3 + 0.01 * (age % 5):.2f}"})
        return None

    moved = []
    return fault


def test_a_lap_is_not_blamed_for_faces_that_another_left_bad(tmp_path):
    cell = PlantedCell(3, laps=("L1", "L2"), rate=0.05, fault=_moved_over(0.8))
    path = cell.store(tmp_path, limit="0.8 um")
    assert sum(row.get("attempt") == "2" for row in cell.rows) > 20
    chart = told(path, "chart", "L2", "--sign", "re-lap share")
    assert chart["sentence"].startswith("0 of ") and "in earlier cycles 0 of " in chart["sentence"]
    report = told(path, "due", "--lap", "L2")
    assert not any("lapped again" in said for said in report["data_health"])
    serves = dict((one["question"], one["answer"]) for one in report["answers"])["Which lap serves this face?"]
    first_passes = serves.split("L2: ")[1].split(" good at the first pass")[0].split(" of ")
    assert first_passes[0] == first_passes[1]


def test_a_pass_is_elsewhere_only_if_it_came_before_on_another_lap():
    def rows(lap, *passes):
        given = [{"lap": lap, "serial": serial, "attempt": n, "sort_us": hours(at)} for serial, n, at in passes]
        return faces_frame(given)

    memo = LapMemo()
    one, two = (
        rows("A", ("1", 1, 1), ("2", 1, 5), ("", 1, 1)),
        rows("B", ("1", 2, 2), ("2", 2, 4), ("", 2, 2), ("3", 1, 6)),
    )
    found = with_passes_elsewhere(memo, {"A": one, "B": two})
    assert found["A"] is one
    assert found["B"]["passes_elsewhere"].tolist() == [1, 0, 0, 0]
    again = with_passes_elsewhere(memo, {"A": one, "B": two})
    assert again["B"] is found["B"]  # nothing has changed: all that was made from it still holds
    grown = pd.concat([one, rows("A", ("3", 1, 7))], ignore_index=True)
    assert with_passes_elsewhere(memo, {"A": grown, "B": two})["B"] is found["B"]
