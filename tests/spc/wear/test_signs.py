import numpy as np
import pytest

from spc.measure.preston import BASES, basis_named
from spc.wear.cycle import number_cycles
from spc.wear.signs import face_signs
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def signs(rows):
    return face_signs(number_cycles(faces_frame(rows), events_frame([])))


def test_attempts_on_one_face_are_one_row_with_first_and_final_reading():
    face = {"serial": "1", "face": "A"}
    table = signs(
        [
            face | {"attempt": 1, "minutes": 4.0, "flatness_um": 0.9},
            face | {"attempt": 2, "minutes": 2.0, "flatness_um": 0.4},
            {"serial": "2", "face": "A", "minutes": 3.0, "flatness_um": 0.5},
        ]
    )
    assert table["passes"].tolist() == [2, 1]
    assert table["relapped"].tolist() == [True, False]
    assert table["first_high_um"].tolist() == [0.9, 0.5]
    assert table["final_high_um"].tolist() == [0.4, 0.5]
    assert table["minutes"].tolist() == [6.0, 3.0]


def test_a_logged_third_attempt_alone_counts_three_passes_and_unknown_minutes():
    table = signs([{"attempt": 3, "minutes": 4.0, "flatness_um": 0.4}])
    assert table["passes"].tolist() == [3]
    assert table[["minutes", "first_low_um"]].isna().all(axis=None)


def test_ratios_are_within_part_number():
    table = signs(
        [{"part": p, "minutes": m} for p, m in [("P1", 2.0), ("P2", 8.0), ("P1", 2.0), ("P2", 8.0), ("P1", 4.0)]]
    )
    assert table["minutes_ratio"].tolist() == [1, 1, 1, 1, 2]


def test_removal_rate_is_normalised_by_pressure_and_speed_where_known():
    faces = faces_frame([{"thickness_before_um": 110.0, "thickness_um": 100.0, "minutes": 5.0}] * 2)
    numbered = number_cycles(faces, events_frame([]))
    plain = face_signs(numbered)
    assert plain["rate_basis"].tolist() == ["", ""] and plain["rate_ratio"].tolist() == [1.0, 1.0]
    pressed = face_signs(numbered.assign(load_n=[20.0, 40.0], area_mm2=400.0, speed_m_per_s=0.5))
    assert pressed["rate_um_per_min"].tolist() == [2.0, 2.0]
    both = basis_named("pressure and speed")
    assert set(pressed["rate_basis"]) == {both.name}
    assert pressed[both.column].tolist() == pytest.approx([2 / 0.05 / 0.5, 2 / 0.1 / 0.5])
    assert pressed["rate_ratio"].tolist() == pytest.approx([80 / 60, 40 / 60])
    assert pressed[[basis.column for basis in BASES[1:-1]]].isna().all(axis=None)


def test_each_lap_is_told_on_its_own_basis_and_against_the_usual_on_that_basis():
    face = {"thickness_before_um": 110.0, "thickness_um": 100.0, "minutes": 5.0}
    loads = {"A": 20.0, "B": np.nan, "C": 40.0}
    rows = [face | {"lap": lap, "load_n": load, "area_mm2": 400.0} for lap, load in loads.items() for _ in range(5)]
    rows[3] |= {"load_n": np.nan}  # four of five of lap A still carry it
    table = signs(rows)
    assert table.groupby("lap")["rate_basis"].first().tolist() == ["pressure", "", "pressure"]
    of_lap = table.groupby("lap")["rate_ratio"]
    assert of_lap.first().tolist() == pytest.approx([40 / 20, 1.0, 1.0])  # the usual under load: 40, 40, 20 ...
    assert of_lap.count().tolist() == [4, 5, 5]  # the face without a load has no rate there


def test_growth_zero_minutes_and_open_readings_are_unknown_not_numbers():
    table = signs([{"thickness_before_um": 100.0, "thickness_um": 101.0, "minutes": 0.0, "finish_high_um": np.inf}])
    assert table[["rate_um_per_min", "minutes", "finish_um"]].isna().all(axis=None)


def test_repeats_are_left_out_and_empty_stays_empty():
    assert len(signs([{}, {"kind": "repeat"}])) == 1
    assert len(face_signs(number_cycles(faces_frame([{}]), events_frame([])).iloc[:0])) == 0


def test_faces_lapped_again_after_the_others_of_their_lot_are_one_row_each():
    """A lot is lapped face by face, read, and only then are those over the limit lapped again."""
    lot = [
        {"serial": str(n), "attempt": 1, "minutes": 4.0, "flatness_um": um} for n, um in ((1, 0.9), (2, 0.4), (3, 0.8))
    ]
    again = [{"serial": str(n), "attempt": 2, "minutes": 2.0, "flatness_um": um} for n, um in ((1, 0.5), (3, 0.7))]
    table = signs([*lot, *again, {"serial": "3", "attempt": 3, "minutes": 1.0, "flatness_um": 0.3}])
    assert table["face_id"].tolist() == [2, 4, 6]  # each at its last pass
    assert table["passes"].tolist() == [1, 2, 3] and table["relapped"].tolist() == [False, True, True]
    assert table["first_high_um"].tolist() == [0.4, 0.9, 0.8] and table["final_high_um"].tolist() == [0.4, 0.5, 0.3]
    assert table["minutes"].tolist() == [4.0, 6.0, 7.0]


def test_without_a_serial_number_only_passes_that_follow_each_other_are_of_one_face():
    table = signs([{"attempt": n, "flatness_um": 0.5, "part": part} for part, n in (("P1", 1), ("P2", 1), ("P1", 2))])
    assert table["passes"].tolist() == [1, 1, 2] and table["first_low_um"].isna().tolist() == [False, False, True]


def test_a_serial_number_used_again_begins_another_face():
    table = signs([{"serial": "1", "attempt": n, "flatness_um": 0.5} for n in (1, 2, 1, 2)])
    assert table["passes"].tolist() == [2, 2]


def test_a_pass_after_a_reconditioning_is_the_first_that_the_fresh_lap_did():
    """The face read over its limit, so the lap was reconditioned and the face lapped again: none is missing."""
    rows = [{"serial": "1", "attempt": 1, "flatness_um": 1.2}, {"serial": "1", "attempt": 2, "flatness_um": 0.4}]
    event = events_frame([{"event": "reconditioned", "sort_us": hours(0.1)}])
    table = face_signs(number_cycles(faces_frame(rows), event))
    assert table["cycle"].tolist() == [1, 2] and table["passes"].tolist() == [1, 1]
    assert table["relapped"].tolist() == [False, False] and table["passed_before"].tolist() == [False, True]
    assert table["first_low_um"].tolist() == [1.2, 0.4]


def test_passes_on_another_lap_count_for_no_pass_of_this_one():
    rows = [{"serial": str(n), "attempt": n, "flatness_um": 0.4} for n in (2, 3)]
    numbered = number_cycles(faces_frame(rows).assign(passes_elsewhere=[1, 1]), events_frame([]))
    table = face_signs(numbered)
    assert table["passes"].tolist() == [1, 2] and table["relapped"].tolist() == [False, True]
    assert table["passed_before"].tolist() == [True, True]
    assert table["first_low_um"].isna().tolist() == [False, True]
