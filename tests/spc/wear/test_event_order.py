"""Where events fall among faces: by time, at equal times by rows of one file, else before or, closing, after them."""

import numpy as np
import pandas as pd
import pytest

from spc.wear.event_order import EVENT_EFFECTS, effective_events, order_events
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours

NO_TIME = {"sort_us": 0, "time_text": "", "time_utc": pd.NaT}


def places(faces, events):
    """Place of each event by its number, counted from the first face of its lap."""
    layout = order_events(faces_frame(faces), events_frame(events))
    of = layout.events
    begins = layout.block_start[of["lap_code"].to_numpy(np.int64)]
    return dict(zip(of["event_id"].tolist(), (of["place"] - begins).tolist(), strict=True))


FACES = [{"sort_us": hours(h)} for h in (1, 2, 2, 3)]


@pytest.mark.parametrize(("at", "place"), [(0.5, 0), (1.5, 1), (2.5, 3), (9, 4)])
def test_time_decides(at, place):
    assert places(FACES, [{"event": "reconditioned", "sort_us": hours(at)}]) == {1: place}


@pytest.mark.parametrize("event", EVENT_EFFECTS)
def test_at_the_time_of_faces_of_another_file_only_what_closes_falls_after_them(event):
    place = 3 if event in ("swapped", "retired") else 1
    assert places(FACES, [{"event": event, "sort_us": hours(2)}]) == {1: place}


@pytest.mark.parametrize(("row", "place"), [(1, 1), (2.5, 2), (9, 3)])
def test_at_the_time_of_faces_of_its_own_file_the_rows_decide(row, place):
    faces = [face | {"row_number": n + 1} for n, face in enumerate(FACES)]
    event = {"event": "swapped", "sort_us": hours(2), "intake_id": 1, "row_number": row}
    assert places(faces, [event]) == {1: place}


def test_an_event_without_a_time_is_placed_by_its_file_or_told_to_be_nowhere():
    faces = [{"sort_us": 0, "time_text": "", "time_utc": pd.NaT, "row_number": n} for n in (1, 2, 4)]
    events = [{"event": "reconditioned", "intake_id": one, "row_number": 3} | NO_TIME for one in (1, 2)]
    layout = order_events(faces_frame(faces), events_frame(events))
    assert layout.events[["event_id", "place"]].to_numpy().tolist() == [[1, 2]]
    assert layout.unplaced["event_id"].tolist() == [2]


def test_laps_lie_one_after_the_other_and_an_event_of_a_lap_without_faces_is_nowhere():
    faces = [{"lap": lap, "sort_us": hours(h)} for h, lap in enumerate("BABA")]
    events = [{"lap": lap, "event": "dressed", "sort_us": hours(2.5)} for lap in "ABC"]
    layout = order_events(faces_frame(faces), events_frame(events))
    assert (layout.laps, layout.order.tolist()) == (("B", "A"), [0, 2, 1, 3])
    assert (layout.block_start.tolist(), layout.block_end.tolist()) == ([0, 2], [2, 4])
    assert layout.events.set_index("lap")["place"].to_dict() == {"B": 2, "A": 3}
    assert layout.unplaced["lap"].tolist() == ["C"]


def test_places_agree_with_counting_faces_one_by_one():  # second way
    rng = np.random.default_rng(8)
    for _ in range(20):
        faces = [{"lap": str(rng.choice(["A", "B"])), "sort_us": hours(h)} for h in rng.permutation(12)]
        events = [
            {"lap": str(rng.choice(["A", "B"])), "event": str(rng.choice(list(EVENT_EFFECTS))), "sort_us": hours(h)}
            for h in rng.uniform(-1, 13, 6)
        ]
        known = {face["lap"] for face in faces}
        counted = {
            n + 1: sum(f["lap"] == e["lap"] and f["sort_us"] < e["sort_us"] for f in faces)
            for n, e in enumerate(events)
            if e["lap"] in known
        }
        assert places(faces, events) == counted


