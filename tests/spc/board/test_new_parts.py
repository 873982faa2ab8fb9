"""A part number that a lap has not met before: nothing of it is put down to the lap, and it is said to be new."""

from tests.spc.commands.planted_cell import PlantedCell, run, told

LAPS = ("L1", "L2")


def new_part(lap, cycle, age, row):
    """Two parts take turns; of the last cycle every other face is a new one that takes far longer."""
    row["part"], longer = (("P1", 1.0), ("P2", 1.3))[age % 2]
    if cycle == 4 and age >= 8 and age % 2:
        row["part"], longer = "P3", 2.4
    row["minutes"] = f"{longer * float(row['minutes']):.1f}"


def test_no_lap_is_called_for_a_part_that_takes_longer_from_its_first_face(tmp_path):
    path = PlantedCell(11, laps=LAPS, fault=new_part).store(tmp_path)
    shift = told(path, "due")
    assert [(lap["lap"], s["sign"]) for lap in shift["laps"] for s in lap["signals"]] == []
    for lap in shift["laps"]:
        assert any(line.startswith("P3 has no usual") and "lapping time" in line for line in lap["data_health"])
    chart = run(path, "chart", "L1", "--sign", "minutes")
    assert "P3 has no usual lapping time here yet: each face of it is put against its own before." in chart.output


def test_a_lap_that_slows_down_on_a_part_is_called_once_the_part_is_known(tmp_path):
    def slower(lap, cycle, age, row):
        new_part(lap, cycle, age, row)
        if (cycle, lap) == (4, "L1") and age >= 16:
            row["minutes"] = f"{1.8 * float(row['minutes']):.1f}"

    shift = told(PlantedCell(11, laps=LAPS, last=24, fault=slower).store(tmp_path), "due")
    assert {lap["lap"] for lap in shift["laps"] for s in lap["signals"] if s["sign"] == "minutes"} == {"L1"}


def test_a_cycle_that_begins_with_a_new_part_on_a_lap_of_one_part_is_told_without_a_fault_of_the_program(tmp_path):
    """Of P2 nothing is known at its first face, nor of its cycle: nothing is worked out from nothing."""

    def other(lap, cycle, age, row):
        row["part"] = "P2" if cycle == 4 else "P1"

    path = PlantedCell(1, fault=other).store(tmp_path)
    assert told(path, "due")["laps"][0]["signals"] == []
    for sign in ("flatness", "minutes", "finish"):
        first = told(path, "chart", "L1", "--sign", sign)["readings"][-20]
        assert (first["limit"], first["z"]) == (None, 0.0)  # a first face of a part has no limit yet
