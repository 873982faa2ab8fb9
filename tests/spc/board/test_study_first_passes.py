"""Which first and last passes a study takes, and what it says where the bad first passes were never logged."""

import numpy as np
import pytest

from tests.spc.commands.planted_cell import PlantedCell, told


def _only_good_passes(such):
    """Of such faces in every forty only the second pass is logged, and it is good."""

    def fault(lap, cycle, age, row):
        if (cycle * 24 + age) % 40 < such:
            row["attempt"] = "2"
        row["flatness um"] = f"{0.4 * np.exp(0.1 * rng.normal()):.2f}"
        return None

    rng = np.random.default_rng(8)
    return fault


@pytest.mark.parametrize(("such", "missing", "index"), [(16, 48, False), (1, 3, True)])
def test_no_index_is_read_off_the_first_passes_that_were_good(tmp_path, such, missing, index):
    path = PlantedCell(4, fault=_only_good_passes(such)).store(tmp_path, limit="0.6 um")
    study = told(path, "capability", "P1")
    why = "lapped again after a first pass whose reading is not logged"
    assert {"why": why, "readings": missing} in study["not_taken"] and study["n"] == 116 - missing
    (said,) = (one for one in study["refusals"] if one["name"] == "first passes not logged")
    assert said["sentence"].startswith(f"{missing} of 116 faces were lapped again") and study["word"] != "capability"
    assert (study["index"] is not None) == index == (said["bars"] == "capability")
    assert index or (study["whole_cycles"] is None and study["at_planned_age"] is None)


def test_a_first_pass_on_another_lap_is_logged(tmp_path):
    def fault(lap, cycle, age, row):
        if age % 3:
            return None
        first = row | {"lap": "L2", "flatness um": "0.90"}
        row["attempt"] = "2"
        return [first]

    study = told(PlantedCell(5, fault=fault).store(tmp_path), "capability", "P1")
    assert not any(one["name"] == "first passes not logged" for one in study["refusals"])


def test_last_passes_are_of_each_part_where_serial_numbers_begin_anew(tmp_path):
    """Forty numbers, over and over; one of them is lapped again each time: its first pass alone is not the last one."""

    def fault(lap, cycle, age, row):
        row["serial"] = str((cycle * 24 + age) % 40)
        if row["serial"] != "3":
            return None
        first = row | {"flatness um": "1.10"}
        row.update(attempt="2")
        return [first]

    path = PlantedCell(6, fault=fault).store(tmp_path)
    study = told(path, "capability", "P1", "--readings", "final")
    earlier = sum(one["readings"] for one in study["not_taken"] if one["why"].startswith("an earlier pass"))
    assert (study["n"], earlier) == (116, 3)
