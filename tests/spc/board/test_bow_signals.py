import math
from dataclasses import replace

import numpy as np
import pytest

from spc.board.bow_signals import bow_of_rows, bow_signal, form_signals, twist_signal
from spc.wear.cycle import number_cycles
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def rows(drift, n=12):
    bow = 0.5 + drift * np.arange(n)
    faces = [
        {"flatness_low_um": max(abs(b) - 0.05, 0.0), "flatness_high_um": abs(b) + 0.05, "sort_us": hours(i),
         "shape": "convex" if b > 0 else "concave"}
        for i, b in enumerate(bow)
    ]  # fmt: skip
    return number_cycles(faces_frame(faces), events_frame([{"event": "reconditioned", "sort_us": hours(-1)}]))


def test_a_turning_lap_signals_before_it_is_flat():
    numbered = rows(-0.035)
    found = bow_signal("A", numbered, bow_of_rows(numbered), shift_us=0)
    assert found.sign == "bow"
    assert (found.face_id, found.since_face_id, found.since_faces, found.age_faces) == (12, 1, 11, 11)
    assert found.sentence.startswith("A: the form is turning: convex at first")
    assert math.isnan(found.p_value)  # nothing is said under a model of no turn


def test_a_steady_lap_and_too_few_readings_do_not():
    for numbered in (rows(0.0), rows(-0.035, n=3), rows(0.0).iloc[:0]):
        assert bow_signal("A", numbered, bow_of_rows(numbered), shift_us=0) is None


def test_the_same_rows_give_the_same_answer():
    assert bow_of_rows(rows(-0.03)).chance_turning == bow_of_rows(rows(-0.03)).chance_turning


@pytest.mark.parametrize(("begins", "spoke"), [(11.5, 12), (10.5, 11), (2.5, 12), (-1.0, 12)])
def test_a_form_seen_turning_before_the_shift_spoke_before_it(begins, spoke):
    numbered = rows(-0.035)
    found = bow_signal("A", numbered, bow_of_rows(numbered), shift_us=int(hours(begins)))
    assert (found.face_id, found.spoke_face_id) == (12, spoke)


def test_faces_that_begin_to_read_as_twist_are_told_with_the_cheapest_check():
    numbered = rows(0.0, n=20)
    numbered.loc[numbered.index[14:], "shape"] = "twist"
    found = twist_signal("A", numbered, cycle_now=1, shift_us=int(hours(18.5)))
    assert (found.sign, found.face_id, found.since_face_id, found.spoke_face_id) == ("bow", 20, 15, 19)
    assert found.sentence.startswith(
        "A: 6 of its last 6 faces read as twist, 0 of 14 before. Look first at how the part is held and at the ring"
    )
    assert twist_signal("A", numbered.iloc[:15], cycle_now=1, shift_us=0) is None  # one face is none
    assert twist_signal("A", numbered.iloc[:0], cycle_now=1, shift_us=0) is None


def test_of_a_turn_and_a_twist_what_spoke_last_says_when_it_is_new():
    numbered = rows(-0.035)
    turning = bow_signal("A", numbered, bow_of_rows(numbered), shift_us=0)
    twist = replace(turning, rule="the faces read as twist", sentence="A: 4 of 4.", since_face_id=9, spoke_face_id=7)
    (both,) = form_signals(replace(turning, spoke_face_id=3), twist, place=int)
    assert both.sentence == f"{turning.sentence} Beside it, 4 of 4."
    assert (both.since_face_id, both.spoke_face_id) == (1, 7)
    assert form_signals(None, twist, place=int) == (twist,) and form_signals(turning, None, place=int) == (turning,)
    assert form_signals(None, None, place=int) == ()
