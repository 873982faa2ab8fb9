"""Which laps to recondition before which natural break, from the faces left and the pace of each lap."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.board.lap_state import plural
from spc.board.results import CANNOT_WAIT, ReconditionSlot
from spc.board.shifts import Break
from spc.log.name_list import name_list

__all__ = ["LapNeed", "plan_slots"]

_HELD = "answer its signal first; then it is planned."


@dataclass(frozen=True, slots=True)
class LapNeed:
    """What is known of one lap that will have to be reconditioned."""

    lap: str
    state: str  # a key of spc.board.results.STATES
    faces_left_low: float  # low end of its range, NaN = no forecast
    faces_per_shift: float  # its usual pace, 0 = unknown
    over: bool = False  # at its limit already
    counted: str = "face"  # or 'pass'


def plan_slots(needs: Sequence[LapNeed], breaks: Sequence[Break], *, at_once: int = 1) -> tuple[ReconditionSlot, ...]:
    """Give every lap that runs out within the breaks shown its place.

    Parameters
    ----------
    needs : sequence of LapNeed
        Laps in use; resting ones are left out.
    breaks : sequence of Break, in order of time
        Natural breaks ahead, from `breaks_ahead`; none gives no plan.
    at_once : int, default 1
        How many laps can be reconditioned at one break.

    Returns
    -------
    tuple of ReconditionSlot
        In order of need: first what cannot wait for a break, then by the break it is given, last what is held. A lap
        that lasts and finds no break free stands after those that it gives way to. A lap whose faces outlast the last
        break shown, or that has no forecast, is not in it. A lap that is due goes to the next break, as its sentence
        says.

    Raises
    ------
    ValueError
        If `at_once` is less than 1.

    Notes
    -----
    A lap lasts until a break when it usually laps no more faces before it than the low end of its range, so that at
    most about one in twenty runs out earlier. Laps are accepted in order of need, due laps before the others, then
    those with the fewest faces left, each where all accepted so far still find a break that they last until: the sets
    that do are a matroid, on which this greedy choice keeps as many laps as can be kept and pushes out the least needy.
    Each accepted lap takes the last break that it lasts until; where that one is taken it goes to an earlier one, those
    that last longest first. For jobs of one slot each with a deadline this misses none that can be kept (Jackson's rule
    applied from the end).

    References
    ----------
    Jackson (1955), Scheduling a production line to minimize maximum tardiness, UCLA Management Science Research
    Report 43; Edmonds (1971), Matroids and the greedy algorithm, Mathematical Programming 1 (both from memory).
    """
    if at_once < 1:
        raise ValueError(f"`at_once` must be 1 or more, got {at_once}")
    if not breaks:
        return ()
    held = [n for n in needs if n.state == "held"]
    live = [n for n in needs if n.state not in ("held", "resting") and math.isfinite(n.faces_left_low)]
    last = {n.lap: _last_break(n, breaks) for n in live}
    waiting = sorted((n for n in live if last[n.lap] < len(breaks)), key=lambda n: (last[n.lap], n.faces_left_low))
    kept = _kept(waiting, last, at_once * np.arange(1, len(breaks) + 1))
    room = np.full(len(breaks), at_once)
    place: dict[str, int] = {}
    for need in (n for n in reversed(waiting) if n.lap in kept):
        place[need.lap] = int(np.flatnonzero(room[: last[need.lap] + 1])[-1])
        room[place[need.lap]] -= 1
    planned = sorted(waiting, key=lambda n: (place.get(n.lap, last[n.lap]), n.lap not in kept, n.faces_left_low))
    return (
        *(_slot(n, place, last[n.lap], breaks) for n in planned),
        *(ReconditionSlot(n.lap, "", math.nan, n.faces_left_low, _HELD, "after its answer") for n in held),
    )


def _last_break(need: LapNeed, breaks: Sequence[Break]) -> int:
    """Place of the last break the lap lasts until; -1 = not even the first, len(breaks) = past the last."""
    if need.over:
        return -1
    if need.state == "due":
        return 0
    pace = max(need.faces_per_shift, 1.0)
    lasts = [pace * b.shifts_ahead <= need.faces_left_low for b in breaks]
    return len(breaks) if all(lasts) else lasts.index(False) - 1


def _kept(waiting: Sequence[LapNeed], last: dict[str, int], most: NDArray[np.int64]) -> set[str]:
    """Laps that are given a break, the neediest first; `most` = how many can be reconditioned up to each break."""
    kept: set[str] = set()
    taken = np.zeros_like(most)  # accepted laps that last until each break or an earlier one
    for need in sorted(waiting, key=lambda n: (n.state != "due", n.faces_left_low)):
        with_it = taken + (np.arange(most.size) >= last[need.lap])
        if last[need.lap] >= 0 and (with_it <= most).all():
            kept.add(need.lap)
            taken = with_it
    return kept


def _slot(need: LapNeed, place: Mapping[str, int], last: int, breaks: Sequence[Break]) -> ReconditionSlot:
    """Tell one lap's place; `place` holds the break of every lap that has one."""
    left, pace = need.faces_left_low, max(need.faces_per_shift, 1.0)
    known = f"at least {left:.0f} left" if need.counted == "face" else f"at least {left:.0f} passes left"
    if need.over:
        why = "before its next face: it is likely at its limit."
        return ReconditionSlot(need.lap, "", 0.0, left, why, CANNOT_WAIT)
    if last < 0:
        why = f"before the first break, or take a spare: {known} may not last until the first break."
        return ReconditionSlot(need.lap, "", 0.0, left, why, CANNOT_WAIT)
    if need.lap not in place:
        before = sorted((lap for lap, at in place.items() if at <= last), key=lambda lap: place[lap])
        beside = "one of them" if len(before) > 1 else "that"
        why = f"{known}; taken by {name_list(before)}. Recondition it beside {beside}, or take a spare."
        instead = f"none free up to the {breaks[last].text}"
        return ReconditionSlot(need.lap, "", pace * breaks[last].shifts_ahead, left, why, instead)
    faces = pace * breaks[place[need.lap]].shifts_ahead
    until = (
        f"about {plural(round(faces), need.counted)} until then"
        if faces >= 0.5
        else f"hardly a {need.counted} until then"
    )
    why = f"{until}, {known}." if left >= faces else f"{until}; it may run out before, so read each against the limit."
    return ReconditionSlot(need.lap, breaks[place[need.lap]].text, faces, left, why)
