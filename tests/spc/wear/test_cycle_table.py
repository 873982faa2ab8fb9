import math

import pytest

from spc.wear.cycle import number_cycles
from spc.wear.cycle_table import list_cycles
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def cycles(faces, rows):
    events = events_frame(rows)
    return list_cycles(number_cycles(faces, events), events)


FACES = faces_frame(
    [
        {"sort_us": hours(i), "minutes": 2.0, "flatness_um": 0.3 if i < 3 else math.nan, "outcome": "ok"}
        for i in range(6)
    ]
)


@pytest.mark.parametrize(
    ("event", "ended", "low", "high"),
    [
        ({"reason": "worn"}, "due", 6, 6),
        ({"reason": ""}, "due", 6, 6),
        ({"planned": True}, "planned", 6, math.inf),
        ({"reason": "routine"}, "planned", 6, math.inf),
        ({"reason": "damaged"}, "damaged", 6, math.inf),
        ({"reason": "contamination"}, "damaged", 6, math.inf),
        ({"reason": "worn", "found_late": True}, "found late", 3, 6),
        ({"event": "retired"}, "retired", 6, math.inf),
    ],
)
def test_how_a_cycle_ended(event, ended, low, high):
    table = cycles(FACES, [{"event": "reconditioned", "sort_us": hours(5.5)} | event])
    first = table.iloc[0]
    assert (first["ended"], first["faces"], first["low_faces"], first["high_faces"]) == (ended, 6, low, high)
    assert first["minutes"] == 12
    if ended == "retired":
        assert len(table) == 1
    else:  # reconditioned, not used since
        assert (table.iloc[1]["ended"], table.iloc[1]["faces"]) == ("running", 0)


def test_a_swap_lends_its_reason_and_rests_until_returned():
    swap = {"event": "swapped", "sort_us": hours(5.2), "reason": "worn"}
    assert cycles(FACES, [swap]).iloc[0][["ended", "resting"]].tolist() == ["due", True]
    assert cycles(FACES, [swap | {"reason": "planned"}]).iloc[0][["ended", "resting"]].tolist() == ["running", True]
    back = {"event": "returned", "sort_us": hours(5.6)}
    assert cycles(FACES, [swap, back]).iloc[0][["ended", "resting"]].tolist() == ["running", False]
    again = {"event": "reconditioned", "sort_us": hours(5.5)}
    planned = cycles(FACES, [swap | {"reason": "planned"}, again, back])
    assert planned.iloc[0][["ended", "reason", "resting"]].tolist() == ["planned", "planned", False]
    assert planned.iloc[1][["faces", "start_event"]].tolist() == [0, "reconditioned"]


def test_a_cycle_of_one_face_and_two_reconditionings_in_a_row():
    table = cycles(FACES, [{"event": "reconditioned", "sort_us": hours(h)} for h in (0.5, 1.2, 1.4, 1.6)])
    assert table["faces"].tolist() == [1, 1, 4]
    assert table["cycle"].tolist() == [1, 2, 3]
    assert table["start_known"].tolist() == [False, True, True]


def test_numbers_agree_with_the_clocks():
    rows = [
        {"event": "reconditioned", "sort_us": hours(1.5), "after_um": 0.2, "shape": "convex"},
        {"event": "re-faced", "sort_us": hours(3.5)},
    ]
    events = events_frame(rows)
    numbered = number_cycles(FACES, events)
    table = list_cycles(numbered, events)
    assert table["faces"].tolist() == numbered.groupby("cycle").size().tolist() == [2, 2, 2]
    assert table["life"].tolist() == numbered.groupby("cycle")["life"].first().tolist() == [1, 1, 2]
    assert table.iloc[1][["after_um", "after_shape", "end_event"]].tolist() == [0.2, "convex", "re-faced"]
    assert table["first_face_id"].tolist() == [1, 3, 5]


def test_reason_not_given_is_told():
    table = cycles(FACES, [{"event": "reconditioned", "sort_us": hours(2.5)}])
    assert table["reason_given"].tolist() == [False, True]


def test_faces_after_retiring_start_a_new_life():
    table = cycles(FACES, [{"event": "retired", "sort_us": hours(2.5)}])
    assert table["life"].tolist() == [1, 2]
    assert table["ended"].tolist() == ["retired", "running"]
    assert table["start_known"].tolist() == [False, False]


def test_events_without_any_face_give_an_empty_table_that_can_still_be_asked():
    table = cycles(FACES.iloc[:0], [{"event": "reconditioned", "sort_us": hours(1)}])
    assert table.empty and len(table[table["start_known"]]) == 0 and "end_us" in table[table["start_known"]]
