"""Open signals of a lap's charts: the newest spell of each sign that nobody has answered, told in words."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spc.board.cell_charts import CellCharts, SignChart
from spc.board.cell_view import CellView
from spc.board.lap_state import plural
from spc.board.reactions import is_answered
from spc.board.results import Signal
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.board.shown_length import length_words, lengths_apart, shown_length
from spc.chart.replay import BEYOND, DRIFTING, ChartSignal, Replayed, replay, signals_of
from spc.chart.stream import SIGNS, Stream
from spc.measure.interval import middle_of
from spc.measure.shown import ShownLength

__all__ = ["RECENT_POINTS", "open_signals"]

RECENT_POINTS = 8  # a signal older than this many readings, and not gone on, is history; our own rule


def open_signals(view: CellView, cell: CellCharts, lap: str, *, room: RoomOfLap = NO_ROOM) -> tuple[Signal, ...]:
    """Open signals of one lap's charts, the gravest first.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
    lap : str
    room : RoomOfLap, default NO_ROOM
        What it sets aside is not charted: a spell that had spoken before stays open, and goes on when the lap's own
        readings go on.

    Returns
    -------
    tuple of Signal
        At most one per sign: the newest spell that nobody has answered and that spoke lately.
    """
    found = []
    for sign in SIGNS:
        counted = _counted(view, cell.charts[lap, sign], room if sign == "flatness" else NO_ROOM)
        open_now = _open_spells(view, counted.judged)
        if open_now:
            found.append(
                _signal(counted, _told(open_now), shown_length(view, lap, sign, basis=counted.judged.stream.basis))
            )
    return tuple(sorted(found, key=lambda s: s.p_value))


class _Counted(NamedTuple):
    """The readings of a chart that count, judged."""

    judged: Replayed
    back: NDArray[np.int64]  # readings since each of them, those set aside too


def _counted(view: CellView, chart: SignChart, room: RoomOfLap) -> _Counted:
    judged = chart.replayed
    keep = room.keeps(judged.stream.sort_us, room.aside)
    back = np.flatnonzero(keep[::-1])[::-1]
    if keep.all():
        return _Counted(judged, back)
    own = view.memo.once(
        judged.stream.lap, f"{judged.stream.sign} without the room", (chart, room),
        lambda: replay(judged.stream.where(keep), judged.revisions),
    )  # fmt: skip
    return _Counted(own, back)


class _Spell(NamedTuple):
    """An open signal, the newest of its spell, with positions of the spell in the stream."""

    newest: ChartSignal
    first: int  # face at which the spell first spoke, answered there or not
    spoke: int  # the same among the faces not answered yet


def _open_spells(view: CellView, judged: Replayed) -> list[_Spell]:
    """List the open signals of the newest readings, oldest first."""
    stream = judged.stream
    own = np.flatnonzero(stream.cycle == stream.running_cycle)
    if own.size == 0:  # what the cycles before showed is closed
        return []
    begin = int(own[0])
    spoken = [s for s in signals_of(judged, since_us=int(stream.sort_us[begin])) if s.position >= begin]
    left = [s for s in spoken if not is_answered(view, stream.lap, stream.sign, s.face_id)]
    return [
        _Spell(s, _spell_begins(judged, s.position, begin), _spell_begins(judged, s.position, left[0].position))
        for s in left
        if s.position >= len(stream) - RECENT_POINTS
    ]


def _told(spells: list[_Spell]) -> _Spell:
    """Choose the newest; where its one face is far off by itself, that is told and not the average that it carried."""
    newest = spells[-1]
    if newest.newest.rule == DRIFTING and newest.first == newest.newest.position:
        alone = (s for s in spells if s.newest.position == newest.newest.position and s.newest.rule == BEYOND)
        return next(alone, newest)
    return newest


def _spell_begins(judged: Replayed, position: int, floor: int) -> int:
    """First face, none before `floor`, at which an unbroken spell spoke.

    A signal starts the average anew. One that follows at once, or whose average has not come back to the centre since
    the signal before, is of the same spell.
    """
    spoke = judged.beyond | judged.drifting
    while True:
        start = int(judged.since[position])
        if start <= floor or judged.stream.fresh[start] or not spoke[start - 1]:
            return position
        position = start - 1


def _signal(counted: _Counted, spell: _Spell, unit: ShownLength | None) -> Signal:
    judged, s = counted.judged, spell.newest
    stream = judged.stream
    alone = s.rule == BEYOND and spell.spoke == s.position  # what the average began with says nothing of one face
    since = s.position if alone else int(judged.since[spell.spoke])
    low, high = float(stream.flatness_low_um[s.position]), float(stream.flatness_high_um[s.position])
    return Signal(
        lap=s.lap,
        sign=s.sign,
        rule=s.rule,
        sentence=_drifting(counted, spell, unit) if s.rule == DRIFTING else _beyond(counted, spell, unit),
        severity="look",
        p_value=s.p_value,
        face_id=s.face_id,
        since_face_id=int(stream.face_id[since]),
        since_faces=int(counted.back[since]),
        time_text=s.time_text,
        value_um=float(middle_of(low, high)),
        age_faces=float(stream.age_faces[s.position]),
        spoke_face_id=int(stream.face_id[spell.spoke]),
    )


def _drifting(counted: _Counted, spell: _Spell, unit: ShownLength | None) -> str:
    judged, s, sign = counted.judged, spell.newest, SIGNS[spell.newest.sign]
    stream, begin = judged.stream, int(judged.since[spell.first])
    back, silent = int(counted.back[begin]), int(counted.back[s.position])
    way = "up" if sign.side == "upper" else "down"
    if silent and silent == back:
        when = f"drifted {way} {plural(silent, 'face')} ago"
    elif silent:
        when = f"drifted {way} from about {back} to {plural(silent, 'face')} ago"
    elif back:
        when = f"has drifted {way} since about {plural(back, 'face')} ago"
    else:
        when = f"drifts {way} with the last face"
    middle, usual = _middle(stream, begin, s.position), _usual(judged, begin, s.position)
    shown, against = lengths_apart(middle, usual, s.sign, unit)
    part = _of_part(stream, begin, s.position)
    told = f"{shown} where {against} is usual{part}"
    if (middle <= usual) == (sign.side == "upper"):  # it is usual as such, but not in this cycle
        foretold = float(np.median(judged.foretold[begin : s.position + 1]))
        shown, against = lengths_apart(middle, foretold, s.sign, unit)
        told = f"{shown} where its cycle so far foretold {against}{part}; {length_words(usual, s.sign, unit)} is usual"
    return f"{_capital(sign.words)} on {s.lap} {when}: {told}.{_no_usual(judged, begin, s.position)}"


def _beyond(counted: _Counted, spell: _Spell, unit: ShownLength | None) -> str:
    """Tell the faces beyond the limit, one after the other, that the newest signal ends, and of the spell before."""
    judged, s = counted.judged, spell.newest
    stream, begin = judged.stream, s.position
    while begin > spell.first and judged.beyond[begin - 1]:
        begin -= 1
    first, last = int(counted.back[begin]), int(counted.back[s.position])
    if last == 0:
        since = f"has been beyond its chart limit since {plural(first, 'face')} ago"
        when = since if first else "is beyond its chart limit with the last face"
    elif first == last:
        when = f"was beyond its chart limit {plural(last, 'face')} ago"
    else:
        when = f"was beyond its chart limit from {first} to {plural(last, 'face')} ago"
    before = int(counted.back[judged.since[spell.first]]) if spell.first < begin else first
    when += f", after signals since about {plural(before, 'face')} ago" if before > first else ""
    limit = float(np.median(judged.limit[begin : s.position + 1]))
    shown, against = lengths_apart(_middle(stream, begin, s.position), limit, s.sign, unit)
    return (
        f"{_capital(SIGNS[s.sign].words)} on {s.lap} {when}: {shown} against {against}"
        f"{_of_part(stream, begin, s.position)}; "
        f"{length_words(_usual(judged, begin, s.position), s.sign, unit)} is usual."
        f"{_no_usual(judged, begin, s.position)}"
    )


def _middle(stream: Stream, begin: int, end: int) -> float:
    """Median of the readings shown, an open one counted by its low end."""
    low, high = stream.low[begin : end + 1], stream.high[begin : end + 1]
    return float(np.median(middle_of(low, high)))


def _usual(judged: Replayed, begin: int, end: int) -> float:
    """Say what is usual for the very faces shown, each at its age."""
    return float(np.median(judged.centre[begin : end + 1]))


def _of_part(stream: Stream, begin: int, end: int) -> str:
    parts = set(stream.part[begin : end + 1].tolist())
    return f" for {parts.pop()}" if len(parts) == 1 and parts != {""} else ""


def _no_usual(judged: Replayed, begin: int, end: int) -> str:
    """Say which of the parts of the faces shown have no usual size, so that nothing is told as usual for them."""
    part = judged.stream.part[begin : end + 1]
    new = dict.fromkeys(part[judged.revisions[-1].model.norm.unknown(part)].tolist())
    has = "has" if len(new) == 1 else "have"
    return f" {' and '.join(name or 'A part without a number' for name in new)} {has} no usual size yet." if new else ""


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
