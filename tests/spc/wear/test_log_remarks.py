import pandas as pd

from spc.wear.cycle import number_cycles
from spc.wear.log_remarks import log_remarks
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def remarks(faces, events):
    frame = events_frame(events)
    return log_remarks(number_cycles(faces_frame(faces), frame), frame)


START = {"event": "reconditioned", "sort_us": hours(-1)}


def test_a_sound_log_says_nothing():
    assert remarks([{"sort_us": hours(i)} for i in range(4)], [START]) == ()


def test_no_events_and_a_clock_that_jumps_back():
    times = [0, 1, 2, 0.5, 3]
    found = remarks([{"sort_us": hours(h), "row_number": i + 1} for i, h in enumerate(times)], [])
    assert found[0].startswith("The clock jumps back 1 time within a file, most by 1.5 hours at data row 4")
    assert found[1] == "A: no reconditioning is logged, so its age is counted from the first face logged."


def test_events_without_time_of_strange_laps_doubled_and_after_retiring():
    faces = [{"sort_us": hours(i)} for i in range(4)]
    timeless = START | {"time_text": "", "time_utc": pd.NaT}
    assert "1 event without a time cannot be placed among the faces; left out." in remarks(faces, [START, timeless])
    assert "1 event of laps that have no face yet." in remarks(faces, [START, START | {"lap": "Z"}])
    twice = [START, START | {"sort_us": hours(1.2), "planned": True}, START | {"sort_us": hours(1.4)}]
    assert remarks(faces, twice) == ("1 reconditioning with no face since the one before counts as one with it.",)
    between = [*twice[:2], {"event": "measured", "sort_us": hours(1.3)}, twice[2]]
    assert remarks(faces, between) == remarks(faces, twice)
    again = [{"event": event, "sort_us": hours(1.5 + 0.1 * k)} for k, event in enumerate(("retired", "re-faced"))]
    assert not any("reconditioning with no face" in said for said in remarks(faces, [START, *again]))
    retired = remarks(faces, [START, {"event": "retired", "sort_us": hours(1.5)}])
    assert "A: faces are logged after it was retired; they count as a new life." in retired
    last = {"event": "retired", "sort_us": hours(3.5)}
    assert remarks([*faces, {"kind": "repeat", "sort_us": hours(4)}], [START, last]) == ()  # read again, not lapped on
    back = [{"event": "retired", "sort_us": hours(1.5)}, {"event": "returned", "sort_us": hours(1.6)}]
    assert not any("retired" in said for said in remarks(faces, [START, *back]))


def test_a_cycle_of_one_face_and_one_with_no_reason():
    again = [START, START | {"sort_us": hours(0.5)}]
    found = remarks([{"sort_us": hours(i)} for i in range(4)], again)
    assert found == (
        "A: 1 cycle of one face; check for a reconditioning logged twice.",
        "A: 1 cycle ended with no reason logged and counts as worn.",
    )


def test_a_reason_that_is_not_known_and_one_that_is_contradicted_are_named():
    faces = [{"sort_us": hours(i)} for i in range(4)]
    unknown = remarks(faces, [START, START | {"sort_us": hours(1.5), "planned": None, "reason": "Friday slot"}])
    assert unknown == (
        'A: 1 cycle ended with no reason that is known ("Friday slot"; known are worn, planned, routine, damaged, '
        "contamination) and counts as worn.",
    )
    twice = [START | {"sort_us": hours(1.5), "planned": True}, START | {"sort_us": hours(1.6), "reason": "worn"}]
    assert [said for said in remarks(faces, [START, *twice]) if "says otherwise" in said] == [
        "A: cycle 1 was reconditioned at 2026-01-05 09:30 (taken off by plan, still good), and the next one, with no "
        "face between, says otherwise (worn: the event of wear was seen): the first counts; take back the one that is "
        "wrong (`lapcell events take-back`)."
    ]


def test_faces_logged_while_the_lap_was_swapped_out_are_said():
    faces = [{"sort_us": hours(i)} for i in range(6)]
    off, back = {"event": "swapped", "sort_us": hours(2.5), "planned": True}, {"event": "returned"}
    assert remarks(faces, [START, off]) == (
        "A: 3 faces logged after it was swapped out at 2026-01-05 10:30, and no return between; they count in its "
        "cycle: log the return, or take the swap back (`lapcell events take-back`).",
    )
    assert remarks(faces, [START, off, back | {"sort_us": hours(2.7)}]) == ()
    late = remarks(faces, [START, off, back | {"sort_us": hours(3.5)}, off | {"sort_us": hours(4.5)}])
    assert late[0].startswith("A: 1 face logged after it was swapped out at 2026-01-05 12:30")
    assert "(so too after 1 swap before)" in late[0]
    assert remarks(faces, [START, off | {"reason": "worn"}]) == ()  # asked about, worn as it was
    assert remarks(faces, [START, off, START | {"sort_us": hours(2.6)}]) == ()


def test_one_face_of_a_cycle_whose_beginning_is_not_known_is_no_doubled_event():
    found = remarks([{"sort_us": hours(i)} for i in range(4)], [START | {"sort_us": hours(0.5)}])
    assert not any("of one face" in line for line in found)


def test_events_placed_by_their_row_alone_are_said():
    faces = [{"sort_us": hours(i), "row_number": 2 * i + 2} for i in range(4)]
    timeless = START | {"time_text": "", "time_utc": pd.NaT, "intake_id": 1, "row_number": 5, "sort_us": hours(1)}
    assert (
        "1 event without a time is placed by the place in the file (reconditioned at data row 5): give it a time."
        in remarks(faces, [START, timeless])
    )
    many = [timeless | {"event": "recharged", "row_number": 5 + k} for k in range(5)]
    named = ", ".join(f"recharged at data row {row}" for row in (7, 8, 9))
    said = f"5 events without a time are placed by the place in the file ({named}, and 2 before): give each a time."
    assert said in remarks(faces, [START, *many])
