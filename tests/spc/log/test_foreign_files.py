"""Files made by others, read through a column map; a few rows each, values as published."""

import numpy as np
import pytest

from spc.log.columns import load_column_map
from spc.log.rows import read_log
from spc.settings import Settings

# First rows of grinding.csv, plunge grinding of piston rings: Matheuscp98/Grinding, CC BY 4.0,
# DOI 10.5281/zenodo.17873859.
GRINDING = """Replicate,x1,x2,x3,x4,z1,z2,T1,T2,T3
1,0.15,50.0,33.0,0.02,1,A,5.0,47.0,15.0
2,0.15,50.0,33.0,0.02,1,A,6.0,50.0,14.0
3,0.15,50.0,33.0,0.02,1,A,5.0,54.0,14.0
"""
GRINDING_MAP = """
absent = ["operator", "grit", "minutes", "flatness", "finish"]
[columns.lap]
header = ["z1", "z2"]
[columns.thickness]
header = "T1"
unit = "um"
step = 1
"""
# First rows of data.csv, turned 12L14 steel: Matheuscp98/AISI12L14, CC BY 4.0; the fifth header is garbled there too.
TURNING = """Number,Vc,f,d,Ï•,VB,P,Replicate,Ra,Rz,Rq,Rt,Sm
1,220.0,0.08,0.7,D30,New,Live centre,1,3.82,17.66,4.54,19.66,183.0
3,220.0,0.12,0.7,D30,New,Live centre,1,4.11,15.34,4.53,16.89,337.0
"""
TURNING_MAP = """
absent = ["operator", "grit", "minutes", "flatness"]
[columns]
lap = "VB"
part = "Number"
[columns.finish]
header = "Ra"
unit = "um"
"""
# First rows of LITHOGRA.DAT, NIST Dataplot, public domain (NIST-PD); the width's unit is not in the file, um is ours.
LITHOGRAPHY = """CASSETTE,WAFER,SITE,LINEWIDT,RUNSEQ,LINEWIDT_CLEANED
1.0,1.0,1.0,3.199275,1.0,3.197275
1.0,1.0,2.0,2.253081,2.0,2.249081
"""
LITHOGRAPHY_MAP = """
absent = ["operator", "grit", "minutes", "finish"]
[columns]
lap = "CASSETTE"
[columns.serial]
header = ["CASSETTE", "WAFER", "SITE"]
[columns.flatness]
header = "LINEWIDT"
unit = "um"
"""


def read(text, plan):
    log = read_log(text.encode(), name="foreign.csv", settings=Settings(), column_map=load_column_map(plan))
    assert log.refused == ""
    return log


@pytest.mark.parametrize(
    ("text", "plan", "characteristic", "laps", "middle_um", "step"),
    [
        (GRINDING, GRINDING_MAP, "thickness", ["1-A"] * 3, [5, 6, 5], 1),
        (TURNING, TURNING_MAP, "finish", ["New"] * 2, [3.82, 4.11], 0.01),
        (LITHOGRAPHY, LITHOGRAPHY_MAP, "flatness", ["1.0"] * 2, [3.199275, 2.253081], 1e-6),
    ],
    ids=["grinding", "turning", "lithography"],
)
def test_foreign_file(text, plan, characteristic, laps, middle_um, step):
    log = read(text, plan)
    assert log.counts == {"blank": 0, "face": len(laps), "event": 0, "quarantine": 0}
    assert log.rows.lap.tolist() == laps
    low, high = log.rows[f"{characteristic}_low_um"], log.rows[f"{characteristic}_high_um"]
    assert ((low + high) / 2).to_numpy() == pytest.approx(middle_um)
    assert (high - low).to_numpy() == pytest.approx(np.full(len(laps), step))
    assert not any("no column for" in r for r in log.remarks)


def test_minutes_from_start_and_end_are_not_asked_for_as_well():
    text = "start,end,operator,lap,grit,flatness um,Ra um\n2026-03-04 06:10,2026-03-04 06:20,A,CI-1,15 um,0.3,0.1\n"
    log = read_log(text.encode(), name="ring.csv", settings=Settings())
    assert log.rows["minutes"].tolist() == [10] and "minutes are end minus start" in " ".join(log.remarks)
    assert not any("no column for" in told for told in log.remarks)


def test_without_a_map_a_foreign_file_is_refused_in_words():
    log = read_log(GRINDING.encode(), name="grinding.csv", settings=Settings())
    assert "no header is known" in log.refused and "give a column map" in log.refused
