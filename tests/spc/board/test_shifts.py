from datetime import datetime, time

import pytest

from spc.board.shifts import breaks_ahead, next_break, shift_at, shift_before
from spc.settings import Settings, Shift

THREE = Settings(
    time_zone="Europe/Berlin",
    shifts=(
        Shift("early", time(6), time(14)),
        Shift("late", time(14), time(22)),
        Shift("night", time(22), time(6)),
    ),
)
TWO = Settings(time_zone="Europe/Berlin", shifts=THREE.shifts[:2])


@pytest.mark.parametrize(
    ("moment", "name", "day"),
    [
        (datetime(2026, 3, 4, 6, 0), "early", 4),
        (datetime(2026, 3, 4, 13, 59), "early", 4),
        (datetime(2026, 3, 4, 14, 0), "late", 4),
        (datetime(2026, 3, 5, 0, 20), "night", 4),  # the night shift belongs to the day on which it began
        (datetime(2026, 3, 5, 5, 59), "night", 4),
    ],
)
def test_a_moment_belongs_to_the_shift_that_began_last(moment, name, day):
    span = shift_at(moment, THREE)
    assert (span.name, span.start.day) == (name, day)


def test_between_shifts_the_last_one_stands():
    assert shift_at(datetime(2026, 3, 5, 3, 0), TWO).name == "late"


def test_shift_before_crosses_midnight():
    night = shift_before(shift_at(datetime(2026, 3, 5, 6, 30), THREE), THREE)
    assert (night.name, night.start) == ("night", datetime(2026, 3, 4, 22))


def test_a_night_shift_is_an_hour_shorter_when_the_clock_is_put_forward():
    night = shift_at(datetime(2026, 3, 29, 5, 0), THREE)  # summer time begins at 02:00 in this zone
    assert (night.end_us - night.start_us) / 3.6e9 == 7


def test_breaks_in_words():
    assert next_break(datetime(2026, 3, 4, 15, 0), TWO) == "end of the late shift, 22:00"
    assert next_break(datetime(2026, 3, 4, 23, 0), TWO) == "before the early shift, 06:00"
    assert next_break(datetime(2026, 3, 4, 23, 0), Settings()) == ""


def test_the_night_shift_that_runs_ends_today():
    after_midnight = [one.text for one in breaks_ahead(datetime(2026, 3, 5, 2, 0), THREE)]
    assert after_midnight[:2] == ["end of the night shift, 06:00", "end of the early shift, 14:00"]
    before = [one.text for one in breaks_ahead(datetime(2026, 3, 4, 23, 0), THREE)]
    assert before[:2] == ["end of the night shift, 06:00", "end of the early shift on Thursday, 14:00"]


def test_without_shift_hours_a_day_is_the_span():
    span = shift_at(datetime(2026, 3, 4, 15, 0), Settings())
    assert (span.text, shift_before(span, Settings()).text) == ("2026-03-04", "2026-03-03")
