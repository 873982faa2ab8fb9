import pytest

from tests.spc.commands.planted_cell import PlantedCell, told


def health(folder, grits, **cell):
    """What is odd about L1, four past cycles with 9 um, and a running one with `grits(age)`, or with '' as they are."""

    def fault(lap, cycle, age, row):
        row["grit"] = (cycle == 4 and lap == "L1" and grits(age)) or row["grit"]

    report = told(PlantedCell(1, fault=fault, **cell).store(folder), "due", "--lap", "L1")
    return report["data_health"]


@pytest.mark.parametrize(("typed", "name"), [("#400", "400 mesh"), ("9", "9"), ("JIS 2000", "JIS 2000")])
def test_a_change_to_a_grit_of_unknown_size_is_said_once_with_the_time_of_its_first_face(tmp_path, typed, name):
    assert health(tmp_path, lambda age: typed if age in (10, 11, 12, 18, 19) else "") == [
        f"At 2026-03-05 12:30 the grit went from 9 um to {name}, whose size is not known: say which scale it is of or "
        "write it in um; until then these faces borrow from no earlier cycle, and no guard can tell which of the two "
        "is coarser."
    ]


def test_a_cycle_begun_with_a_grit_of_unknown_size_is_said_to_stand_alone(tmp_path):
    assert health(tmp_path, lambda age: "#1200") == [
        "4 past cycles ran with 9 um, none with 1200 mesh, whose size is not known: they are kept apart; say which "
        "scale it is of or write it in um."
    ]


@pytest.mark.parametrize("typed", ["F600", "8-12 um"])
def test_another_name_of_the_same_rung_is_said_to_be_kept_apart(tmp_path, typed):
    assert health(tmp_path, lambda age: typed if age >= 10 else "") == [
        f"4 past cycles ran with 9 um, none with {typed}: they are kept apart; write one name if it is the same grit."
    ]


@pytest.mark.parametrize("typed", ["", "9µ", "3 um", "30 um"])
def test_the_same_grit_and_another_rung_say_nothing(tmp_path, typed):
    assert health(tmp_path, lambda age: typed) == []


def test_past_cycles_of_a_sister_with_that_name_are_borrowed_from(tmp_path):
    def fault(lap, cycle, age, row):
        row["grit"] = "#400" if lap == "L2" or (cycle == 4 and age >= 10) else "9 um"

    path = PlantedCell(1, laps=("L1", "L2"), fault=fault).store(
        tmp_path, settings='[[lap]]\nname = "L1"\ngroup = "one"\n[[lap]]\nname = "L2"\ngroup = "one"\n'
    )
    report = told(path, "due", "--lap", "L1")
    (said,) = report["data_health"]
    assert "9 um to 400 mesh, whose size is not known" in said and "borrow" not in said
