"""The shift in figures: finished faces, and the share of them that was lapped again."""

from tests.spc.commands.planted_cell import PlantedCell, run, told


def again(lap, cycle, age, row):
    """Only the last pass of a face is written down, with its number."""
    row["attempt"] = str(1 + age % 2)


def test_faces_whose_first_pass_was_never_logged_are_counted(tmp_path):
    path = PlantedCell(1, cycles=2, faces=8, last=7, fault=again).store(tmp_path)
    shift = told(path, "due")
    assert shift["faces_this_shift"] == 15


def test_a_shift_of_further_passes_only_is_reported(tmp_path):
    def all_again(lap, cycle, age, row):
        row["attempt"] = "3"

    path = PlantedCell(1, cycles=1, last=3, fault=all_again).store(tmp_path)
    found = run(path, "due")
    assert found.exit_code < 2, found.output
    assert told(path, "due")["faces_this_shift"] == 3
