"""What the room did, shift by shift: a shift in which most laps read high together is not forgotten when it ends.

Its faces tell nothing of a single lap, neither then nor in the shifts after. On the laps that moved with the room and
no further they are set aside: no flatness chart and no forecast leans on them until the cycle ends.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_charts import CellCharts, SignChart
from spc.board.cell_view import CellView
from spc.board.move_sources import MoveSources
from spc.board.one_source import Carried
from spc.board.results import RoomAlarm
from spc.board.room import FEWEST_LAPS, further_than_the_room_p, room_alarm_of, room_test
from spc.board.room_source import doubt_words, source_of_shift, told_apart, told_of_one_source
from spc.board.shifts import ShiftSpan, shift_at, shifts_until
from spc.chart.replay import Replayed, replay
from spc.log.name_list import name_list
from spc.measure.interval import middle_of

__all__ = [
    "NO_ROOM",
    "TESTED_SIGN",
    "RoomHistory",
    "RoomOfLap",
    "RoomShift",
    "look_at_room",
    "own_faces",
    "own_signs",
    "own_signs_of_all",
]

Array = NDArray[np.float64]
Stretch = tuple[int, int]  # from, and up to but without, a moment as in `sort_us`

TESTED_SIGN = "flatness"  # what a room that reads high moves on all laps
FARTHEST_DAYS = 90.0  # shifts further back are history; our own rule
LASTING_SHIFTS = 3  # one after the other, up to now: then it is how the room reads now; our own rule
_SAME_WAY_P = 0.05  # one room alarm in 20 may have a lap that keeps its own faces by chance; our own rule


@dataclass(frozen=True, slots=True)
class RoomShift:
    """One shift in which most laps moved together."""

    span: ShiftSpan
    alarm: RoomAlarm
    direction: str  # 'worse' or 'better'
    with_it: frozenset[str]  # laps that moved with the room and no further: the shift tells nothing of them
    source: MoveSources  # whether it is the room's


@dataclass(frozen=True, slots=True)
class CarriedShift:
    """One shift in which most laps moved in the faces of one operator or part number alone."""

    span: ShiftSpan
    told: RoomAlarm
    direction: str  # 'worse' or 'better'
    source: MoveSources

    @property
    def on_lap(self) -> Carried:
        """What it means for a lap that moved."""
        column = "part" if self.source.likeliest == "one part number" else "operator"
        name, read = self.source.names[self.source.likeliest], "high" if self.direction == "worse" else "low"
        return Carried(self.span.start_us, self.span.end_us, self.span.text, read, len(self.told.laps), column, name)


class RoomOfLap(NamedTuple):
    """What the room means for one lap."""

    alarm: str  # the sentence of the running shift's alarm that the lap is part of, '' = none
    beyond: bool  # it has moved further than the room, so that the alarm does not account for it
    aside: tuple[Stretch, ...]  # stretches whose flatness no chart of the lap counts
    ended: tuple[Stretch, ...]  # those of them that ended before the running shift
    unworn: tuple[Stretch, ...]  # those of them that no forecast counts
    shifts: tuple[tuple[str, str], ...]  # of each stretch, the shift in words and whether the room read 'high' or 'low'
    among: tuple[str, ...] = ()  # what the faces of the running shift's alarm cannot tell apart; () = no alarm
    carried: tuple[Carried, ...] = ()  # ended shifts that were not the room's, though this lap moved with most

    @property
    def counted(self) -> bool:
        """Whether faces left count the readings of the running shift's alarm, though the lap is part of it."""
        now = set(self.aside) - set(self.ended)
        return bool(self.alarm) and not (now and now <= set(self.unworn))

    def keeps(self, sort_us: NDArray[np.int64], stretches: Sequence[Stretch]) -> NDArray[np.bool_]:
        """Mark the moments that lie in none of the stretches."""
        keep = np.ones(sort_us.size, dtype=bool)
        for begins, ends in stretches:
            keep &= (sort_us < begins) | (sort_us >= ends)
        return keep


NO_ROOM = RoomOfLap("", False, (), (), (), ())


