"""From a CSV log to the removal rate: a load that was changed is no fault of the lap where the log carries it."""

import numpy as np
import pytest

from spc.board.board import Board
from spc.board.frozen_limits import freeze_limits, show_revision
from spc.board.lap_chart import chart_of_lap
from spc.log.columns import load_column_map
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

RATE, PER = "removal rate", "um/min per N/mm2 and m/s"
COLUMNS = "time,operator,lap,grit,part,serial,face,minutes,flatness um,thickness before um,thickness um,event"
MONTHS = ("2026-04", "2026-05", "2026-06", "2026-07")  # enough newer faces to choose another basis by
PRESTON = 30.0  # um/min per N/mm2 and m/s
FACES, CYCLES, LATE = 20, 3, 8


def log(*, carried=True, load=60.0, late_load=60.0, late_share=1.0, without=0):
    """Cycles of one lap after Preston's law; the newest faces under another load, or with a lap that cuts less."""
    rng = np.random.default_rng(1927)
    lines = [COLUMNS + (",load N,area cm2,speed m/min" if carried else "")]
    for c in range(CYCLES):
        day = f"2026-03-{2 + 2 * c:02d}"
        lines.append(f"{day} 05:40,Lee,L1,15 um,,,,,,,,reconditioned" + ",,," * carried)
        for i in range(FACES):
            late = c == CYCLES - 1 and i >= FACES - LATE
            newton, share = (late_load, late_share) if late else (load, 1.0)
            minutes = 6 + round(rng.random(), 1)
            removed = share * PRESTON * (newton / 800) * 0.5 * minutes * (1 + 0.04 * rng.standard_normal())
            cells = [f"{day} {6 + i // 2:02d}:{30 * (i % 2):02d}", "Ann", "L1", "15 um", "P1", f"S{c}-{i}", "A"]
            cells += [f"{minutes:.1f}", f"0.4{i % 3}", f"{10_000 + removed:.1f}", "10000.0", ""]
            cells += (["", "", ""] if i < without else [f"{newton:g}", "8", "30"]) if carried else []
            lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def taken_in(store, text, name="log.csv"):
    result = ingest(store, text.encode(), name=name, settings=Settings())
    assert not result.refused and result.quarantined == 0
    return chart_of_lap(store, "L1", RATE, Settings())


def test_from_csv_to_removal_rate_per_pressure_and_speed(store, tmp_path):
    report = taken_in(store, log(late_load=30.0))
    faces = store.faces()
    assert faces.iloc[0][["load_n", "area_mm2", "speed_m_per_s"]].tolist() == [60.0, 800.0, 0.5]
    assert faces.iloc[-1][["load_text", "area_text", "speed_text"]].tolist() == ["30", "8", "30"]
    stream = report.replayed.stream
    middle = (stream.low + stream.high) / 2
    by_hand = (
        (faces["thickness_before_low_um"] - faces["thickness_low_um"]) / faces["minutes"]
        / (faces["load_n"] / faces["area_mm2"]) / faces["speed_m_per_s"]
    )  # fmt: skip
    assert middle == pytest.approx(by_hand.to_numpy(), rel=1e-9)
    # 60 faces with 4 % of noise: the mean lies within four standard errors of the constant planted.
    assert middle.mean() == pytest.approx(PRESTON, abs=4 * 0.04 * PRESTON / np.sqrt(60))
    assert stream.unit == PER and report.unit.name == PER and "shift of" in report.sees and PER in report.sees
    told = "removal rate per N/mm2 and m/s: all 60 faces carry load, contact area and speed"
    assert told in report.remarks
    assert report.signals == ()
    lap = Board(tmp_path / "lapcell.db", Settings()).lap("L1")
    assert f"{told[0].upper()}{told[1:]}." in lap.data_health
    assert not any(s.sign == RATE for s in lap.signals)


def test_the_same_readings_without_load_are_told_as_they_are_and_signal(store):
    report = taken_in(store, log(carried=False, late_load=30.0))
    assert report.replayed.stream.basis == "" and report.unit is None
    assert not any("removal rate" in remark for remark in report.remarks)
    assert report.signals


def test_a_lap_that_cuts_less_is_called_per_pressure_and_the_faces_without_are_left_out_in_words(store):
    report = taken_in(store, log(late_share=0.6, without=2))
    assert len(report.replayed.stream) == CYCLES * (FACES - 2)
    assert "54 of 60 faces carry load, contact area and speed, the others are left out" in report.remarks[0]
    assert any("6 faces carry no stock removed per minute at first pass per N/mm2 and m/s" in r for r in report.remarks)
    assert report.signals and PER in report.signals[0].sentence


def test_too_few_faces_with_a_load_keep_the_plain_rate_and_say_why(store):
    report = taken_in(store, log(without=8))
    assert report.replayed.stream.basis == "" and len(report.replayed.stream) == CYCLES * FACES
    assert report.remarks[0] == (
        "removal rate as it is, not per N/mm2: 36 of 60 faces carry load and contact area, four in five are needed"
    )


def test_frozen_limits_stay_on_the_basis_they_were_frozen_on(store):
    taken_in(store, log(without=8))  # plain by then
    frozen = freeze_limits(store, Settings(), lap="L1", sign=RATE, who="Q", why="start", knowingly=True)
    assert frozen.status == "frozen" and frozen.analysis.model.basis == "" and frozen.sentence.count("um/min;") == 1
    for month in MONTHS:
        report = taken_in(store, log().replace("2026-03", month).replace(",S", f",{month[-1]}-"), name=f"{month}.csv")
    assert report.status == "frozen" and report.replayed.stream.basis == ""
    assert "removal rate as it is: its limits were frozen so" in report.remarks
    assert show_revision(store, lap="L1", sign=RATE).same_data


def test_limits_frozen_per_pressure_and_speed_say_so_and_judge_on(store):
    taken_in(store, log())
    frozen = freeze_limits(store, Settings(), lap="L1", sign=RATE, who="Q", why="start", knowingly=True)
    assert frozen.analysis.model.basis == "pressure and speed" and PER in frozen.sentence
    for month in MONTHS:
        text = log(carried=False).replace("2026-03", month).replace(",S", f",{month[-1]}-")
        report = taken_in(store, text, name=f"{month}.csv")
    assert "removal rate per N/mm2 and m/s: its limits were frozen so" in report.remarks
    assert show_revision(store, lap="L1", sign=RATE).same_data
    assert len(report.replayed.stream) == CYCLES * FACES


def test_a_log_taken_in_before_the_columns_were_understood_is_read_anew(store, monkeypatch):
    plan = load_column_map("[columns]\nnote = 'load N'\n")
    text = log().encode()
    assert ingest(store, text, name="log.csv", settings=Settings(), column_map=plan).faces == CYCLES * FACES
    again = ingest(store, text, name="log.csv", settings=Settings())
    assert again.new_versions == CYCLES * FACES
    assert store.faces()["load_n"].tolist() == [60.0] * CYCLES * FACES
