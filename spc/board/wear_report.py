"""Whether the running cycle of one lap wears as its past cycles did, and how often its faces come back."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, ndtr, ndtri

from spc.board.bow_signals import running_bow
from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.board.lap_paths import running_cycle
from spc.board.lap_state import plural
from spc.board.missing_places import counted_once, unsure_words
from spc.board.relap_signals import FEWEST_USUAL, begun_at, faces_charted, plan_of_relaps
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.board.through_flat import past_through_flat
from spc.chart.change_point import ChangeSearch
from spc.chart.norm import middles
from spc.chart.price import in_points
from spc.chart.relaps import RelapChart, relap_chart
from spc.chart.stream import Stream
from spc.chart.unusual_wear import NAMES, surely_usual, unusual_cycle
from spc.chart.usual_bend import usual_bend
from spc.chart.wear_chart import WearChart, fit_wear_line, usual_wear, wear_chart, without_line
from spc.model.autocorrelation import serial_correlation
from spc.wear.part_offsets import without_parts
from spc.wear.signed_path import goes_through_flat, heads_for_flat
from spc.wear.trend import wear_trend
from spc.wear.wear_path import wear_path

__all__ = ["RelapReport", "WearReport", "relap_report", "wear_finding", "wear_report"]

Array = NDArray[np.float64]

FAR_OFF = 0.01  # chance of so many faces beyond the limits, under which the cycle is called unusual [our choice]
FEWEST_VALUES = 4  # different readings from which a jump can be told from growth through a step [our rule]
CANNOT_BE_TOLD = "whether it jumped, turned steeper or bent cannot be told yet"
_METHOD = "regression chart of the log of flatness on age in the cycle, each face against the faces before it"
_INSTEAD = "Look at which way it bends: that is watched by itself, and the faces left are foretold with the sign."
JUMP_AFTER, SEEN_WITHIN = 10, 10  # faces: when the jump comes that is told of, and how long it is watched
SHIFTS_SD = (1.0, 2.0, 3.0)  # of a reading about its line


@dataclass(frozen=True, slots=True)
class WearReport:
    """The running cycle on its sloping centre line, logs of first-pass flatness."""

    lap: str
    status: str  # 'ok' or 'refused'
    chart: WearChart
    unusual: ChangeSearch  # what is not usual and where it began
    face_ids: tuple[int, ...]  # of the chart's faces
    method: str
    sentence: str
    baseline: str = ""  # the cycles it is drawn towards
    alarms: str = ""  # how often it cries wolf
    sees: str = ""  # which jump it sees after how many faces; '' while no line can be drawn
    by_itself: str = ""  # what its own readings alone show, each as the interval it is


@dataclass(frozen=True, slots=True)
class RelapReport:
    """Faces that had to be lapped again, one by one."""

    lap: str
    status: str  # 'ok' or 'refused'
    usual_share: float  # NaN if refused
    usual_faces: int  # earlier faces the usual share rests on
    relapped: int  # of the faces charted
    faces: int
    chart: RelapChart | None
    face_ids: tuple[int, ...]
    method: str
    sentence: str
    baseline: str = ""
    alarms: str = ""
    sees: str = ""


def wear_report(view: CellView, cell: CellCharts, lap: str, *, room: RoomOfLap = NO_ROOM) -> WearReport:
    """Chart the running cycle of one lap against how it usually wears.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its budget sets the limits.
    lap : str
    room : RoomOfLap, default NO_ROOM
        Readings that it sets aside are left out.

    Returns
    -------
    WearReport
        Refused where the form goes through flat in this cycle, or went in many of those before: its size falls before
        it grows, on no line of a log. Such a report has no line, no limits and no search.

    Notes
    -----
    Logs of the middles of the readings: good where most readings are above their step; a reading below it counts as
    three fifths of the step.
    """
    cycle = _cycle_of(view, cell, lap, room)
    chart, usual, phi, running, aside = cycle.chart, cycle.chart.usual, cycle.phi, cycle.running, cycle.aside
    stream, faces = cycle.stream, tuple(cycle.stream.face_id[cycle.running].tolist())
    if why := _not_by_size(view, lap, room):
        none = ChangeSearch("refused", (), math.nan, 0.01, len(faces), tuple(NAMES), why)
        return WearReport(lap, "refused", without_line(chart, why), none, faces, f"{_METHOD}: not of this lap", why)
    unusual = _searched(cycle)
    method = (
        f"{_METHOD}, limits widened by what is not known of the line"
        + (f"; drawn towards {usual.cycles:,} past cycles" if usual is not None else "; of this cycle alone")
        + (
            f"; what a face takes from the one before (phi {phi:.2f}) is left out of the search for a change"
            if phi
            else ""
        )
    )
    sentence = chart.sentence
    finding = _finding(cycle, unusual)
    if finding:
        sentence = f"Not wearing as usual: {finding}. {sentence}"
    if unusual.status == "change" or (unusual.status == "refused" and chart.status == "ok"):
        sentence += f" {unusual.unplaced}"
    if unusual.status != "change" and usual is not None and len(faces) > 1 and chart.status == "ok":
        sentence += f" It usually grows by {math.expm1(usual.slope):+.1%} a face."
    if aside:
        are = "is" if aside == 1 else "are"
        sentence += f" {plural(aside, 'face')} of it, read while the whole room had moved, {are} left out."
    baseline = (
        f"the lines of {usual.cycles:,} past cycles, {int(np.count_nonzero(~running)):,} faces; nothing is frozen"
        f"{unsure_words(cycle.unsure)}"
        if usual is not None
        else f"this cycle alone, {len(faces):,} faces; nothing is frozen"
    )
    alarms = sees = ""
    if chart.status == "ok":
        one_in = in_points(1.0 / chart.alpha)
        alarms = f"by chance one face in {one_in} lies beyond the limits of a lap that wears as usual"
        sees = _sees(chart)
    by_itself = _by_itself(lap, stream.where(running))
    return WearReport(lap, chart.status, chart, unusual, faces, method, sentence, baseline, alarms, sees, by_itself)


def wear_finding(view: CellView, cell: CellCharts, lap: str, *, room: RoomOfLap = NO_ROOM) -> str:
    """Say what the sloping chart of a lap finds unusual; '' while it wears as usual or nothing can be said.

    Parameters
    ----------
    view, cell, lap, room
        As in `wear_report`, which always says the same.

    Returns
    -------
    str
        'a jump, begun at face 12 of the cycle'.
    """
    cycle = _cycle_of(view, cell, lap, room)
    if cycle.chart.status != "ok" or _not_by_size(view, lap, room):
        return ""
    return _finding(cycle, None if surely_usual(cycle.chart, phi=cycle.phi) else _searched(cycle))


class _Cycle(NamedTuple):
    """The running cycle of one lap on its sloping chart."""

    stream: Stream  # readings of this cycle and of those before that count
    running: NDArray[np.bool_]  # of these the running cycle's
    chart: WearChart
    phi: float
    aside: int  # readings of the cycle that were left out
    unsure: int  # of past cycles, for they may be of a cycle whose beginning nobody logged


def _cycle_of(view: CellView, cell: CellCharts, lap: str, room: RoomOfLap) -> _Cycle:
    every = cell.charts[lap, "flatness"].replayed.stream
    keep = room.keeps(every.sort_us, room.aside)
    aside = int(np.count_nonzero(~keep & every.running()))
    sure = counted_once(every.cycle, every.age_faces, cell.begun[lap])
    whole = every.where(keep & sure)
    stream = whole.where((whole.of_this_grit() & (whole.cycle < whole.running_cycle)) | whole.running())
    cycles, parts = (np.unique(each, return_inverse=True)[1] for each in (stream.cycle, stream.part.astype(str)))
    y = without_parts(middles(stream), stream.age_faces, cycles, parts)
    running = stream.running()
    past = stream.age_faces[~running], y[~running], stream.cycle[~running]
    usual, bend = usual_wear(*past), usual_bend(*past)
    alpha = 2.0 * cell.plan.widths.alpha if cell.plan.widths is not None else 0.0027
    chart = wear_chart(stream.age_faces[running], y[running], usual=usual, bend=bend, alpha=alpha)
    age, told, label = past
    phi = _dependence(age, told - bend.at(age) if bend is not None else told, label)
    return _Cycle(stream, running, chart, phi, aside, int(np.count_nonzero(keep & ~sure & every.of_this_grit())))


def _not_by_size(view: CellView, lap: str, room: RoomOfLap) -> str:
    """Say why the wear of a lap is not judged by the size of its flatness, and by what instead; '' where it is."""
    if _turns(view, lap, room):
        return (
            f"The form of {lap} goes through flat in this cycle, so that its flatness shrinks before it grows again: "
            f"size alone does not say whether it wears as usual. {_INSTEAD}"
        )
    if past := past_through_flat(view, lap, room):
        return (
            f"The form of {lap} may go through flat: {past}. Such sizes have no usual growth that this cycle could be "
            f"judged by. {_INSTEAD}"
        )
    return ""


def _turns(view: CellView, lap: str, room: RoomOfLap) -> bool:
    """Whether the form goes through flat in the running cycle, or surely heads for it."""
    bow = running_bow(view, lap, room)
    if bow.turning or not bow.signed:
        return bow.turning
    own = running_cycle(view, lap, room).own
    return own.carries_signs and (goes_through_flat(own.signed) or heads_for_flat(own.signed, 0.0))


def _too_few_values(cycle: _Cycle) -> int:
    """How many different readings a cycle takes where that is too few to search it for a change, else 0."""
    values = _values_taken(cycle.stream.where(cycle.running))
    return values if values < FEWEST_VALUES and cycle.running.any() else 0


def _searched(cycle: _Cycle) -> ChangeSearch:
    values = _too_few_values(cycle)
    if not values:
        return unusual_cycle(cycle.chart, phi=cycle.phi)
    taken = "1 value" if values == 1 else f"{values} values"
    why = f"The readings take only {taken}: whether it jumped or grew through a step cannot be told."
    return ChangeSearch("refused", (), math.nan, 0.01, int(cycle.running.sum()), tuple(NAMES), why)


def _finding(cycle: _Cycle, unusual: ChangeSearch | None) -> str:
    """Say in words what is not usual; '' where nothing is found. None: a search would surely find nothing."""
    if unusual is None or unusual.status != "change":
        return CANNOT_BE_TOLD if _far_off(cycle.chart) and not _too_few_values(cycle) else ""
    change, age = unusual.changes[0], cycle.stream.age_faces[cycle.running]
    began = ""
    if change.set_start.size:
        first, last = (int(age[int(change.set_start[end])]) + 1 for end in (0, -1))
        faces = f"at face {first}" if first == last else f"between face {first} and face {last}"
        began = f", begun {faces} of the cycle"
    names = [NAMES[kind] for kind in dict.fromkeys((change.kind, *(k for k in unusual.near if k in NAMES)))]
    return f"{' or '.join(f'a {name}' for name in names)}{began}"


def _by_itself(lap: str, stream: Stream) -> str:
    """Say what slope the readings of the cycle show with nothing borrowed from other cycles."""
    trend = wear_trend(wear_path(lap, stream.age_faces, stream.low, stream.high))
    sure = "" if trend.status == "too few" else f"; {trend.level:.0%} interval from the order of pairs of readings"
    return f"by its own readings alone, each as the interval it is: {trend.sentence}{sure}"


def _sees(chart: WearChart) -> str:
    """Say how soon a lasting jump is called, its line learning it meanwhile: scores that the jump alone would give."""
    if not (chart.spread > 0 and math.isfinite(chart.spread)):
        return ""
    age = np.arange(JUMP_AFTER + SEEN_WITHIN, dtype=np.float64)
    usual = chart.usual
    line = usual.centre(age) if usual is not None else np.zeros(age.size)
    wiggle = chart.spread * np.where(np.arange(age.size) % 2 == 0, 1.0, -1.0)  # a spread for a line of its own
    calm = wear_chart(age, line + wiggle, usual=usual, alpha=chart.alpha)
    edge = float(ndtri(1.0 - chart.alpha / 2.0))
    parts = []
    for sd in SHIFTS_SD:
        jump = np.where(age >= JUMP_AFTER, sd * chart.spread, 0.0)
        moved = wear_chart(age, line + wiggle + jump, usual=usual, alpha=chart.alpha)
        score = ((moved.value - moved.centre) - (calm.value - calm.centre)) / ((calm.upper - calm.centre) / edge)
        missed = np.prod(ndtr(edge - score[JUMP_AFTER:]) - ndtr(-edge - score[JUMP_AFTER:]))
        first = 1.0 - float(ndtr(edge - score[JUMP_AFTER]) - ndtr(-edge - score[JUMP_AFTER]))
        soon = min(1.0 - float(missed), 0.99)
        parts.append(f"{math.expm1(sd * chart.spread):+.0%} at once in {first:.0%}, within {SEEN_WITHIN} in {soon:.0%}")
    return (
        f"Sees a lasting jump that comes after {JUMP_AFTER:,} faces: {'; '.join(parts)} of cases, about; the line then "
        "learns the jump, and the search for a change takes over"
    )


def _far_off(chart: WearChart) -> bool:
    """Whether more faces lie beyond the limits than chance would put there, one time in a hundred."""
    judged = ~np.isnan(chart.z)
    beyond = int(np.count_nonzero((chart.value[judged] > chart.upper[judged]) | (chart.value < chart.lower)[judged]))
    return beyond > 0 and float(bdtrc(beyond - 1, int(judged.sum()), chart.alpha)) < FAR_OFF


def _values_taken(stream: Stream) -> int:
    """Count the different readings, rare ones by as much as they make up of one in twenty."""
    _, counts = np.unique(np.column_stack([stream.low, stream.high]), axis=0, return_counts=True)
    enough = max(1, math.ceil(0.05 * len(stream)))
    return int(np.minimum(counts, enough).sum()) // enough


def _dependence(age: Array, y: Array, cycle: NDArray[np.int64]) -> float:
    """Correlation of neighbours about the lines of past cycles; 0 unless it stands out."""
    kept, residual = [], []
    for name in np.unique(cycle):
        own = np.flatnonzero(cycle == name)
        if own.size >= 4 and np.ptp(age[own]) > 0:
            kept.append(own)
            residual.append(y[own] - fit_wear_line(age[own], y[own]).centre(age[own]))
    if not kept:
        return 0.0
    rows = np.concatenate(kept)
    found = serial_correlation(np.concatenate(residual), age[rows], chain=cycle[rows])
    return found.phi if found.status == "correlated" and found.phi_low > 0 else 0.0


def relap_report(view: CellView, cell: CellCharts, lap: str) -> RelapReport:
    """Chart the faces of the running cycle that had to be lapped again, since its last change of grit.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its budget sets the decision.
    lap : str

    Returns
    -------
    RelapReport
    """
    signs, (before, own, unsure) = view.signs_of(lap), faces_charted(view, lap)
    bad = signs["relapped"].to_numpy(bool)
    earlier, now = bad[before], bad[own]
    faces = tuple(signs["face_id"].to_numpy(np.int64)[own].tolist())
    method = "likelihood-ratio sum over single faces, exact run length"
    others = bad.size - earlier.size - now.size - unsure
    left_out = (
        f" {plural(others, 'face')} with another grit, or from before its last change, "
        f"{'is' if others == 1 else 'are'} left out."
        if others
        else ""
    )
    if earlier.size < FEWEST_USUAL:
        why = (
            f"{int(now.sum()):,} of {now.size:,} faces were lapped again; {earlier.size:,} faces of earlier cycles are "
            f"too few to say what is usual ({FEWEST_USUAL} needed).{left_out}"
        )
        return RelapReport(
            lap, "refused", math.nan, int(earlier.size), int(now.sum()), int(now.size), None, faces, method, why
        )
    share, worse, plan = plan_of_relaps(view, cell, lap, earlier)
    found = relap_chart(now, plan)
    calls = found.chart.signals[0].index
    often = f"{int(earlier.sum()):,} of {earlier.size:,}"
    sentence = f"{int(now.sum()):,} of {now.size:,} faces were lapped again; in earlier cycles {often}. "
    if calls.size == 0:
        sentence += "No rise is called"
    else:
        times = signs["face_id"].map(view.faces_of(lap).set_index("face_id")["time_text"]).to_numpy(object)[own]
        sentence += f"A rise was first called at {_of_those_charted(int(calls[0]), times)}"
        began = begun_at(found)
        sentence += (
            f"; it still stands, begun about {_of_those_charted(began, times)}" if began >= 0 else "; it is over"
        )
    return RelapReport(
        lap, "ok", share, int(earlier.size), int(now.sum()), int(now.size), found, faces, method,
        f"{sentence}; {plan.sentence}.{left_out}",
        f"a share of {share:.1%} of {earlier.size:,} faces of earlier cycles ({often} and half a face); nothing "
        f"is frozen{unsure_words(unsure)}",
        f"one false alarm in about {in_points(plan.run_length.average)} faces at that share",
        f"Sees a lasting rise of the share to {worse:.1%} after about {in_points(plan.worse_run_length.average)} faces",
    )  # fmt: skip


def _of_those_charted(place: int, times: NDArray[np.object_]) -> str:
    """Say which of the faces charted, as their axis counts them from 1, and when it was."""
    when = f" ({times[place]})" if times[place] else ""
    return f"face {place + 1} of {times.size:,}{when}"
