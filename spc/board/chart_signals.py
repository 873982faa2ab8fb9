"""What the charts of the cell say now: every sign of every lap judged by its limits in force, and the room by them all.

Limits in force are the frozen ones. Where nobody has frozen any, trial limits from the lap's own earlier cycles stand
in, and say so: they judge the running cycle only and are never kept.
"""

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from spc.board.cell_view import CellView
from spc.board.false_calls import BudgetPlan, GoLook, combined_p, go_look, plan_budget, shift_score
from spc.board.frozen_limits import BUDGET_WEEKS, WEEK_US, revision_of, rules_of
from spc.board.kept import digest_of_values, kept
from spc.board.lap_state import plural
from spc.board.reactions import is_answered
from spc.board.results import RoomAlarm, Signal
from spc.board.room import beyond_the_rest_p, room_alarm_of, room_test
from spc.board.shifts import shift_at
from spc.board.shown_length import length_words, lengths_apart, shown_length
from spc.board.stream_memory import streams_of_cell
from spc.chart.baseline import Analysis, RulesInUse, analyse, fingerprint_of
from spc.chart.replay import DRIFTING, ChartSignal, Replayed, Revision, replay, signals_of
from spc.chart.stream import SIGNS, Stream
from spc.measure.shown import ShownLength
from spc.store.registers import Baseline

__all__ = ["CellCharts", "SignChart", "beyond_the_rest", "chart_cell", "chart_signals", "go_look_list", "room_alarm"]

RECENT_POINTS = 8  # a signal older than this many readings, and not gone on, is history; our own rule
TRIAL_READINGS = 300  # newest readings of earlier cycles that trial limits rest on
_SAME_WAY_P = 0.05  # a lap this far beyond the rest keeps its own signal beside a room alarm; our own rule


@dataclass(frozen=True, slots=True)
class SignChart:
    """One sign of one lap, judged."""

    replayed: Replayed
    frozen: bool  # judged by frozen limits; False = trial limits, or none
    sentence: str  # which limits, from what


@dataclass(frozen=True, slots=True)
class CellCharts:
    """All charts of the cell."""

    plan: BudgetPlan
    charts: dict[tuple[str, str], SignChart]  # by lap and sign


_TRIALS: OrderedDict[tuple[object, ...], Analysis] = OrderedDict()


def chart_cell(view: CellView) -> CellCharts:
    """Judge every sign of every lap.

    Parameters
    ----------
    view : CellView

    Returns
    -------
    CellCharts
        A sign without enough readings has a chart that judges nothing and says why.
    """
    streams = streams_of_cell(view)
    plan = _plan(view, streams)
    widths = view.memo.same("", "widths", plan.sentence if plan.widths is None else rules_of(plan))
    frozen: dict[tuple[str, str], list[Baseline]] = {}
    for record in view.baselines:
        frozen.setdefault((record.lap, record.sign), []).append(record)
    charts = {}
    for (lap, sign), stream in streams.items():
        records = frozen.get((lap, sign), [])
        charts[lap, sign] = (
            view.memo.once(lap, f"frozen {sign}", (stream, *records), partial(_frozen_chart, stream, records))
            if records
            else view.memo.once(lap, f"judged {sign}", (stream, widths), partial(_trial_chart, stream, plan))
        )
    return CellCharts(plan, charts)


def chart_signals(view: CellView, cell: CellCharts, lap: str, *, room: RoomAlarm | None = None) -> tuple[Signal, ...]:
    """Open signals of one lap's charts, the gravest first.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
    lap : str
    room : RoomAlarm, optional
        When the whole room has moved, the flatness signals of the laps that moved with it are part of that one alarm,
        but for those whose spell had spoken before this shift began.

    Returns
    -------
    tuple of Signal
        At most one per sign: the newest spell that nobody has answered and that spoke lately.
    """
    found = []
    part_of_room = room is not None and lap in room.laps
    for sign in SIGNS:
        chart = cell.charts[lap, sign]
        open_now = _open_spells(view, chart.replayed)
        if part_of_room and sign == "flatness" and not beyond_the_rest(view, cell, lap):
            begins = shift_at(view.now, view.settings).start_us
            open_now = [spell for spell in open_now if chart.replayed.stream.sort_us[spell.spoke] < begins]
        if open_now:
            found.append(_signal(chart.replayed, open_now[-1], shown_length(view, lap, sign)))
    return tuple(sorted(found, key=lambda s: s.p_value))


def room_alarm(view: CellView, cell: CellCharts) -> RoomAlarm | None:
    """One alarm when most laps have moved the same way this shift."""
    laps, z = _shift_scores(view, cell, "flatness")
    return room_alarm_of(room_test(z, alpha=cell.plan.room_alpha), laps)


