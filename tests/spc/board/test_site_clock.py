"""The moment under which a row is logged that says none."""

from datetime import UTC, datetime, timedelta

from spc.board.site_clock import moment_to_log
from spc.settings import Settings


def test_the_clock_is_the_sites_own():
    clock = datetime(2026, 6, 26, 18, 0)
    assert moment_to_log(Settings(clock=clock, time_zone="Europe/Vienna")).astimezone(UTC).hour == 16
    assert moment_to_log(Settings()).tzinfo is not None


def test_a_standing_clock_still_gives_each_row_a_moment_of_its_own():
    site = Settings(clock=datetime(2026, 6, 26, 20, 30), time_zone="Europe/Copenhagen")
    clock = datetime(2026, 6, 26, 18, 30, tzinfo=UTC)
    assert moment_to_log(site) == clock

    def after(minutes):
        return moment_to_log(site, after_us=round((clock.timestamp() - 60 * minutes) * 1e6))

    assert after(600) == clock - timedelta(minutes=10)
    assert after(5) == clock - timedelta(minutes=5) + timedelta(seconds=1)
    assert after(0) == clock  # never past it
