"""One part number that has become harder is told as that part; laps that slow down on all parts are told as laps."""

import pytest

from tests.spc.commands.planted_cell import PlantedCell, told

LAPS = ("L1", "L2", "L3")


def cell(folder, slower):
    def fault(lap, cycle, age, row):
        row["part"], longer = (("P1", 1.0), ("P2", 1.3))[age % 2]
        late = cycle == 4 and age >= 12
        row["minutes"] = f"{longer * (1.8 if late and slower(lap, row['part']) else 1.0) * float(row['minutes']):.1f}"

    shift = told(PlantedCell(5, laps=LAPS, fault=fault).store(folder, limit="3 um"), "due")
    return {lap["lap"]: lap for lap in shift["laps"] if any(s["sign"] == "minutes" for s in lap["signals"])}


def test_a_part_that_takes_longer_on_several_laps_is_told_as_that_part(tmp_path):
    called = cell(tmp_path, lambda lap, part: part == "P2")
    assert len(called) >= 2
    for lap, report in called.items():
        assert report["sentence"].startswith(f"Look at P2 first, then at {lap}, before the next lot.")
        assert report["causes"][0]["name"] == "part mix or more stock to remove"
        assert (
            "P2 takes longer lately on L1, L2 and L3, other parts there as ever: look at P2 first." in report["reasons"]
        )


@pytest.mark.parametrize("slow", [("L1",), ("L1", "L2")])
def test_laps_that_slow_down_on_all_parts_are_no_part(tmp_path, slow):
    called = cell(tmp_path, lambda lap, part: lap in slow)
    assert set(called) == set(slow)
    for lap, report in called.items():
        assert report["sentence"].startswith(f"Look at {lap} before the next lot.")
        assert not any("takes longer lately" in reason for reason in report["reasons"])