def go_look_list(
    view: CellView, cell: CellCharts, *, never_filtered: tuple[str, ...]
) -> tuple[tuple[str, ...], GoLook]:
    """Laps worth a look this shift, with the share of false ones among them held down.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
    never_filtered : tuple of str
        Laps with a stop signal: listed whatever their charts say.

    Returns
    -------
    tuple of (tuple of str, GoLook)
        The laps listed, and how they were chosen.
    """
    laps = tuple(str(lap) for lap in view.laps["lap"])
    scores = [np.where(_towards_bad(sign), 1.0, -1.0) * _shift_scores(view, cell, sign)[1] for sign in SIGNS]
    p_all = np.array([beyond_the_rest_p(z) for z in scores])
    p = [combined_p(p_all[:, i]) for i in range(len(laps))]
    chosen = go_look(p, never_filtered=[lap in never_filtered for lap in laps])
    return tuple(lap for lap, listed in zip(laps, chosen.listed, strict=True) if listed), chosen


def _plan(view: CellView, streams: dict[tuple[str, str], Stream]) -> BudgetPlan:
    """Widths of all charts from the site's budget and the pace of the newest weeks."""
    newest = max((int(s.sort_us[-1]) for s in streams.values() if len(s)), default=0)
    oldest = min((int(s.sort_us[0]) for s in streams.values() if len(s)), default=0)
    since = max(oldest, newest - BUDGET_WEEKS * WEEK_US)
    weeks = max(1.0, (newest - since) / WEEK_US)
    points = [float(np.count_nonzero(s.sort_us >= since)) / weeks for s in streams.values() if len(s)]
    calls = view.settings.false_calls_per_week
    rooms = 7.0 * max(1, len(view.settings.shifts))
    return kept(
        "plan",
        digest_of_values(tuple(points), calls, rooms),
        lambda: plan_budget(points, false_calls_per_week=calls, room_tests_per_week=rooms),
    )


def _frozen_chart(stream: Stream, records: Sequence[Baseline]) -> SignChart:
    words = f"limits revision {records[-1].revision}, frozen by {records[-1].who}: {records[-1].why}"
    return SignChart(replay(stream, tuple(revision_of(r) for r in records)), True, words)


def _trial_chart(stream: Stream, plan: BudgetPlan) -> SignChart:
    nothing = replay(stream, ())
    if len(stream) == 0:
        return SignChart(nothing, False, f"no readings of {SIGNS[stream.sign].words}")
    if plan.widths is None:
        return SignChart(nothing, False, plan.sentence)
    before = (stream.cycle < stream.cycle[-1]) & stream.of_this_grit()
    earlier = np.flatnonzero(before)[-TRIAL_READINGS:]
    keep = np.zeros(len(stream), dtype=bool)
    keep[earlier] = True
    base = stream.where(keep)
    if not keep.any() and stream.cycle[0] < stream.cycle[-1]:
        return SignChart(nothing, False, f"no limits yet: no earlier cycle of this lap ran with {stream.grit[-1]}")
    if not keep.any():
        words = (
            "no limits yet: trial limits rest on earlier cycles, and no cycle of this lap has ended; its "
            f"{len(stream)} readings can be frozen as a baseline with `lapcell limits freeze`, or looked at first with "
            f"`lapcell chart {stream.lap} --kind individuals`"
        )
        return SignChart(nothing, False, words)
    analysis = _trial(base, rules_of(plan))
    if analysis.model is None:
        return SignChart(nothing, False, f"no limits yet from earlier cycles: {analysis.sentence.rstrip('.')}")
    begins = int(stream.sort_us[stream.running()][0])
    revision = Revision(0, begins, analysis.model)
    words = f"trial limits from {len(base)} readings of earlier cycles, not frozen{_differ_words(analysis)}"
    return SignChart(replay(stream, (revision,)), False, words)


def _differ_words(analysis: Analysis) -> str:
    """Say where few cycles leave it to an assumption how far cycles differ."""
    cycles = analysis.model.norm.cycles if analysis.model is not None else None
    return "" if cycles is None or "assumed" not in cycles.known else f"; how far cycles differ is {cycles.known}"


def _trial(base: Stream, rules: RulesInUse) -> Analysis:
    place = digest_of_values(base.age_faces, base.cycle, base.fresh, tuple(base.part.tolist()))
    key = (base.lap, base.sign, fingerprint_of(base), place, rules)
    if key not in _TRIALS:
        _TRIALS[key] = kept("trial", digest_of_values(key), lambda: analyse(base, rules, for_next_cycle=True))
        while len(_TRIALS) > 2000:
            _TRIALS.popitem(last=False)
    _TRIALS.move_to_end(key)
    return _TRIALS[key]


class _Spell(NamedTuple):
    """An open signal, the newest of its spell, with positions of the spell in the stream."""

    newest: ChartSignal
    first: int  # face at which the spell first spoke, answered there or not
    spoke: int  # the same among the faces not answered yet


def _open_spells(view: CellView, judged: Replayed) -> list[_Spell]:
    """List the open signals of the newest readings, oldest first."""
    stream = judged.stream
    if len(stream) == 0:
        return []
    cycle = stream.cycle == stream.cycle[-1]
    begin = int(np.flatnonzero(cycle)[0])
    spoken = [s for s in signals_of(judged, since_us=int(stream.sort_us[begin])) if s.position >= begin]
    left = [s for s in spoken if not is_answered(view, stream.lap, stream.sign, s.face_id)]
    return [
        _Spell(s, _spell_begins(judged, s.position, begin), _spell_begins(judged, s.position, left[0].position))
        for s in left
        if s.position >= len(stream) - RECENT_POINTS
    ]


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


