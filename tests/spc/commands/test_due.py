"""`lapcell due` on invented cells whose fault is known: it must name what was planted, and only that."""

from tests.spc.commands.planted_cell import PlantedCell, run, told


def test_a_change_of_grit_is_no_drift(tmp_path):
    """A finer grit in mid-cycle takes longer: that is another stream, not a lap that has stopped cutting."""

    def finer(lap, cycle, age, row):
        if cycle == 4 and age >= 10:
            row |= {"grit": "3 um", "minutes": str(round(2.2 * float(row["minutes"]), 1))}
            if age == 10:
                return [{"time": row["time"], "lap": lap, "event": "grit changed", "grit": "3 um"}]

    path = PlantedCell(3, fault=finer).store(tmp_path)
    report = told(path, "due", "--lap", "L1")
    assert [s["sign"] for s in report["signals"]] == []
    wear = told(path, "chart", "L1", "--sign", "wear")
    assert len(wear["readings"]) == 10 and "3 um" not in report["sentence"]
    chart = run(path, "chart", "L1", "--sign", "minutes")
    assert "no earlier cycle of this lap ran with 3 um" in chart.output


def jump(lap, cycle, age, row):
    if cycle == 4 and age >= 12:
        row["flatness um"] = f"{2 * float(row['flatness um']):.2f}"


def test_fine_readings_of_a_short_cycle_are_searched_for_a_jump(tmp_path):
    """Readings to a hundredth of a micrometre seldom repeat: a jump among them must not be refused as coarse."""
    path = PlantedCell(0, fault=jump).store(tmp_path, limit="3 um")
    assert "Not wearing as usual: a jump, begun at face 109" in run(path, "chart", "L1", "--sign", "wear").output


def test_faces_far_off_are_called_unusual_where_their_kind_cannot_be_told(tmp_path):
    path = PlantedCell(4, fault=jump).store(tmp_path, limit="3 um")
    said = run(path, "chart", "L1", "--sign", "wear").output
    assert "whether it jumped, turned steeper or bent cannot be told yet" in said
