"""Scratches and finish jumps that hit several laps in one shift after one wash, or by the same hands at one bench."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.guard_calls import calls_on_lap
from spc.board.shifts import ShiftSpan, shift_at
from spc.log.name_list import name_list
from spc.settings import Settings
from spc.wear.grit_guard import SHARED_HOURS, GuardCall

__all__ = ["hit_together_words", "laps_hit_too"]

_HITS = ("scratch", "finish jump")
_SHARED_US = round(SHARED_HOURS * 3.6e9)


class _Hit(NamedTuple):
    """The first scratch or finish jump of a lap in one shift, and what the lap may share with others."""

    sort_us: int
    washes: NDArray[np.int64]  # of the lap in the shift up to the hit, or shortly before the shift
    hands: frozenset[str]  # that worked on the lap shortly before the hit, and at it


def laps_hit_too(view: CellView, call: GuardCall) -> dict[str, str]:
    """Name the other laps that a scratch or finish jump hit in the same shift, with what they share with this one.

    Parameters
    ----------
    view : CellView
    call : GuardCall
        Of one lap.

    Returns
    -------
    dict of str to {'wash', 'bench'}
        Lap to what is shared: a wash logged within `SHARED_HOURS` of one of this lap, or the same hands at hits no
        further apart than that. Empty for a call of another kind.
    """
    if call.guard not in _HITS:
        return {}
    span = _shift_of(call, view.shifts_by)
    hits = {lap: hit for lap in view.by_lap if (hit := _hit(view, lap, span)) is not None}
    own = hits.pop(call.lap, None)
    found = {lap: _shared(own, hit) for lap, hit in hits.items()} if own is not None else {}
    return {lap: shared for lap, shared in found.items() if shared}


def hit_together_words(hit: dict[str, str]) -> str:
    """Say which other laps are hit and what they share; '' when none is."""
    told = []
    for shared, how in (("wash", "washed when it was"), ("bench", "lapped by the same hands")):
        names = [lap for lap, what in hit.items() if what == shared]
        if names:
            told.append(f"{name_list(names)}, {how}, {'is' if len(names) == 1 else 'are'} hit in the same shift too")
    return f"{'; '.join(told)}: look for one grain in what they share first." if told else ""


def _hit(view: CellView, lap: str, span: ShiftSpan) -> _Hit | None:
    made_from = (calls_on_lap(view, lap), view.events_of(lap), view.faces_of(lap))
    return view.memo.once(
        lap, f"hit in {span.start_us} to {span.end_us}", made_from, partial(_hit_of, *made_from, span)
    )


def _hit_of(calls: Sequence[GuardCall], events: pd.DataFrame, rows: pd.DataFrame, span: ShiftSpan) -> _Hit | None:
    at = [c.sort_us for c in calls if c.guard in _HITS and span.start_us <= c.sort_us < span.end_us]
    if not at:
        return None
    hit_us = min(at)
    washed = events["sort_us"].to_numpy(np.int64)[(events["event"] == "cleaned").to_numpy(bool)]
    first, last = np.searchsorted(rows["sort_us"].to_numpy(np.int64), [hit_us - _SHARED_US, hit_us + 1])
    hands = frozenset(rows["operator"].iloc[int(first) : int(last)].tolist()) - {""}
    return _Hit(hit_us, washed[(washed >= span.start_us - _SHARED_US) & (washed <= hit_us)], hands)


def _shared(own: _Hit, other: _Hit) -> str:
    apart = np.abs(own.washes[:, None] - other.washes[None, :])
    if apart.size and int(apart.min()) <= _SHARED_US:
        return "wash"
    near = abs(own.sort_us - other.sort_us) <= _SHARED_US
    return "bench" if near and own.hands & other.hands else ""


def _shift_of(call: GuardCall, settings: Settings) -> ShiftSpan:
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else ZoneInfo("UTC")
    return shift_at(datetime.fromtimestamp(call.sort_us / 1e6, UTC).astimezone(zone).replace(tzinfo=None), settings)
