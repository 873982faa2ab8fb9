"""Every kind of lap and of reading a cell uses can be logged: all values made up, nothing of the row is lost."""

import numpy as np
import pytest

from spc.log.rows import read_log
from spc.settings import Settings

LOG = """lap,lap material,grit,abrasive,part,minutes,flatness,unit,lamp,shape,method,coverage,finish (um),note
PP-1,paper on plate,P1200,silicon carbide paper,ring,5,7,um,,convex,indicator,,0.3,brass: light hand
CU-1,grooved copper,3 um,loose diamond,seal,8,0.5,band,helium,concave,optical flat,60%,0.03,
CI-1,cast iron,15 um,boron carbide,seal,8,1,bands,sodium,twist,optical flat,1,0.1,
DI-1,diamond-impregnated,6 um,,seal,8,<0.5,band,helium,flat,optical flat,0.5,0.05,carbide part
CE-1,ceramic,9 um,loose diamond,seal,8,12,uin,,,interferometer,,0.05,aluminium
ST-1,flat stone,F600,,seal,8,0.0004,mm,,convex,indicator,,0.2,
"""


@pytest.fixture(scope="module")
def rows():
    log = read_log(LOG.encode(), name="kinds.csv", settings=Settings())
    assert log.refused == "" and log.counts == {"blank": 0, "face": 6, "event": 0, "quarantine": 0}
    return log.rows.set_index("lap")


def test_kinds_of_lap_and_abrasive(rows):
    assert rows["material"].tolist() == [
        "paper on plate", "grooved copper", "cast iron", "diamond-impregnated", "ceramic", "flat stone",
    ]  # fmt: skip
    assert rows.loc["CU-1", "abrasive"] == "loose diamond" and rows.loc["PP-1", "grit"] == "P1200"


def test_kinds_of_reading(rows):
    assert rows["method"].tolist() == ["indicator", *["optical flat"] * 3, "interferometer", "indicator"]
    assert rows["shape"].tolist() == ["convex", "concave", "twist", "flat", "", "convex"]
    # half wavelengths: helium 587.56 nm, sodium 589.3 nm; 1 uin = 0.0254 um exactly
    middle = (rows["flatness_low_um"] + rows["flatness_high_um"]) / 2
    assert middle.to_numpy() == pytest.approx([7, 0.5 * 0.29378, 0.29465, 0.29378 / 4, 12 * 0.0254, 0.4], rel=1e-4)


def test_partial_coverage_and_notes_are_kept(rows):
    assert rows["coverage"].to_numpy() == pytest.approx([np.nan, 0.6, 1, 0.5, np.nan, np.nan], nan_ok=True)
    assert rows.loc["PP-1", "note"] == "brass: light hand" and rows.loc["CE-1", "note"] == "aluminium"


def test_a_column_nobody_knows_stays_in_the_row_s_own_text():
    log = read_log(b"lap,flatness um,part metal\nA,1,soft brass\n", name="extra.csv", settings=Settings())
    assert log.rows["raw"][0] == "A,1,soft brass" and any("part metal" in remark for remark in log.remarks)
