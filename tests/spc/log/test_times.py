from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.log.coded import Coded
from spc.log.times import NO_TIME, as_iso, parse_times, shifts_of, to_utc

EPOCH = datetime(1970, 1, 1)


def parsed(*texts, **stated):
    return parse_times(Coded(np.arange(len(texts), dtype=np.int32), pa.array(texts, pa.string())), **stated)


def us(*when):
    return int((datetime(*when) - EPOCH) / timedelta(microseconds=1))


@pytest.mark.parametrize(
    ("text", "when", "offset"),
    [
        ("2026-03-04T08:10:05+01:00", (2026, 3, 4, 8, 10, 5), 60), ("2026-03-04 08:10", (2026, 3, 4, 8, 10), None),
        ("2026-03-04T08:10:05.250Z", (2026, 3, 4, 8, 10, 5, 250000), 0), ("20260304 0810", (2026, 3, 4, 8, 10), None),
        ("04.03.2026 08:10", (2026, 3, 4, 8, 10), None), ("4.3.26, 8:10 Uhr", (2026, 3, 4, 8, 10), None),
        ("13/04/2026 08:10", (2026, 4, 13, 8, 10), None), ("4 Mar 2026 8:10 pm", (2026, 3, 4, 20, 10), None),
        ("4. März 2026 08:10", (2026, 3, 4, 8, 10), None), ("4 août 2026 8h10", (2026, 8, 4, 8, 10), None),
        ("Mar 4, 2026 12:10 am", (2026, 3, 4, 0, 10), None), ("2026-03-04 24:00", (2026, 3, 5), None),
        ("2026/03/04 08:10 UTC-5", (2026, 3, 4, 8, 10), -300), ("2026-03-04 08:10 CEST", (2026, 3, 4, 8, 10), 120),
        ("2024-02-29", (2024, 2, 29), None), ("04/04/2026 08:10", (2026, 4, 4, 8, 10), None),
    ],
)  # fmt: skip
def test_written_forms(text, when, offset):
    found = parsed(text)
    assert found.faults[0] == ""
    assert found.wall_us[0] == us(*when)
    assert np.isnan(found.offset_min[0]) if offset is None else found.offset_min[0] == offset


@pytest.mark.parametrize("text", ["02.03.99 08:10", "2 Mar 99", "14/03/50", "99-03-02"])
def test_a_short_year_of_either_century_is_asked_about(text):
    found = parsed(text, "13.03.49")
    assert found.wall_us[0] == NO_TIME
    assert "could be of 19" in found.faults[0] and "four digits" in found.faults[0]
    assert found.wall_us[1] == us(2049, 3, 13)  # 1949 is before any log


def test_a_stated_format_settles_the_century():
    assert parsed("02.03.99", time_format="%d.%m.%y").wall_us[0] == us(1999, 3, 2)


@given(st.datetimes(datetime(1951, 1, 1), datetime(2149, 1, 1)), st.sampled_from(["iso", "dmy", "mdy"]))
def test_agrees_with_the_standard_library(when, form):
    text = {
        "iso": when.isoformat(),
        "dmy": when.strftime("%d/%m/%Y %H:%M:%S"),
        "mdy": when.strftime("%m-%d-%Y %H:%M:%S"),
    }
    found = parsed(text[form], date_order="" if form == "iso" else form)
    kept = when if form == "iso" else when.replace(microsecond=0)
    assert found.wall_us[0] == (kept - EPOCH) // timedelta(microseconds=1)


def test_day_or_month_first_is_proven_or_refused():
    assert "day first or month first" in parsed("03/04/2026 10:00").faults[0]
    proven = parsed("03/04/2026 10:00", "13/04/2026 10:00")
    assert proven.wall_us[0] == us(2026, 4, 3, 10)
    assert "13/04/2026 10:00 proves it" in proven.remark
    mixed = parsed("03/04/2026 10:00", "13/04/2026 10:00", "04/13/2026 10:00")
    assert "day first or month first" in mixed.faults[0]
    assert mixed.wall_us[1] == mixed.wall_us[2] == us(2026, 4, 13, 10)
    assert parsed("03/04/2026", date_order="mdy").wall_us[0] == us(2026, 3, 4)


@pytest.mark.parametrize(
    "text",
    ["2026-02-29 10:00", "2026-13-01", "31/11/2026 10:00", "0202-01-01", "2026-03-04 25:00", "2026-03-04 10:61",
     "32/32/2026",     "yesterday", "13:05", "4 Foo 2026", "2026-03-04 13:10 pm", "2026-03-04 10:00 EST"],
)  # fmt: skip
def test_impossible_or_unreadable(text):
    found = parsed(text)
    assert found.wall_us[0] == NO_TIME
    assert found.faults[0].startswith("is no ")


def test_stated_forms():
    # Serial 44197 is 2021-01-01 in the 1900 date system of spreadsheets.
    assert parsed("44197.5", time_format="excel serial").wall_us[0] == us(2021, 1, 1, 12)
    assert parsed("4|3|26 10h", time_format="%d|%m|%y %Hh").wall_us[0] == us(2026, 3, 4, 10)
    assert "does not fit the stated format" in parsed("x", time_format="excel serial").faults[0]
    assert "is no date and time" in parsed("44197.5").faults[0]