def _signal(judged: Replayed, spell: _Spell, unit: ShownLength | None) -> Signal:
    stream, s = judged.stream, spell.newest
    since = int(judged.since[spell.spoke])
    low, high = float(stream.flatness_low_um[s.position]), float(stream.flatness_high_um[s.position])
    return Signal(
        lap=s.lap,
        sign=s.sign,
        rule=s.rule,
        sentence=_drifting(judged, spell, unit) if s.rule == DRIFTING else _beyond(judged, spell, unit),
        severity="look",
        p_value=s.p_value,
        face_id=s.face_id,
        since_face_id=int(stream.face_id[since]),
        since_faces=len(stream) - 1 - since,
        time_text=s.time_text,
        value_um=(low + high) / 2 if np.isfinite(high) else low,
        age_faces=float(stream.age_faces[s.position]),
        spoke_face_id=int(stream.face_id[spell.spoke]),
    )


def _drifting(judged: Replayed, spell: _Spell, unit: ShownLength | None) -> str:
    stream, s, sign = judged.stream, spell.newest, SIGNS[spell.newest.sign]
    begin = int(judged.since[spell.first])
    back = len(stream) - 1 - begin
    since = "with the last face" if back == 0 else f"since about {plural(back, 'face')} ago"
    way = "up" if sign.side == "upper" else "down"
    shown, against = lengths_apart(_middle(stream, begin, s.position), _usual(judged, begin, s.position), s.sign, unit)
    return (
        f"{_capital(sign.words)} on {s.lap} drifts {way} {since}: {shown} where {against} is usual"
        f"{_of_part(stream, begin, s.position)}."
    )


def _beyond(judged: Replayed, spell: _Spell, unit: ShownLength | None) -> str:
    """Tell the faces beyond the limit, one after the other, that the newest signal ends, and of the spell before."""
    stream, s = judged.stream, spell.newest
    begin = s.position
    while begin > spell.first and judged.beyond[begin - 1]:
        begin -= 1
    first, last = len(stream) - 1 - begin, len(stream) - 1 - s.position
    if last == 0:
        when = "is beyond its chart limit " + (f"since {plural(first, 'face')} ago" if first else "with the last face")
    elif first == last:
        when = f"was beyond its chart limit {plural(last, 'face')} ago"
    else:
        when = f"was beyond its chart limit from {first} to {plural(last, 'face')} ago"
    before = len(stream) - 1 - int(judged.since[spell.first])
    when += f", after signals since about {plural(before, 'face')} ago" if before > first else ""
    limit = float(np.median(judged.limit[begin : s.position + 1]))
    shown, against = lengths_apart(_middle(stream, begin, s.position), limit, s.sign, unit)
    return (
        f"{_capital(SIGNS[s.sign].words)} on {s.lap} {when}: {shown} against {against}"
        f"{_of_part(stream, begin, s.position)}; "
        f"{length_words(_usual(judged, begin, s.position), s.sign, unit)} is usual."
    )


def _middle(stream: Stream, begin: int, end: int) -> float:
    """Median of the readings shown, an open one counted by its low end."""
    low, high = stream.low[begin : end + 1], stream.high[begin : end + 1]
    return float(np.median(np.where(np.isfinite(high), (low + high) / 2, low)))


def _usual(judged: Replayed, begin: int, end: int) -> float:
    """Say what is usual for the very faces shown, each at its age."""
    return float(np.median(judged.centre[begin : end + 1]))


def _of_part(stream: Stream, begin: int, end: int) -> str:
    parts = set(stream.part[begin : end + 1].tolist())
    return f" for {parts.pop()}" if len(parts) == 1 and parts != {""} else ""


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _towards_bad(sign: str) -> bool:
    return SIGNS[sign].side == "upper"


def _shift_scores(view: CellView, cell: CellCharts, sign: str) -> tuple[tuple[str, ...], np.ndarray]:
    """Shift score of each lap's faces in the running shift."""
    span = shift_at(view.now, view.settings)
    laps = tuple(str(lap) for lap in view.laps["lap"])
    scores = []
    for lap in laps:
        judged = cell.charts[lap, sign].replayed
        now = (judged.stream.sort_us >= span.start_us) & (judged.stream.sort_us < span.end_us)
        scores.append(shift_score(judged.z[now]))
    return laps, np.array(scores, dtype=np.float64)


def beyond_the_rest(view: CellView, cell: CellCharts, lap: str) -> bool:
    """Whether one lap has moved further than the room, so that its own flatness signal stands beside the alarm."""
    laps, z = _shift_scores(view, cell, "flatness")
    return bool(beyond_the_rest_p(z)[laps.index(lap)] < _SAME_WAY_P)
