"""Rows dated after now: they do not count yet, and are said wherever the lap is judged."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import pandas as pd

from spc.log.moments import shown_text, shown_wall
from spc.log.name_list import name_list
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["FacesToCome", "cell_words", "event_words", "face_words", "faces_to_come"]

_CURE = "Look at the clock of the machine that wrote the log; correct the dates and take the log in again."
_CLOCK_SET = (
    "The site settings set that clock and it stands still, for a log that is looked at afterwards: take `clock` out of "
    "them where logging goes on; where the dates are wrong, correct them and take the log in again."
)
_MOST_NAMED = 4  # laps in one sentence


class FacesToCome(NamedTuple):
    """Face readings of one lap that do not count yet."""

    faces: int
    newest_text: str  # time of the last as typed
    newest_row: int  # its number in its delivery
    newest_name: str  # of that delivery


def faces_to_come(store: Store, laps: Iterable[str], *, since_us: int) -> dict[str, FacesToCome]:
    """Count the face readings from a moment on, of the laps that have any.

    Parameters
    ----------
    store : Store
    laps : iterable of str
    since_us : int
        As `sort_us`.

    Returns
    -------
    dict of str to FacesToCome
    """
    counted = ((lap, FacesToCome(*store.face_table.newest_since(lap, since_us))) for lap in laps)
    return {lap: late for lap, late in counted if late.faces}


def event_words(lap: str, late: pd.DataFrame | None, settings: Settings) -> tuple[str, ...]:
    """Say which events of a lap do not count yet, and what to do."""
    if late is None:
        return ()
    event, text = (str(late[name].iloc[-1]) for name in ("event", "time_text"))
    if len(late) > 1:
        return (f"{len(late):,} events of {lap} are dated up to {text}, {_later(settings)}",)
    said = f"{lap} is logged as {event} at {text}, which is still to come: it does not count until then"
    return (f"{said}; look at its date.",)


def face_words(lap: str, late: FacesToCome | None, settings: Settings) -> tuple[str, ...]:
    """Say how many faces of a lap do not count yet, which is the last, and what to do."""
    if late is None:
        return ()
    dated = "1 face of {} is dated" if late.faces == 1 else f"{late.faces:,} faces of {{}} are dated up to"
    which = f"{shown_text(late.newest_text, settings)} (row {late.newest_row:,} of {late.newest_name})"
    return (f"{dated.format(lap)} {which}, {_later(settings)}",)


def cell_words(to_come: Mapping[str, FacesToCome], settings: Settings) -> str:
    """Say the same of the whole cell; '' where there are none."""
    if not to_come:
        return ""
    laps, count = [*to_come], sum(late.faces for late in to_come.values())
    more = f"{len(laps) - _MOST_NAMED:,} more" if len(laps) > _MOST_NAMED else ""
    dated = "1 face of {} is dated" if count == 1 else f"{count:,} faces of {{}} are dated"
    return f"{dated.format(name_list(laps[:_MOST_NAMED], more=more))} {_later(settings)}"


def _later(settings: Settings) -> str:
    clock = settings.clock
    than = "now" if clock is None else f"the site's clock ({shown_wall(clock)})"
    return f"later than {than}: kept, but counted nowhere until then. {_CURE if clock is None else _CLOCK_SET}"
