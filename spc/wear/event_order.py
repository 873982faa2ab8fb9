"""Where each event of a lap falls among its faces: before the first, between two, after the last, or nowhere.

Time decides. At equal times the row order of a shared file decides; an event from another file is put before the
faces of that time, unless it takes the lap out of use, when it is put after them, and so is what its file says below
it. Where the event or the faces carry a date alone, their time is all of that day: a reconditioning is then put where
the readings of that day begin anew, if they tell one place, and how far it may lie from there is kept. A face that is
only read again lies between no two events. A retirement taken back before another face was lapped or the lap was
reconditioned is but a rest: the wear goes on where it was.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.moments import dates_alone
from spc.wear.day_places import DAY_US, FirstReadings
from spc.wear.restarts import PlacedRestart

__all__ = ["BEGINNINGS", "EVENT_EFFECTS", "EventEffect", "EventOrder", "effective_events", "order_events"]


Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class EventEffect:
    """What one kind of event starts anew; all False = it resets nothing."""

    life: bool = False  # the lap is a new tool
    cycle: bool = False  # shape and cut are restored
    stream: bool = False  # readings before and after are never joined
    segment: bool = False  # a moving range must not bridge it
    charge: bool = False  # the cutting clock starts again
    closing: bool = False  # takes the lap out of use: falls after the faces of its own time


# Common practice in the trade, no published source: what resets shape, cut, both or neither.
EVENT_EFFECTS: dict[str, EventEffect] = {
    "charged": EventEffect(segment=True, charge=True),
    "recharged": EventEffect(segment=True, charge=True),
    "cleaned": EventEffect(),
    "grit changed": EventEffect(stream=True, segment=True, charge=True),
    "dressed": EventEffect(segment=True, charge=True),
    "reconditioned": EventEffect(cycle=True, segment=True, charge=True),
    "re-faced": EventEffect(life=True, cycle=True, segment=True, charge=True),
    "measured": EventEffect(),
    "ring moved": EventEffect(segment=True),
    "swapped": EventEffect(segment=True, closing=True),
    "returned": EventEffect(segment=True),
    "retired": EventEffect(life=True, cycle=True, segment=True, charge=True, closing=True),
}
BEGINNINGS = tuple(name for name, effect in EVENT_EFFECTS.items() if effect.cycle and not effect.closing)


@dataclass(frozen=True, slots=True)
class EventOrder:
    """Faces laid out lap by lap, and the place of every event among them."""

    order: NDArray[np.int64]  # rows of the faces frame, lap by lap, oldest first
    lap_code: NDArray[np.int64]  # lap of each ordered row
    laps: tuple[str, ...]  # name of each code
    block_start: NDArray[np.int64]  # first ordered row of each lap
    block_end: NDArray[np.int64]  # one past its last
    events: pd.DataFrame  # placed, in order; adds `lap_code`, `place` (ordered row of the next lapping; the lap's first
    # row where no lapping came before), `effect` (the key of EVENT_EFFECTS that the event counts as), `earliest` and
    # `latest` (places between which it falls: not the same where a date alone says no more) and `by_readings` (they
    # told which of these)
    unplaced: pd.DataFrame  # events with no time and nothing to order them by, or of a lap without faces


def order_events(faces: pd.DataFrame, events: pd.DataFrame) -> EventOrder:
    """Lay faces out lap by lap and find the place of every event among them.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Columns lap, kind, part, attempt, flatness_low_um, flatness_high_um, time_text, time_utc, sort_us, intake_id,
        row_number; sorted by (sort_us, intake_id, row_number).
    events : DataFrame, shape (n_events, ...)
        Columns event_id, lap, event, time_text, time_utc, sort_us, intake_id, row_number; any order; may be empty.

    Returns
    -------
    EventOrder

    Raises
    ------
    ValueError
        If an event kind is not one of `EVENT_EFFECTS`.
    """
    codes, names = pd.factorize(faces["lap"])
    order = np.argsort(codes.astype(np.min_scalar_type(len(names))), kind="stable").astype(np.int64)  # few bits: quick
    lap_code = np.repeat(np.arange(len(names)), np.bincount(codes, minlength=len(names)))
    sort_us = faces["sort_us"].to_numpy(np.int64)[order]
    edges = np.searchsorted(lap_code, np.arange(len(names) + 1))
    start, end = edges[:-1].astype(np.int64), edges[1:].astype(np.int64)
    laps = tuple(str(name) for name in names)
    if len(events) == 0:
        nowhere = {name: np.empty(0, np.int64) for name in ("lap_code", "place", "earliest", "latest")}
        empty = events.assign(**nowhere, by_readings=np.empty(0, bool), effect=events["event"])
        return EventOrder(order, lap_code, laps, start, end, empty, events.iloc[:0])

    unknown = sorted(set(events["event"].unique()) - set(EVENT_EFFECTS))
    if unknown:
        raise ValueError(f"`events` must hold only events of {', '.join(EVENT_EFFECTS)}; got {', '.join(unknown)}")

    event_code = pd.Index(names).get_indexer(pd.Index(events["lap"])).astype(np.int64)
    timeless = (events["time_text"].to_numpy() == "") & events["time_utc"].isna().to_numpy()
    beside = _shares_file(faces, codes, events, event_code)
    placeable = (event_code >= 0) & (~timeless | beside)
    rows = np.flatnonzero(placeable)
    keys = (events[name].to_numpy(np.int64)[rows] for name in ("event_id", "row_number", "intake_id", "sort_us"))
    rows = rows[np.lexsort((*keys, event_code[rows]))]
    code_p, us_p = event_code[rows], events["sort_us"].to_numpy(np.int64)[rows]
    timed = _Timed(sort_us, dates_alone(faces)[order], start, end, len(names))
    told = _Told(
        code_p,
        us_p,
        dates_alone(events)[rows],
        *(events[n].to_numpy()[rows] for n in ("intake_id", "row_number", "event")),
    )
    first, after, wide = timed.ranges(told)
    file, row = (faces[name].to_numpy() for name in ("intake_id", "row_number"))
    place, earliest, latest = first.copy(), first.copy(), np.where(wide, after, first)
    above = -1
    for e in np.flatnonzero(after > first).tolist():  # equal times, or a day, only
        tied = order[first[e] : after[e]]
        same_file = file[tied] == told.file[e]
        if same_file.any():
            earlier = same_file & (row[tied] < told.row[e])
            place[e] += int(np.flatnonzero(earlier)[-1]) + 1 if earlier.any() else 0
            wide[e] = False
        elif EVENT_EFFECTS[told.event[e]].closing:
            place[e] = after[e]
        if above >= 0 and told.follows(above, e):
            place[e], earliest[e] = max(place[e], place[above]), max(earliest[e], earliest[above])
        above = e
    earliest, latest = np.where(wide, earliest, place), np.where(wide, np.maximum(latest, place), place)
    by_readings = _begin_anew(faces, order, told, place, (earliest, latest), (start, end))

    def on(places: Places) -> Places:
        return _between_lappings(places, start[code_p], end[code_p], lambda at: faces["kind"].take(order[at]) == "face")

    place, earliest, latest = on(place), on(earliest), on(latest)
    in_order = np.lexsort((place, code_p))
    rows, code_p, place = rows[in_order], code_p[in_order], place[in_order]
    gap = list(zip(code_p.tolist(), place.tolist(), strict=True))
    placed = events.iloc[rows].reset_index(drop=True)
    effect = effective_events(placed["event"].tolist(), gap)
    placed = placed.assign(
        lap_code=code_p, place=place, effect=effect, earliest=earliest[in_order], latest=latest[in_order],
        by_readings=by_readings[in_order],
    )  # fmt: skip
    return EventOrder(order, lap_code, laps, start, end, placed, events.loc[~placeable])


def effective_events(events: Sequence[str], gaps: Sequence[object]) -> list[str]:
    """Give the kind that each event counts as: a retirement taken back, with no face since, counts as a swap.

    Parameters
    ----------
    events : sequence of str
        Keys of `EVENT_EFFECTS`, lap by lap in order.
    gaps : sequence of object
        Where each falls: equal for two events of a lap with no face between them.

    Returns
    -------
    list of str
        A retirement after which the lap was reconditioned or re-faced before it came back stays one.
    """
    effects = list(events)
    back: object = None  # the gap in which a return takes back what stands before it
    for at in range(len(effects) - 1, -1, -1):
        if events[at] == "returned":
            back = gaps[at]
        elif events[at] == "retired" and back is not None and gaps[at] == back:
            effects[at] = "swapped"
        elif EVENT_EFFECTS[events[at]].cycle:
            back = None
    return effects


@dataclass(frozen=True, slots=True)
class _Told:
    """What the log says of the events that have a place, lap by lap in order of time; arrays of shape (n_events,)."""

    lap_code: Places
    sort_us: Places
    day: NDArray[np.bool_]  # a date alone
    file: Places
    row: Places
    event: NDArray[np.object_]

    def follows(self, one: int, other: int) -> bool:
        """Whether an event falls after one before it in this order, however little is known of their faces."""
        if self.lap_code[one] != self.lap_code[other]:
            return False
        later = self.sort_us[one] < self.sort_us[other] and not self.day[one] and not self.day[other]
        return bool(later or self.file[one] == self.file[other])

    def of_one_day(self, those: Places, one: int) -> NDArray[np.bool_]:
        """Which of those events are of the day of one, where either has a date alone, or of its moment."""
        since, until = self.sort_us[those], self.sort_us[those] + np.where(self.day[those], DAY_US - 1, 0)
        to = self.sort_us[one] + (DAY_US - 1 if self.day[one] else 0)
        return np.asarray((since <= to) & (until >= self.sort_us[one]))


@dataclass(frozen=True, slots=True)
class _Timed:
    """Times of the faces, lap by lap."""

    sort_us: Places
    dated: NDArray[np.bool_]  # a date alone
    start: Places
    end: Places
    laps: int

    def ranges(self, told: _Told) -> tuple[Places, Places, NDArray[np.bool_]]:
        """Give the first and one past the last face at the time of each event, and where one of them has but a date."""
        cuts = np.searchsorted(told.lap_code, np.arange(self.laps + 1))
        first, after = np.empty(told.event.size, np.int64), np.empty(told.event.size, np.int64)
        wide = told.day.copy()
        for c in range(self.laps):  # one search per lap: laps are few, faces many
            block, own = slice(cuts[c], cuts[c + 1]), slice(self.start[c], self.end[c])
            within, us, day = self.sort_us[own], told.sort_us[block], told.day[block]
            first[block] = np.searchsorted(within, us, side="left")
            after[block] = np.searchsorted(within, us + np.where(day, DAY_US - 1, 0), side="right")
            dated = np.flatnonzero(self.dated[own])
            if dated.size:
                since = np.searchsorted(within[dated], us - DAY_US, side="right")
                begun = np.append(dated, within.size)[since]
                wide[block] |= begun < after[block]
                first[block] = np.minimum(first[block], begun)
            first[block] += self.start[c]
            after[block] += self.start[c]
        return first, after, wide & (after > first)


def _begin_anew(
    faces: pd.DataFrame,
    order: Places,
    told: _Told,
    place: Places,
    span: tuple[Places, Places],
    block: tuple[Places, Places],
) -> NDArray[np.bool_]:
    """Move reconditionings within their day to where the readings begin anew, and the events beside them along.

    One that is logged on that day at a known place too is the same one. Changes `place` and `span`. Gives those that
    the readings placed.
    """
    (start, end), (first, last) = block, (span[0].copy(), span[1].copy())
    begins = np.isin(told.event.astype(str), BEGINNINGS)
    by_readings = np.zeros(place.size, bool)
    unsure = np.flatnonzero(begins & (last > first)).tolist()
    if not unsure:
        return by_readings
    readings = FirstReadings.of(faces, order)
    for e in unsure:
        lap = slice(*np.searchsorted(told.lap_code, (told.lap_code[e], told.lap_code[e] + 1)).tolist())
        own = lap.start + np.flatnonzero(begins[lap])
        same = own[(first[own] == last[own]) & told.of_one_day(own, e)]
        if same.size:
            at = int(place[same[0]])
            found: PlacedRestart | None = PlacedRestart(at, at, at)
        else:
            low = int(place[own[last[own] <= first[e]]].max(initial=start[told.lap_code[e]]))
            high = int(first[own[first[own] >= last[e]]].min(initial=end[told.lap_code[e]]))
            found = readings.begun_within(low, int(first[e]), int(last[e]), high)
            by_readings[e] = found is not None
        if found is None:
            continue
        place[e], span[0][e], span[1][e] = found.place, found.earliest, found.latest
        for k in range(e - 1, -1, -1):
            if last[k] == first[k] or not told.follows(k, e):
                break
            place[k] = min(place[k], place[e])
        for k in range(e + 1, place.size):
            if last[k] == first[k] or not told.follows(e, k):
                break
            place[k] = max(place[k], place[e])
    return by_readings


def _between_lappings(
    place: NDArray[np.int64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    laps: Callable[[NDArray[np.int64]], "pd.Series[bool]"],
) -> NDArray[np.int64]:
    """Move places on over repeat readings to the next lapping; `start`, where no lapping of the lap comes before.

    `laps` says of ordered rows whether they are lappings.
    """
    on, back = place.copy(), place.copy()
    left = np.flatnonzero(on < end)
    while (left := left[~laps(on[left]).to_numpy(bool)]).size:
        on[left] += 1
        left = left[on[left] < end[left]]
    left = np.flatnonzero(back > start)
    while (left := left[~laps(back[left] - 1).to_numpy(bool)]).size:
        back[left] -= 1
        left = left[back[left] > start[left]]
    return np.where(back == start, start, on)


def _shares_file(
    faces: pd.DataFrame, codes: NDArray[np.int64], events: pd.DataFrame, event_code: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether each event stands in a file that also carries faces of its lap, so that row order can place it."""
    face_keys = pd.unique(faces["intake_id"].to_numpy(np.int64) * (codes.max(initial=0) + 1) + codes)
    event_keys = events["intake_id"].to_numpy(np.int64) * (codes.max(initial=0) + 1) + event_code
    return (event_code >= 0) & np.isin(event_keys, face_keys)
