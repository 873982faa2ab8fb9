import math

import numpy as np
import pandas as pd
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


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ([("swapped", 6, "worn")], [("due", 6, True)]),
        ([("retired", 6, "")], [("retired", 6, False)]),
        ([("retired", 6, ""), ("returned", 8, "")], [("running", 6, False)]),
        ([("swapped", 6, "planned"), ("reconditioned", 8, "")], [("planned", 6, False), ("running", 0, False)]),
        ([("reconditioned", 6, "worn"), ("re-faced", 8, "")], [("due", 6, False), ("running", 0, False)]),
    ],
)
def test_a_face_read_again_after_the_lap_was_taken_off_is_no_face_lapped_since(events, told):
    again = FACES.iloc[-1:].assign(kind="repeat", face_id=7, row_number=7, sort_us=hours(7))
    rows = [{"event": event, "sort_us": hours(h), "reason": reason} for event, h, reason in events]
    for faces in (FACES, pd.concat([FACES, again], ignore_index=True)):
        table = cycles(faces, rows)
        assert list(table[["ended", "faces", "resting"]].itertuples(index=False, name=None)) == told


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


def test_a_lap_retired_and_returned_goes_on_in_its_cycle():
    retired, back = {"event": "retired", "sort_us": hours(2.2)}, {"event": "returned", "sort_us": hours(2.6)}
    whole = cycles(FACES, [retired, {"event": "cleaned", "sort_us": hours(2.4)}, back])
    assert whole[["cycle", "life", "faces", "ended", "resting"]].to_numpy().tolist() == [[1, 1, 6, "running", False]]
    late = cycles(FACES, [retired | {"sort_us": hours(5.2), "reason": "worn"}, back | {"sort_us": hours(5.6)}])
    assert late[["faces", "ended", "end_event", "reason"]].to_numpy().tolist() == [[6, "running", "", ""]]
    worn_later = cycles(FACES, [retired, back, {"event": "reconditioned", "sort_us": hours(4.5), "reason": "worn"}])
    assert worn_later["ended"].tolist() == ["due", "running"] and worn_later["faces"].tolist() == [5, 1]


@pytest.mark.parametrize(
    "between", [{"event": "reconditioned", "sort_us": hours(2.4)}, {"event": "retired", "sort_us": hours(0.5)}]
)
def test_a_retirement_stays_one_where_the_lap_came_back_reconditioned_or_lapped_on_before(between):
    rows = [{"event": "retired", "sort_us": hours(2.2)}, {"event": "returned", "sort_us": hours(2.6)}, between]
    table = cycles(FACES, rows)
    assert (table["ended"].tolist(), table["life"].tolist()) == (["retired", "running"], [1, 2])


def test_events_without_any_face_give_an_empty_table_that_can_still_be_asked():
    table = cycles(FACES.iloc[:0], [{"event": "reconditioned", "sort_us": hours(1)}])
    assert table.empty and len(table[table["start_known"]]) == 0 and "end_us" in table[table["start_known"]]


@pytest.mark.parametrize("seed", range(6))
def test_what_faces_tell_of_a_cycle_is_what_its_rows_add_to(seed):
    # Slow reference: the rows of each cycle by their clocks, one cycle at a time.
    rng = np.random.default_rng(seed)
    faces = faces_frame(
        [
            {
                "lap": rng.choice(["A", "B"]),
                "kind": rng.choice(["face", "face", "repeat"]),
                "grit": rng.choice(["", "9 um", "3 um"]),
                "attempt": int(rng.integers(1, 4)),
                "minutes": rng.choice([math.nan, 0.0, 2.5, 3.1]),
                "thickness_um": rng.choice([math.nan, 5.0]),
                "thickness_before_um": 9.1,
                "sort_us": hours(i),
            }
            for i in range(60)
        ]
    )
    kinds = ("reconditioned", "reconditioned", "grit changed", "re-faced")
    events = events_frame(
        [
            {"lap": rng.choice(["A", "B"]), "event": rng.choice(kinds), "sort_us": hours(rng.uniform(-1, 61))}
            for _ in range(12)
        ]
    )
    numbered = number_cycles(faces, events)
    table = list_cycles(numbered, events)
    for _, told in table.iterrows():
        rows = numbered[(numbered["lap"] == told["lap"]) & (numbered["cycle"] == told["cycle"])]
        rows = rows[rows["kind"] == "face"]
        assert (told["faces"], told["first_passes"]) == (len(rows), (rows["attempt"] <= 1).sum())
        assert told["grit"] == ", ".join(dict.fromkeys(g for g in rows["grit"] if g))
        ends = [*rows["face_id"].iloc[[0, -1]], *rows["time_text"].iloc[[0, -1]]] if len(rows) else [-1, -1, "", ""]
        assert told[["first_face_id", "last_face_id", "first_text", "last_text"]].tolist() == ends
        minutes, removed = rows["minutes"].where(rows["minutes"] > 0), 9.1 - rows["thickness_low_um"]
        for name, amounts in (("minutes", minutes), ("removed_um", removed)):
            total = amounts.mean() * len(rows) if len(rows) else 0.0
            assert told[name] == pytest.approx(total, nan_ok=True)
            missing = amounts.isna().mean() if len(rows) else 0.0
            assert told[f"{name.removesuffix('_um')}_missing"] == pytest.approx(missing)


@pytest.mark.parametrize(("said", "ended"), [({"planned": True}, "planned"), ({"reason": "damaged"}, "damaged")])
def test_a_swap_lends_its_reason_though_the_lap_came_back_before_it_was_reconditioned(said, ended):
    rows = [{"event": "swapped", "sort_us": hours(2.2)} | said, {"event": "returned", "sort_us": hours(2.4)}]
    table = cycles(FACES, [*rows, {"event": "reconditioned", "sort_us": hours(2.6)}])
    assert table[["ended", "reason_given", "resting"]].to_numpy().tolist()[0] == [ended, True, False]
    lapped_since = cycles(FACES, [*rows, {"event": "reconditioned", "sort_us": hours(4.6)}])
    assert lapped_since["ended"].tolist() == ["due", "running"]


def test_a_reason_in_unknown_words_counts_as_worn_and_is_not_taken_for_a_word():
    table = cycles(FACES, [{"event": "reconditioned", "sort_us": hours(2.5), "reason": "Friday slot"}])
    assert table.iloc[0][["ended", "reason", "reason_given"]].tolist() == ["due", "Friday slot", False]
    planned = {"event": "reconditioned", "sort_us": hours(2.5), "reason": "Friday slot", "planned": True}
    assert cycles(FACES, [planned]).iloc[0][["ended", "reason_given"]].tolist() == ["planned", True]


@pytest.mark.parametrize(
    ("first", "second", "ended", "said_too"),
    [
        ({}, {"planned": True}, "planned", ""),
        ({"planned": True}, {"planned": False, "reason": "worn"}, "planned", "due"),
        ({"reason": "worn"}, {"planned": True}, "due", "planned"),
        ({"planned": True}, {"reason": "routine"}, "planned", ""),
        ({"reason": "Friday slot"}, {"planned": True}, "planned", ""),
    ],
)
def test_of_two_reconditionings_in_one_gap_the_first_that_says_how_counts(first, second, ended, said_too):
    rows = [{"event": "reconditioned", "sort_us": hours(2.2 + 0.2 * n)} | own for n, own in enumerate((first, second))]
    table = cycles(FACES, rows)
    assert table.iloc[0][["ended", "said_too", "reason_given"]].tolist() == [ended, said_too, True]
    assert table["faces"].tolist() == [3, 3]
