"""One form for the time of every row, whatever its log wrote; what has no moment and what is but a day stay so."""

import pandas as pd
import pytest

from spc.log.moments import with_shown_times
from spc.log.rows import read_log
from spc.settings import Settings

TYPED = [
    "2026-06-26T13:52:00Z",
    "26.06.2026 15:52:10",
    "26 Jun 2026 3:52 pm",
    "2026-06-26T15:52+02:00",
    "26.06.2026",
    "",
]


def shown(typed, **site):
    text = "time,lap,flatness um\n" + "".join(f"{one},A,1\n" for one in typed)
    settings = Settings(date_order="dmy", **site)
    rows = read_log(text.encode(), name="log.csv", settings=settings).rows
    rows = rows.assign(time_utc=pd.to_datetime(rows["time_utc"], utc=True))
    return with_shown_times(rows, settings)["time_text"].tolist()


@pytest.mark.parametrize("zone", ["Europe/Copenhagen", "America/Chicago", "Pacific/Auckland"])
def test_times_of_a_site_with_a_zone_are_told_by_its_clock(zone):
    local = pd.Timestamp("2026-06-26 13:52", tz="UTC").tz_convert(zone).strftime("%Y-%m-%d %H:%M")
    assert shown(TYPED, time_zone=zone) == [
        local, "2026-06-26 15:52", "2026-06-26 15:52", local, "2026-06-26", "",
    ]  # fmt: skip


def test_without_a_zone_what_carries_one_is_told_in_utc_and_the_rest_stays_on_its_own_clock():
    utc = "2026-06-26 13:52 UTC"
    assert shown(TYPED) == [utc, "2026-06-26 15:52", "2026-06-26 15:52", utc, "2026-06-26", ""]
