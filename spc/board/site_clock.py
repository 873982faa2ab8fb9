"""The site's clock, as rows are dated by it that say no time of their own."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from spc.settings import Settings

__all__ = ["moment_to_log"]


def moment_to_log(site: Settings, *, after_us: int | None = None) -> datetime:
    """Give the moment now by the site's clock and zone, for a row that is written down without a time of its own.

    Parameters
    ----------
    site : Settings
    after_us : int, optional
        Moment of the lap's newest row, microseconds since 1970.

    Returns
    -------
    datetime
        With its zone. A replayed log has a clock that stands still: there it is a second after `after_us`, or ten
        minutes before the clock if that is later, and never past the clock.
    """
    zone = ZoneInfo(site.time_zone) if site.time_zone else None
    if site.clock is not None:
        clock = site.clock.replace(tzinfo=zone or UTC)
        if after_us is None:
            return clock
        newest = datetime.fromtimestamp(after_us / 1e6, tz=zone or UTC) + timedelta(seconds=1)
        return min(clock, max(newest, clock - timedelta(minutes=10)))
    return datetime.now(zone) if zone else datetime.now().astimezone()
