import numpy as np
import pandas as pd

from spc.board.pace import faces_per_shift, minutes_by_part, pace_of_laps

DAY_US = 86_400_000_000


def faces(counts, *, shift="early", minutes=6.0, part="P-1"):
    rows = [
        {
            "kind": "face",
            "time_text": f"day {day}",
            "time_utc": None,
            "sort_us": day * DAY_US + i,
            "shift_date": f"2026-03-{day + 1:02d}",
            "shift": shift,
        }
        for day, count in enumerate(counts)
        for i in range(count)
    ]
    return pd.DataFrame(rows).assign(attempt=1, minutes=minutes, part=part)


def test_pace_is_the_median_over_the_last_shifts():
    assert faces_per_shift(faces([9, 9, 3, 4, 5]), shifts=3) == 4.0


def test_no_faces_no_pace():
    assert faces_per_shift(faces([1]).iloc[:0]) == 0.0


def test_faces_without_a_time_tell_no_pace():
    some = faces([2, 4, 9])
    some.loc[some["shift_date"] == "2026-03-03", "time_text"] = ""
    assert faces_per_shift(some) == 3.0
    assert faces_per_shift(some.assign(time_text="")) == 0.0


def test_without_shift_names_a_day_counts():
    assert faces_per_shift(faces([2, 4], shift="").assign(shift_date="")) == 3.0


def test_repeats_are_no_pace():
    assert faces_per_shift(faces([4]).assign(kind="repeat")) == 0.0


def test_part_pace_compares_like_with_like():
    old, new = faces([5, 5], minutes=6.0), faces([0, 0, 0, 4], minutes=9.0)
    other = faces([5, 5, 0, 5], minutes=20.0, part="P-2")
    found = pace_of_laps([minutes_by_part(pd.concat([old, new])), minutes_by_part(other)], since_us=3 * DAY_US)
    assert [p.part for p in found] == ["P-1", "P-2"]  # the slowest against its own usual first
    assert (found[0].minutes, found[0].usual_minutes, found[0].faces) == (9.0, 6.0, 4)
    assert found[1].minutes == found[1].usual_minutes


def test_missing_minutes_and_second_passes_do_not_count():
    rows = pd.concat([faces([4], minutes=6.0), faces([0, 4], minutes=9.0)], ignore_index=True)
    rows.loc[rows["minutes"] == 9.0, "minutes"] = [9.0, 9.0, np.nan, 9.0]
    assert pace_of_laps([minutes_by_part(rows)], since_us=DAY_US)[0].faces == 3
    rows["attempt"] = 2
    assert pace_of_laps([minutes_by_part(rows)], since_us=DAY_US) == ()