def test_a_face_that_is_read_again_lies_between_no_events():
    faces = [{"sort_us": hours(h), "kind": "face" if h in (1, 4) else "repeat"} for h in (0, 1, 2, 3, 4, 6)]
    times = (-1, 0.5, 1.5, 2.5, 3.5, 4.5, 7)
    events = [{"event": "dressed", "sort_us": hours(h)} for h in times]
    assert list(places(faces, events).values()) == [0, 0, 4, 4, 4, 6, 6]  # before the first lapping, the next, the last


def test_what_one_file_says_of_a_day_stays_in_its_order():  # dates alone, and the faces of that day in another file
    said = [{"event": event, "sort_us": hours(2)} for event in ("swapped", "reconditioned", "returned")]
    assert places(FACES, said) == {1: 3, 2: 3, 3: 3}
    assert places(FACES, said[::-1]) == {1: 1, 2: 1, 3: 3}
    assert places(FACES, [said[0], said[1] | {"intake_id": 3}]) == {1: 3, 2: 1}  # of two files neither is above


@pytest.mark.parametrize(
    ("told", "counts"),
    [
        ([("retired", 3), ("returned", 3)], ["swapped", "returned"]),
        ([("retired", 3), ("returned", 4)], ["retired", "returned"]),  # a face was lapped between
        ([("retired", 3), ("reconditioned", 3), ("returned", 3)], ["retired", "reconditioned", "returned"]),
        ([("retired", 3), ("dressed", 3), ("returned", 3)], ["swapped", "dressed", "returned"]),
        ([("reconditioned", 3), ("retired", 3), ("returned", 3)], ["reconditioned", "swapped", "returned"]),
        ([("retired", 3)], ["retired"]),
        ([], []),
    ],
)
def test_a_retirement_taken_back_before_another_face_is_but_a_rest(told, counts):
    assert effective_events([event for event, _ in told], [gap for _, gap in told]) == counts


def test_an_unknown_event_is_refused_and_none_at_all_is_an_empty_layout():
    with pytest.raises(ValueError, match="got polished"):
        order_events(faces_frame(FACES), events_frame([{"event": "polished", "sort_us": hours(1)}]))
    layout = order_events(faces_frame(FACES), events_frame([{"event": "dressed", "sort_us": hours(1)}]).iloc[:0])
    assert (len(layout.events), len(layout.unplaced), layout.block_end.tolist()) == (0, 0, [4])
    assert {"lap_code", "place", "effect"} <= set(layout.events)


DAY = [{"sort_us": hours(24 * d), "time_utc": pd.NaT, "time_text": f"2026-01-0{5 + d}"} for d in (0, 1, 1, 1, 2)]


def spans(faces, events):
    of = order_events(faces_frame(faces), events_frame(events)).events.set_index("event_id").sort_index()
    return of[["earliest", "place", "latest"]].to_numpy().tolist()


def test_a_time_of_day_among_faces_of_a_date_alone_is_only_known_to_be_of_that_day():
    at = [{"event": event, "sort_us": hours(30)} for event in ("reconditioned", "swapped")]
    assert spans(DAY, at) == [[1, 1, 4], [1, 4, 4]]  # as at an equal time: only what closes falls after
    assert spans(DAY, [at[1], at[0] | {"sort_us": hours(31)}]) == [[1, 4, 4], [1, 4, 4]]  # later than the swap
    assert spans(DAY, [at[0] | {"intake_id": 1, "row_number": 2.5}]) == [[2, 2, 2]]  # its row tells its place


def test_a_date_alone_among_faces_with_times_is_only_known_to_be_of_that_day():
    faces = [{"sort_us": hours(h)} for h in (1, 25, 26, 30, 49)]
    on = {"event": "reconditioned", "sort_us": hours(24), "time_utc": pd.NaT, "time_text": "2026-01-06"}
    assert spans(faces, [on]) == [[1, 1, 4]]
    assert spans(
        faces, [on, on | {"sort_us": hours(28), "time_utc": pd.Timestamp(hours(28), unit="us", tz="UTC")}]
    ) == [
        [3, 3, 3],
        [3, 3, 3],
    ]  # logged with its time as well: it is the same
