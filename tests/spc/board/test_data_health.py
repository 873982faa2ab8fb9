import numpy as np
import pytest

from spc.board.data_health import check_data_health, heaping_readers, whole_band_counts, widen_readings
from tests.spc.wear.made_up_log import faces_frame, hours

BAND_UM = 0.294


def bands(value, **more):
    low, high = max(value - 0.25, 0) * BAND_UM, (value + 0.25) * BAND_UM
    return {
        "flatness_low_um": low, "flatness_high_um": high, "flatness_text": f"{value:g}", "flatness_unit": "band"
    } | more  # fmt: skip


def kinds(rows):
    return {f.kind: f for f in check_data_health(faces_frame(rows))}


def healthy(n, rng, **more):
    return [
        bands(float(v), minutes=float(m), **more)
        for v, m in zip(rng.choice([0.5, 1.0, 1.5, 2.0], n), rng.integers(30, 90, n) / 10, strict=True)
    ]


def test_a_healthy_log_is_quiet():
    rng = np.random.default_rng(1)
    found = [kinds(healthy(60, rng)) for _ in range(40)]
    assert sum(map(bool, found)) <= 3


def test_identical_readings():
    found = kinds(healthy(10, np.random.default_rng(2)) + [bands(0.5, minutes=3 + i / 10) for i in range(15)])
    assert found["identical"].sentence.startswith("The last 1")
    assert found["identical"].sentence.endswith("all say 0.5 bands.")
    mixed = [bands(1.0, flatness_unit=unit) for unit in ("um", "band") * 8]
    assert kinds(mixed)["identical"].sentence.endswith("all say 1.")  # one number and two units: none is named


def widened(faces):
    return widen_readings(faces, heaping_readers([whole_band_counts(faces)]))


def test_heaping_is_told_as_a_share_and_widened_without_names():
    rng = np.random.default_rng(3)
    whole = [bands(float(v), minutes=3 + i / 7, operator="kim") for i, v in enumerate(rng.choice([1.0, 2.0, 3.0], 30))]
    rows = healthy(30, rng, operator="lee") + whole
    finding = kinds(rows)["heaping"]
    assert "1 of 2 readers" in finding.sentence
    assert "kim" not in finding.sentence
    assert (finding.count, finding.of) == (30, 30)
    faces = faces_frame(rows)
    wide = widened(faces)
    width = ((wide["flatness_high_um"] - wide["flatness_low_um"]) / BAND_UM).to_numpy()
    assert width[30:] == pytest.approx(1.0)
    assert width[:30] == pytest.approx(0.5)
    assert faces["flatness_high_um"].max() < wide["flatness_high_um"].max()  # the caller's frame stays


def test_copied_rows():
    rng = np.random.default_rng(4)
    rows = [row for row in healthy(15, rng) for _ in range(2)]
    assert "repeat every value of the row before" in kinds(rows)["copied"].sentence


def test_batch_typing_and_missing_minutes():
    rows = [bands(0.5 + 0.5 * (i % 3), sort_us=hours(i // 5)) for i in range(20)]
    found = kinds(rows)
    assert found["batch typing"].count == 20
    assert found["minutes missing"].sentence == "Minutes are missing on 20 of 20 faces (100%)."
    days = [row | {"time_text": f"2026-03-{2 + i // 5:02d}"} for i, row in enumerate(rows)]
    assert "batch typing" not in kinds(days)  # a day is no time that was typed in one go


def test_warm_zero_and_implausibly_fine_readings():
    rows = [bands(1.0, temperature_c=20.5)] * 5 + [bands(1.0, temperature_c=24.0)]
    assert kinds(rows)["warm"].count == 1
    assert kinds([{"flatness_um": 0.0}])["zero reading"].count == 1
    fine = kinds([{"flatness_um": 0.05, "method": "indicator"}, {"flatness_um": 0.5, "method": "indicator"}])
    assert (fine["too fine"].count, fine["too fine"].of) == (1, 2)
    assert "too fine" not in kinds([{"flatness_um": 0.05, "method": "interferometer"}])


@pytest.mark.parametrize("name", ["flatness", "finish", "thickness"])
def test_a_nought_far_below_all_others_is_asked_about(name):
    def row(value, step=0.01):
        low, high = max(value - step / 2, 0.0), value + step / 2
        return {f"{name}_low_um": low, f"{name}_high_um": high, f"{name}_text": f"{value:g}"}

    read = [row(0.4 + 0.01 * i) for i in range(20)]
    found = kinds([*read, row(0.0), row(0.0)])["zero apart"]
    assert (found.count, found.of) == (2, 22) and f"2 of 22 readings of {name} are 0" in found.sentence
    assert "zero apart" not in kinds(read)
    assert "zero apart" not in kinds([*read, row(0.0), row(0.02)])  # a reading near it: the face may be so
    assert "zero apart" not in kinds([*[row(0.5 * (i % 4), 0.5) for i in range(20)], row(0.0, 0.5)])  # half-band steps
    turning = [row(abs(0.05 * (i - 10))) for i in range(20)]  # read in steps of 0.05, typed to 0.01
    assert "zero apart" not in kinds(turning)


def test_an_empty_log_is_no_trouble():
    assert check_data_health(faces_frame([{}]).iloc[:0]) == ()


def test_fractions_are_halves_and_not_whole_bands():
    rows = [
        bands(value, flatness_text=text, operator="reader")
        for value, text in [(1.0, "1"), (1.5, "1½"), (2.5, "2 1/2")] * 20
    ]
    faces = faces_frame(rows)
    assert widened(faces)["flatness_high_um"].tolist() == faces["flatness_high_um"].tolist()


@pytest.mark.parametrize("at", [3, 12, 29])
def test_a_reading_tens_of_times_its_neighbours_is_asked_about(at):
    read = [0.2 + 0.01 * i for i in range(30)]
    rows = [{"flatness_um": v, "flatness_text": f"{v:.2f}", "flatness_unit": "um"} for v in read]
    assert "far off" not in kinds(rows)
    rows[at] |= {"flatness_um": 100 * read[at], "flatness_text": "25", "time_text": "2026-03-04 09:10"}
    told = kinds(rows)["far off"]
    assert told.sentence.startswith("The flatness of 25 um at 2026-03-04 09:10 is about 1")
    assert told.sentence.endswith(" times that of the faces around it: look at its decimal mark and unit.")
    other = [row | {"part": "P-wide"} if i == at else row for i, row in enumerate(rows)]
    assert "far off" not in kinds(other)  # another part number is none of its neighbours


def test_what_is_told_of_the_newest_rows_alone_says_so():
    rows = [bands(0.5, minutes=float("nan"), temperature_c=21.0 + 4 * (i % 2)) for i in range(40)]
    told = {f.kind: f.sentence for f in check_data_health(faces_frame(rows), last=30)}
    assert told["minutes missing"] == "Minutes are missing on 30 of the last 30 faces (100%)."
    assert told["warm"].startswith("15 of the last 30 readings were taken more than 2 K above")
    every = {f.kind: f.sentence for f in check_data_health(faces_frame(rows), last=40)}
    assert every["minutes missing"] == "Minutes are missing on 40 of 40 faces (100%)."