def test_a_short_year_between_dashes_may_stand_in_front():
    def read(*texts, order=""):
        found = parsed(*texts, date_order=order)
        return [str(day) for day in found.wall_us[: len(texts)].view("M8[us]").astype("M8[D]")], found

    asked, found = read("25-05-13 10:00")
    assert asked == ["NaT"] and "could have the day or the year in front: '25-05-13 10:00'" in found.faults[0]
    days, found = read("25-05-13", "25-05-14", "25-06-02")
    assert days == ["2025-05-13", "2025-05-14", "2025-06-02"] and "year first" in found.remark
    assert read("13-05-25", "14-05-25", "02-06-25")[0] == ["2025-05-13", "2025-05-14", "2025-06-02"]
    assert read("13-05-25", order="dmy")[0] == ["2025-05-13"]
    assert read("25-05-13", "25/05/13", order="ymd")[0] == ["2025-05-13", "2025-05-13"]
    assert read("13/05/25")[0] == ["2025-05-13"]


@pytest.mark.parametrize("text, form", [("44197.5", "excel serial"), ("1736935200", "unix seconds"),
                                        ("1736935200123", "unix milliseconds")])  # fmt: skip
def test_counts_since_some_day_are_never_guessed_and_the_cure_is_named(text, form):
    found = parsed(text)
    assert found.wall_us[0] == NO_TIME
    assert found.faults[0].endswith(f"""; if it is one, state format = "{form}" for the time in the column map""")
    assert parsed(text, time_format=form).faults[0] == ""


def test_a_count_of_whole_days_is_a_day_without_a_time_of_day():
    found = parsed("46083", "46083.25", time_format="excel serial")
    assert found.dated_only.tolist()[:2] == [True, False] and found.timed.tolist()[:2] == [False, True]


@pytest.mark.parametrize(
    ("text", "form", "iso"),
    [
        ("46083.25", "excel serial", "2026-03-02 06:00:00"), ("46083", "excel serial", "2026-03-02"),
        ("1736935200", "unix seconds", "2025-01-15 10:00:00+00:00"),
        ("020326 0610", "%d%m%y %H%M", "2026-03-02 06:10:00"),
        ("020326 0610 +0130", "%d%m%y %H%M %z", "2026-03-02 06:10:00+01:30"), ("020326", "%d%m%y", "2026-03-02"),
        ("soon", "%d%m%y", "soon"),
    ],
)  # fmt: skip
def test_what_a_stated_form_says_is_written_as_everybody_reads_it(text, form, iso):
    texts = pa.array([text])
    assert as_iso(parsed(text, time_format=form), texts).tolist() == [iso, ""]


def test_counts_since_1970_are_utc():
    # The standard library's own reading of the same counts.
    for text, form, second in (("1736935200.25", "unix seconds", 1736935200.25),
                               ("1736935200123", "unix milliseconds", 1736935200.123)):  # fmt: skip
        found = parsed(text, time_format=form)
        assert found.offset_min[0] == 0 and not found.dated_only[0]
        assert EPOCH + timedelta(microseconds=int(found.wall_us[0])) == datetime.fromtimestamp(second, UTC).replace(
            tzinfo=None
        )
    assert "does not fit the stated format" in parsed("1736935200123", time_format="unix seconds").faults[0]


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2037, 12, 30)),
    st.sampled_from(["Europe/Vienna", "America/New_York", "UTC"]),
)
def test_local_to_utc_agrees_with_the_standard_library(when, zone):
    utc, state = to_utc(np.array([(when - EPOCH) // timedelta(microseconds=1)]), np.array([np.nan]), zone)
    local = when.replace(tzinfo=ZoneInfo(zone))
    back = local.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    if state[0] == 1:
        assert back != when
    else:
        assert utc[0] == (local.astimezone(UTC).replace(tzinfo=None) - EPOCH) // timedelta(microseconds=1)


def test_clocks_going_back_follow_the_order_of_the_rows():
    wall = np.array([us(2026, 10, 25, 2, 10), us(2026, 10, 25, 2, 50), us(2026, 10, 25, 2, 5), us(2026, 10, 25, 3, 10)])
    utc, state = to_utc(wall, np.full(4, np.nan), "Europe/Vienna")
    assert state.tolist() == [2, 2, 3, 0]
    assert (np.diff(utc) > 0).all()


def test_shift_belongs_to_the_date_it_began_on():
    wall = np.array([us(2026, 3, 4, 23, 50), us(2026, 3, 5, 0, 20), us(2026, 3, 5, 6), NO_TIME])
    names, day = shifts_of(wall, [("early", 360, 840), ("late", 840, 1320), ("night", 1320, 360)])
    assert names.tolist() == ["night", "night", "early", ""]
    assert [str(np.datetime64(int(d), "D")) for d in day[:3]] == ["2026-03-04", "2026-03-04", "2026-03-05"]


def test_many_times_in_blocks():
    start = np.datetime64("2026-01-01T00:00:00")
    when = start + np.arange(200_000).astype("m8[s]")
    found = parsed(*np.datetime_as_string(when).tolist())
    assert (found.wall_us[:-1] == when.astype("M8[us]").astype(np.int64)).all()


@pytest.mark.parametrize("offset", ["+99:00", "-15:00", "+05:75", "UTC+24"])
def test_an_offset_no_zone_has_is_no_possible_time(offset):
    assert "no possible date and time" in parsed(f"2026-03-04T10:00:00{offset}").faults[0]


def test_the_farthest_zone_is_read():
    assert parsed("2026-03-04T10:00:00+14:00").offset_min[0] == 14 * 60