@dataclass(frozen=True, slots=True)
class RoomHistory:
    """Every shift lately in which most laps moved together."""

    running: ShiftSpan
    moved: tuple[RoomShift, ...]  # oldest first
    worked_us: int  # when the last shift worked before the running one began; -1 = none is known
    lasting_us: int  # when an unbroken run of at least `LASTING_SHIFTS` of them, up to now, began; -1 = none
    carried: tuple[CarriedShift, ...] = ()  # shifts whose move was not the room's, oldest first

    @property
    def not_the_room(self) -> RoomAlarm | None:
        """The running shift's move where one operator or part number carries it."""
        return next((one.told for one in self.carried if one.span.start_us == self.running.start_us), None)

    @property
    def not_the_room_before(self) -> RoomAlarm | None:
        """That of the last shift worked before this one."""
        return next((one.told for one in self.carried if one.span.start_us == self.worked_us), None)

    @property
    def alarm(self) -> RoomAlarm | None:
        """One alarm when most laps have moved the same way this shift."""
        found = self.moved[-1] if self.moved else None
        return found.alarm if found is not None and found.span.start_us == self.running.start_us else None

    @property
    def with_it(self) -> frozenset[str]:
        """Laps that the alarm of the running shift accounts for."""
        return self.moved[-1].with_it if self.alarm is not None else frozenset()

    @property
    def before(self) -> RoomAlarm | None:
        """That alarm of the last shift worked before this one, in words that look back."""
        found = next((shift for shift in self.moved if shift.span.start_us == self.worked_us), None)
        if found is None:
            return None
        told = found.alarm.sentence.split(": ", 1)[0]
        lean = "no chart or cause" if self.lasting_us >= 0 else "no chart, cause or faces left"
        lasts = f" The room has read so for {LASTING_SHIFTS} shifts or more: faces left count it as it is now."
        further = sorted(set(found.alarm.laps) - found.with_it)
        are = "is" if len(further) == 1 else "are"
        own = f" {name_list(further)} moved further than the room and {are} judged as ever." if further else ""
        sentence = (
            f"In {_the(found.span)} {told}. Its flatness readings are suspect and set aside: {lean} of these laps "
            f"leans on them.{own}{doubt_words(found.source)}{lasts * (self.lasting_us >= 0)}"
        )
        return replace(found.alarm, sentence=sentence)

    def of(self, lap: str) -> RoomOfLap:
        """Say what the room means for one lap."""
        alarm = self.alarm
        part = alarm is not None and lap in alarm.laps
        here = [shift for shift in self.moved if lap in shift.with_it]
        return RoomOfLap(
            alarm=alarm.sentence if alarm is not None and part else "",
            beyond=part and lap not in self.with_it,
            aside=_stretches(here),
            ended=_stretches([s for s in here if s.span.start_us < self.running.start_us]),
            unworn=_stretches([s for s in here if self.lasting_us < 0 or s.span.start_us < self.lasting_us]),
            shifts=tuple((s.span.text, "high" if s.direction == "worse" else "low") for s in here),
            among=(self.moved[-1].source.among or ("many laps",)) if part else (),
            carried=tuple(
                one.on_lap for one in self.carried if lap in one.told.laps and one.span.start_us < self.running.start_us
            ),
        )


