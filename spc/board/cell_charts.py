"""The charts of the cell as they stand now: every sign of every lap judged by its limits in force.

Limits in force are the frozen ones. Where nobody has frozen any, trial limits from the lap's own earlier cycles stand
in, and say so: they judge the running cycle only and are never kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from shlex import quote

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.false_calls import BudgetPlan, GoLook, combined_p, go_look, plan_budget, shift_score
from spc.board.frozen_limits import BUDGET_WEEKS, WEEK_US, revision_of, rules_of
from spc.board.kept import digest_of_values, kept
from spc.board.missing_places import begun_anew, counted_once, unsure_words
from spc.board.reactions import fault_places
from spc.board.remembered import Remembered
from spc.board.room import beyond_the_rest_p
from spc.board.shifts import shift_at
from spc.board.stream_memory import streams_of_cell
from spc.chart.baseline import FEWEST, Analysis, RulesInUse, analyse, fingerprint_of
from spc.chart.replay import Replayed, Revision, replay
from spc.chart.stream import SIGNS, Stream
from spc.store.registers import Baseline

__all__ = ["CellCharts", "SignChart", "chart_cell", "go_look_list"]

TRIAL_READINGS = 300  # newest readings of earlier cycles that trial limits rest on


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
    begun: dict[str, tuple[tuple[int, float], ...]]  # of each lap, its past cycles in which another may begin


_MOST_TRIALS = (
    2_000  # remembered, and kept between runs: four signs of every lap as it is now, and of some states before
)
_TRIALS: Remembered[tuple[object, ...], Analysis] = Remembered(_MOST_TRIALS)


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
    begun = {lap: begun_anew(view, lap) for lap in view.laps["lap"].tolist()}
    charts = {}
    for (lap, sign), stream in streams.items():
        records = frozen.get((lap, sign), [])
        faults = view.memo.same(lap, f"faults {sign}", fault_places(view, lap, sign))
        in_fault = partial(_in_fault, stream, view.faces_of(lap), faults)
        faulty = view.memo.once(lap, f"faulty {sign}", (stream, faults), in_fault)
        charts[lap, sign] = (
            view.memo.once(
                lap, f"frozen {sign}", (stream, faulty, *records), partial(_frozen_chart, stream, records, faulty)
            )
            if records
            else view.memo.once(
                lap,
                f"judged {sign}",
                (stream, widths, begun[lap], faulty),
                partial(_trial_chart, stream, plan, begun[lap], faulty),
            )
        )
    return CellCharts(plan, charts, begun)


def go_look_list(
    view: CellView, cell: CellCharts, *, never_filtered: tuple[str, ...], with_room: frozenset[str]
) -> tuple[tuple[str, ...], GoLook]:
    """Laps worth a look this shift, with the share of false ones among them held down.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
    never_filtered : tuple of str
        Laps with a stop signal: listed whatever their charts say.
    with_room : frozenset of str
        Laps that a room alarm of this shift accounts for: their flatness speaks for the room, and not for them.

    Returns
    -------
    tuple of (tuple of str, GoLook)
        The laps listed, and how they were chosen.
    """
    laps = tuple(str(lap) for lap in view.laps["lap"])
    scores = [np.where(_towards_bad(sign), 1.0, -1.0) * _shift_scores(view, cell, sign) for sign in SIGNS]
    scores[list(SIGNS).index("flatness")][[lap in with_room for lap in laps]] = np.nan
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
    rooms = 7.0 * max(1, len(view.shifts_by.shifts))
    return kept(
        "plan",
        digest_of_values(tuple(points), calls, rooms),
        lambda: plan_budget(points, false_calls_per_week=calls, room_tests_per_week=rooms),
    )


def _frozen_chart(stream: Stream, records: Sequence[Baseline], faulty: NDArray[np.bool_]) -> SignChart:
    revisions = tuple(revision_of(r) for r in records)
    words = f"limits revision {records[-1].revision}, frozen by {records[-1].who}: {records[-1].why}"
    of_list = int(np.count_nonzero(faulty & np.isin(stream.face_id, revisions[-1].model.face_ids)))
    if of_list:  # what is frozen stands until somebody freezes anew
        without = "it" if of_list == 1 else "them"
        words += f"; a fault was found at {of_list:,} of its faces: freeze anew without {without}"
    return SignChart(replay(stream, revisions), True, words)


def _trial_chart(
    stream: Stream, plan: BudgetPlan, begun: tuple[tuple[int, float], ...], faulty: NDArray[np.bool_]
) -> SignChart:
    nothing = replay(stream, ())
    if len(stream) == 0:
        return SignChart(nothing, False, f"no readings of {SIGNS[stream.sign].words}")
    if plan.widths is None:
        return SignChart(nothing, False, plan.sentence)
    before = (stream.cycle < stream.running_cycle) & stream.of_this_grit()
    sure = counted_once(stream.cycle, stream.age_faces, begun)
    earlier = np.flatnonzero(before & sure & ~faulty)[-TRIAL_READINGS:]
    keep = np.zeros(len(stream), dtype=bool)
    keep[earlier] = True
    base = stream.where(keep)
    if not keep.any() and (before & sure).any():
        return SignChart(nothing, False, "no limits yet: a fault was found at every reading of the earlier cycles")
    if not keep.any() and before.any():
        return SignChart(nothing, False, f"no limits yet{unsure_words(int(np.count_nonzero(before)))}")
    if not keep.any() and stream.cycle[0] < stream.running_cycle:
        return SignChart(nothing, False, f"no limits yet: no earlier cycle of this lap ran with {stream.grit[-1]}")
    if not keep.any():
        words = "no limits yet: trial limits rest on earlier cycles, and no cycle of this lap has ended; "
        if len(stream) < FEWEST:
            few = "1 reading is" if len(stream) == 1 else f"{len(stream)} readings are"
            return SignChart(nothing, False, f"{words}{few} too few to freeze as a baseline, {FEWEST} are needed")
        words += (
            f"its {len(stream)} readings can be frozen as a baseline with `lapcell limits freeze`, or looked at first "
            f"with `lapcell chart {quote(stream.lap)} --kind individuals`"
        )
        return SignChart(nothing, False, words)
    analysis = _trial(base, rules_of(plan))
    if analysis.model is None:
        return SignChart(nothing, False, f"no limits yet from earlier cycles: {analysis.sentence.rstrip('.')}")
    begins = int(stream.sort_us[stream.running()][:1].min(initial=stream.sort_us[-1] + 1))
    revision = Revision(0, begins, analysis.model)
    words = f"trial limits from {len(base)} readings of earlier cycles, not frozen{_differ_words(analysis)}"
    words += unsure_words(int(np.count_nonzero(before & ~sure)))
    left_out = int(np.count_nonzero(before & sure & faulty))
    if left_out:
        words += f"; {left_out:,} at which a fault was found {'is' if left_out == 1 else 'are'} left out"
    return SignChart(replay(stream, (revision,)), False, words)


def _in_fault(stream: Stream, rows: pd.DataFrame, faults: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
    """Mark the readings from the first to the last row of each fault, within the cycle of the last."""
    marked = np.zeros(len(stream), dtype=bool)
    if faults:
        place, cycle = pd.Index(rows["face_id"]).get_indexer(stream.face_id), rows["cycle"].to_numpy(np.int64)
        for first, last in faults:
            if last >= 0:
                marked |= (place >= min(first, last)) & (place <= last) & (stream.cycle == cycle[last])
    return marked


def _differ_words(analysis: Analysis) -> str:
    """Say where few cycles leave it to an assumption how far cycles differ."""
    cycles = analysis.model.norm.cycles if analysis.model is not None else None
    return "" if cycles is None or "assumed" not in cycles.known else f"; how far cycles differ is {cycles.known}"


def _trial(base: Stream, rules: RulesInUse) -> Analysis:
    place = digest_of_values(base.age_faces, base.cycle, base.fresh, tuple(base.part.tolist()))
    key = (base.lap, base.sign, base.basis, fingerprint_of(base), place, rules)

    def compute() -> Analysis:
        name = digest_of_values(key)
        return kept("trial", name, lambda: analyse(base, rules, doubts=False), most=_MOST_TRIALS)

    return _TRIALS.get(key, compute)


def _towards_bad(sign: str) -> bool:
    return SIGNS[sign].side == "upper"


def _shift_scores(view: CellView, cell: CellCharts, sign: str) -> np.ndarray:
    """Shift score of each lap's faces in the running shift; those of a cycle that has ended say nothing of it now."""
    span = shift_at(view.now, view.shifts_by)
    scores = []
    for lap in view.laps["lap"]:
        judged = cell.charts[lap, sign].replayed
        now = (judged.stream.sort_us >= span.start_us) & (judged.stream.sort_us < span.end_us)
        now &= judged.stream.running()
        scores.append(shift_score(judged.z[now]))
    return np.array(scores, dtype=np.float64)