def look_at_room(view: CellView, cell: CellCharts) -> RoomHistory:
    """Test shift by shift whether most laps moved together.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        From `chart_cell`.

    Returns
    -------
    RoomHistory

    Notes
    -----
    From the beginning of the oldest running cycle, at most `FARTHEST_DAYS` back, up to the running shift. A lap's score
    of a shift is the sum of the scores of its faces against the usual cycle, over the standard deviation of that sum
    with all that cycles differ by counted in: independent and standard normal between laps while the room does nothing.
    Trial limits judge the running cycle only; here they judge the cycles before too, so that a lap reconditioned since
    still has its say on a shift. A shift whose move one operator's or one part number's faces carry, while others on
    the same laps do not show it, is no move of the room.
    """
    running = shift_at(view.now, view.shifts_by)
    laps = tuple(str(lap) for lap in view.laps["lap"])
    if not laps:
        return RoomHistory(running, (), -1, -1)
    since_us = max(_oldest_us(view, cell, laps), running.start_us - round(FARTHEST_DAYS * 86.4e9))
    once, same = partial(view.memo.once, ""), partial(view.memo.same, "")
    back = timedelta(microseconds=view.now_us - since_us)
    asked = (same("room since", since_us), same("room shift", running.start_us), view.shifts_by)
    spans = once("room shifts", asked, lambda: shifts_until(view.now, view.shifts_by, back=back))
    each = [_shifts_of(view, cell.charts[lap, TESTED_SIGN], lap, spans, since_us) for lap in laps]
    scores, level, square, faces = np.stack(each, axis=1)
    moved: list[RoomShift] = []
    carried: list[CarriedShift] = []
    for place in _may_have_moved(scores):
        test = room_test(scores[:, place], alpha=cell.plan.room_alpha)
        alarm = room_alarm_of(test, laps)
        if alarm is None:
            continue
        source = source_of_shift(view, laps, spans[place], test.direction)
        if source.among and "many laps" not in source.among:
            when = "this shift" if place == len(spans) - 1 else f"in {_the(spans[place])}"
            told = told_of_one_source(alarm, source, test.direction, when=when)
            carried.append(CarriedShift(spans[place], told, test.direction, source))
        else:
            scatter = np.nansum(square[:, place]) / max(np.nansum(faces[:, place] - 1.0), 1.0)
            error = np.sqrt(scatter / np.maximum(faces[:, place], 1.0))
            further = test.laps * further_than_the_room_p(level[:, place], error) < _SAME_WAY_P
            with_it = frozenset(lap for lap, own in zip(laps, further, strict=True) if lap in alarm.laps and not own)
            moved.append(RoomShift(spans[place], told_apart(alarm, source), test.direction, with_it, source))
    worked = [span.start_us for span, own in zip(spans, scores.T, strict=True) if not np.isnan(own).all()]
    before = [start for start in worked if start < running.start_us]
    lasting_us = _lasting_us(spans, scores, moved)
    worked_us = before[-1] if before else -1
    return same("room", RoomHistory(running, tuple(moved), worked_us, lasting_us, tuple(carried)))


def own_faces(view: CellView, lap: str, room: RoomOfLap) -> pd.DataFrame:
    """Rows of a lap without those of earlier shifts in which the room moved; the very frame where there are none."""
    rows = view.faces_of(lap)
    keep = room.keeps(rows["sort_us"].to_numpy(np.int64), room.ended)
    return rows if keep.all() else view.memo.once(lap, "own faces", (rows, room), lambda: rows[keep])


def own_signs(view: CellView, lap: str, room: RoomOfLap) -> pd.DataFrame:
    """Finished faces of a lap without those of earlier shifts in which the room moved; see `own_faces`."""
    signs = view.signs_of(lap)
    keep = room.keeps(signs["sort_us"].to_numpy(np.int64), room.ended)
    return signs if keep.all() else view.memo.once(lap, "own signs", (signs, room), lambda: signs[keep])


def own_signs_of_all(view: CellView, room: RoomHistory) -> dict[str, pd.DataFrame]:
    """Finished faces of every lap as `own_signs` gives them."""
    every = {name: frames.signs for name, frames in view.by_lap.items()}
    if not room.moved:
        return every
    same, once = view.memo.same, view.memo.once

    def own() -> dict[str, pd.DataFrame]:
        return {name: own_signs(view, name, same(name, "room", room.of(name))) for name in every}

    return once("", "own signs of all", (room, *every.values()), own)


def _oldest_us(view: CellView, cell: CellCharts, laps: Sequence[str]) -> int:
    """When the oldest running cycle of any lap began."""

    def begun(chart: SignChart) -> int:
        stream = chart.replayed.stream
        return int(stream.sort_us[stream.running()][:1].min(initial=view.now_us))

    charts = ((lap, cell.charts[lap, TESTED_SIGN]) for lap in laps)
    return min(view.memo.once(lap, "room begun", (chart,), partial(begun, chart)) for lap, chart in charts)


def _shifts_of(view: CellView, chart: SignChart, lap: str, spans: tuple[ShiftSpan, ...], since_us: int) -> Array:
    """Tell of one lap in each shift, (4, S), NaN without faces.

    The score; the mean of the logarithm of reading over what is usual for it; the squares of those about it; how many
    faces.
    """

    def tell() -> Array:
        judged, spreads = _judged(chart, since_us)
        at, z = judged.stream.sort_us, judged.z
        starts, ends = (np.array([getattr(span, end) for span in spans]) for end in ("start_us", "end_us"))
        place = np.searchsorted(starts, at, side="right") - 1
        counts = (place >= 0) & (at < ends[place]) & ~np.isnan(z)
        low, high = judged.stream.low[counts], judged.stream.high[counts]
        ratio = np.log(middle_of(low, high) / judged.centre[counts])
        total = partial(np.bincount, place[counts], minlength=starts.size)
        faces = np.where((n := total()) > 0, n, np.nan)
        mean = total(weights=ratio) / faces
        square = total(weights=np.square(ratio - mean[place[counts]]))
        within, start, slope = spreads[:, counts]
        cycle, of = np.unique(np.stack([place[counts], judged.stream.cycle[counts]]), axis=1, return_inverse=True)
        lean = (
            np.bincount(of, weights=start) ** 2 + np.bincount(of, weights=slope * judged.stream.age_faces[counts]) ** 2
        )
        variance = total(weights=within**2) + np.bincount(cycle[0], weights=lean, minlength=starts.size)
        score = total(weights=z[counts]) / np.sqrt(np.where(n > 0, variance, np.nan))
        return np.stack([score, mean, np.where(n > 0, square, np.nan), faces])

    return view.memo.once(lap, "room shifts", (chart, spans), tell)


def _judged(chart: SignChart, since_us: int) -> tuple[Replayed, Array]:
    """Give the readings that a shift may be judged by, against the usual cycle alone, and how far cycles differ.

    Against its own cycle so far a lap would soon take a room that reads high for its own way to wear. The spreads,
    (3, n), are the standard deviations of a reading about its cycle, of the cycle's level and of its slope.
    """
    stream, revisions = chart.replayed.stream, chart.replayed.revisions
    if not chart.frozen and revisions:
        stream = stream.where((stream.sort_us >= since_us) & stream.of_this_grit())
        revisions = tuple(replace(one, valid_from_us=since_us) for one in revisions)
    usual = tuple(
        replace(one, model=replace(one.model, norm=replace(one.model.norm, cycles=None))) for one in revisions
    )
    judged = replay(stream, usual)
    spreads = np.tile(np.array([[1.0], [0.0], [0.0]]), len(stream))
    for one in revisions:
        if (cycles := one.model.norm.cycles) is not None:
            spread = np.array([[cycles.within_sd], [cycles.start_sd], [cycles.slope_sd]])
            spreads[:, judged.revision == one.number] = spread
    return judged, spreads


def _may_have_moved(scores: Array) -> list[int]:
    """Places of the shifts worth testing: where so many laps lie to one side that the test could speak at all."""
    known = np.sum(~np.isnan(scores), axis=0)
    up, down = np.sum(scores > 0, axis=0), np.sum(scores < 0, axis=0)
    return np.flatnonzero((known >= FEWEST_LAPS) & (2 * np.maximum(up, down) > known)).tolist()


def _lasting_us(spans: Sequence[ShiftSpan], scores: Array, moved: Sequence[RoomShift]) -> int:
    """When the run of shifts moved the same way began that goes on up to now, if it is long enough; else -1."""
    tested = np.flatnonzero(np.sum(~np.isnan(scores), axis=0) >= FEWEST_LAPS).tolist()
    of = {shift.span.start_us: shift for shift in moved}
    run: list[RoomShift] = []
    for place in reversed(tested):
        shift = of.get(spans[place].start_us)
        if shift is None or (run and shift.direction != run[-1].direction):
            break
        run.append(shift)
    return run[-1].span.start_us if len(run) >= LASTING_SHIFTS else -1


def _stretches(shifts: Sequence[RoomShift]) -> tuple[Stretch, ...]:
    return tuple((shift.span.start_us, shift.span.end_us) for shift in shifts)


def _the(span: ShiftSpan) -> str:
    return f"the {span.text}" if span.name else f"the day of {span.text}"
