"""One chart of one lap with everything a chart must say: method, baseline, attained rate, what it sees, its signals."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.board.cell_charts import CellCharts, chart_cell
from spc.board.cell_view import CellView, look_at_cell
from spc.board.new_parts import new_part_words
from spc.board.results import Signal
from spc.board.room_history import NO_ROOM, RoomOfLap, look_at_room
from spc.board.shown_length import length_words, lengths_apart, shown_length
from spc.board.through_flat import past_through_flat
from spc.board.to_come import face_words
from spc.chart.baseline import ChartModel
from spc.chart.change_point import ChangeSearch, change_point
from spc.chart.price import in_points, one_in
from spc.chart.replay import BEYOND, ChartSignal, Replayed, signals_of
from spc.chart.rule_beside_pair import price_beside_pair
from spc.chart.rules import rule_named, rule_signals
from spc.chart.stream import SIGNS, Stream, face_of_cycle
from spc.log.name_list import name_list
from spc.measure.interval import middle_of
from spc.measure.shown import ShownLength, told_apart
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["ChartReport", "ExtraRule", "chart_of_lap", "chart_report"]

WINDOW = 100  # newest judged readings searched for where a change began
WINDOW_STEP = 10  # windows are cut to tens, so that laps share their simulated critical values


@dataclass(frozen=True, slots=True)
class ExtraRule:
    """One run rule that was turned on, with its price."""

    rule: str
    words: str
    price: str  # in days between false alarms
    face_ids: tuple[int, ...]  # where it spoke
    faces: tuple[str, ...]  # the same in words, each by its cycle


@dataclass(frozen=True, slots=True)
class ChartReport:
    """One chart, ready to be drawn, printed or exported."""

    lap: str
    sign: str
    part: str  # '' = all; judged with all, shown for this part
    status: str  # 'frozen', 'trial' (nobody has frozen limits) or 'no limits'
    method: str
    baseline: str
    alarms: str  # how often it cries wolf, attained on the readings' steps
    sees: str  # which shift after about how many faces
    sentence: str  # what signals now
    replayed: Replayed
    signals: tuple[Signal, ...]  # oldest first
    extra: tuple[ExtraRule, ...]
    change: ChangeSearch | None  # where what signals began, of the newest judged readings; None: no signal or too few
    change_faces: tuple[int, ...]  # face ids of that set
    change_words: str  # where it began, in words; '' = no change is dated
    remarks: tuple[str, ...]
    unit: ShownLength | None  # None where the sign is no length


def chart_of_lap(
    store: Store, lap: str, sign: str, settings: Settings, *, part: str = "", rules: Sequence[str] = ()
) -> ChartReport:
    """Look at the cell and report on one chart.

    Parameters
    ----------
    store : Store
    lap : str
    sign : str
        A key of `spc.chart.stream.SIGNS`.
    settings : Settings
    part : str, optional
        Show only this part's readings; the limits do not move for it.
    rules : sequence of str
        Run rules to turn on beside the two that are always on, by name (`spc.chart.rules.RULES`).

    Returns
    -------
    ChartReport

    Raises
    ------
    ValueError
        If the lap, the sign or a rule is unknown.
    """
    view = look_at_cell(store, settings)
    cell = chart_cell(view)
    return chart_report(view, cell, lap, sign, part=part, rules=rules, room=look_at_room(view, cell).of(lap))


def chart_report(
    view: CellView, cell: CellCharts, lap: str, sign: str, *, part: str = "", rules: Sequence[str] = (),
    asked: ShownLength | None = None, room: RoomOfLap = NO_ROOM,
) -> ChartReport:  # fmt: skip
    """Report on one chart of a cell already looked at, in the unit asked for; other parameters as in `chart_of_lap`.

    What the room sets aside is judged here like any other reading, with a remark.
    """
    if sign not in SIGNS:
        raise ValueError(f"`sign` must be one of {', '.join(SIGNS)}, got {sign!r}")
    if (lap, sign) not in cell.charts:
        known = ", ".join(sorted({name for name, _ in cell.charts})) or "none yet"
        raise ValueError(f"`lap` must be a lap of the store, got {lap!r}; known are {known}")
    chart = cell.charts[lap, sign]
    whole = chart.replayed
    model = whole.revisions[-1].model if whole.revisions else None
    unit = shown_length(view, lap, sign, asked=asked, basis=whole.stream.basis)
    extra = tuple(_extra(whole, name, cell) for name in rules)
    search, began = _where_it_began(whole)
    shown = whole.where(whole.stream.part == part) if part else whole
    spoken = signals_of(shown)
    signals = tuple(_signal(shown, s, unit) for s in spoken)
    if model is None:
        status, method, baseline, alarms, sees = "no limits", _method(None), chart.sentence, "", ""
    else:
        status = "frozen" if chart.frozen else "trial"
        method, baseline = _method(model), _baseline(model, chart.sentence)
        alarms, sees = _alarms(model, unit), _sees(model, unit)
    return ChartReport(
        lap, sign, part, status, method, baseline, alarms, sees, _sentence(shown, spoken, status), shown, signals,
        extra, search, tuple(whole.stream.face_id[began].tolist()), _between(whole.stream, began),
        _remarks(view, whole, shown, model, room), unit,
    )  # fmt: skip


def _remarks(
    view: CellView, whole: Replayed, shown: Replayed, model: ChartModel | None, room: RoomOfLap
) -> tuple[str, ...]:
    lap, new = whole.stream.lap, new_part_words((shown,))
    late = face_words(lap, view.faces_to_come.get(lap), view.settings)
    return (
        *(said.rstrip(".") for said in late),
        *whole.stream.left_out,
        *new,
        *_through_flat(view, whole.stream, room),
        *_need_of_more(model),
        *_aside(shown.stream, room),
    )


def _through_flat(view: CellView, stream: Stream, room: RoomOfLap) -> tuple[str, ...]:
    """Say where flatness, a size, does not tell which way a lap wears."""
    past = past_through_flat(view, stream.lap, room) if stream.sign == "flatness" and len(stream) else ""
    return (f"{past}: size alone tells no wear of such a lap, which way it bends is watched by itself",) if past else ()


def _method(model: ChartModel | None) -> str:
    two = (
        "one reading beyond a probability limit, and an exponentially weighted average of normal scores held back at "
        "the centre"
    )
    if model is None:
        return f"{two}; readings kept as intervals"
    norm = model.norm
    parts = [f"{norm.family} law by interval likelihood"]
    if norm.parts_differ:
        parts.append("each part against its own usual size")
    if norm.growth_per_face:
        parts.append(f"usual growth in a cycle taken out ({math.expm1(norm.growth_per_face):+.1%} a face)")
    if norm.cycles is not None:
        parts.append("each face against its own cycle so far, as far as cycles differ")
    if norm.phi:
        parts.append(f"the average takes what a face adds to the one before (phi {norm.phi:.2f})")
    return f"{two}; {', '.join(parts)}"


def _baseline(model: ChartModel, words: str) -> str:
    left = f", {len(model.excluded)} left out with a cause" if model.excluded else ""
    return f"{words}; {len(model.face_ids):,} faces{left}; data {model.fingerprint[:12]}"


def _alarms(model: ChartModel, unit: ShownLength | None) -> str:
    alone = one_in(model.attained_alpha, "face")
    steps = f" on steps of {length_words(model.step, model.sign, unit)}" if model.step > 0 else ""
    text = (
        f"By chance {alone} lies beyond the limit{steps} (set for 1 in {in_points(1 / model.rules.alpha)}); with the "
        f"average, one false call in about {in_points(model.rules.points_between)} faces."
    )
    if model.true_alpha:
        often, seldom = (in_points(1 / max(a, 1e-9)) for a in reversed(model.true_alpha))
        text += (
            f" Limits from {len(model.face_ids):,} faces are loosely known: 8 of 10 such baselines give between 1 in "
            f"{often} and 1 in {seldom}."
        )
    return text


def _sees(model: ChartModel, unit: ShownLength | None) -> str:
    from scipy.special import ndtr

    law, upper = model.norm.law(), SIGNS[model.sign].side == "upper"
    parts = []
    for sd, faces in ((1.0, model.rules.sees_one_sd), (2.0, model.rules.sees_two_sd)):
        tail = float(ndtr(-sd))
        size = abs(float(law.isf(tail) if upper else law.ppf(tail)) - model.typical)
        parts.append(f"{_sizes_words(size, model, unit)} after about {in_points(faces)} faces")
    way = "upward" if upper else "downward"
    later = "; later, if at all, within a cycle that may wear so by itself" if model.norm.cycles is not None else ""
    return f"Sees a lasting {way} shift of {', of '.join(parts)}{later}."


def _sizes_words(size: float, model: ChartModel, unit: ShownLength | None) -> str:
    """Say a size at part factor 1, where parts differ from the smallest to the largest that it is for a part."""
    factors = model.norm.part_factors.values() if model.norm.parts_differ else (1.0,)
    sizes = dict.fromkeys(length_words(size * end(factors), model.sign, unit) for end in (min, max))
    return " to ".join(sizes) + (" by part" if len(sizes) > 1 else "")


def _signal(judged: Replayed, s: ChartSignal, unit: ShownLength | None) -> Signal:
    stream, sign = judged.stream, SIGNS[s.sign]
    middle = float(middle_of(s.low, s.high))
    begin = s.position if s.rule == BEYOND else s.since
    name = f"{sign.words[:1].upper()}{sign.words[1:]} on {s.lap}"
    at = _face(stream, s.position)
    if s.rule == BEYOND:
        read, limit = lengths_apart(middle, s.limit, s.sign, unit)
        sentence = f"{name} was beyond its limit at {at}: {read} against {limit}."
    else:
        way = "up" if sign.side == "upper" else "down"
        since = f"since about {_face(stream, s.since)}" if s.since_face_id != s.face_id else "with that face"
        ends = abs(float(judged.average[s.position])), abs(float(judged.average_limit[s.position]))
        average, limit = told_apart(*ends)
        sentence = f"{name} had drifted {way} by {at}, {since}: average {average} sd, limit {limit} sd."
    low, high = float(stream.flatness_low_um[s.position]), float(stream.flatness_high_um[s.position])
    return Signal(
        lap=s.lap,
        sign=s.sign,
        rule=s.rule,
        sentence=sentence,
        severity="look",
        p_value=s.p_value,
        face_id=s.face_id,
        since_face_id=s.since_face_id,
        since_faces=len(stream) - 1 - begin,
        time_text=s.time_text,
        value_um=float(middle_of(low, high)),
        age_faces=float(stream.age_faces[s.position]),
    )


def _sentence(judged: Replayed, spoken: tuple[ChartSignal, ...], status: str) -> str:
    n = int(np.count_nonzero(~np.isnan(judged.z)))
    if status == "no limits":
        return f"{len(judged.stream):,} readings, none judged: there are no limits."
    if not n:
        return f"{len(judged.stream):,} readings, none judged yet: the limits begin after the newest of them."
    if not spoken:
        return f"No signal in {n:,} judged face{'s' * (n != 1)}."
    places = len({s.position for s in spoken})
    back = len(judged.stream) - 1 - spoken[-1].position
    last = "the newest face" if back == 0 else f"{back:,} faces ago"
    return f"{places:,} of {n:,} judged faces signal, the last one {last}."


def _extra(judged: Replayed, name: str, cell: CellCharts) -> ExtraRule:
    rule = rule_named(name)
    plan, widths = cell.plan, cell.plan.widths
    if widths is None:
        return ExtraRule(rule.name, rule.words, plan.sentence, (), ())
    points_a_day = max(plan.points_per_week / max(plan.charts, 1) / 7.0, 1e-6)
    side = SIGNS[judged.stream.sign].side
    cost = price_beside_pair(
        rule, points_a_day, limit_z=widths.limit_z, weight=widths.weight, average_limit_z=widths.average_limit_z,
        sides=side,
    )  # fmt: skip
    found = rule_signals(judged.z, rules=(rule,), limit_z=widths.limit_z, sides=side)
    places = [i for signals in found for i in signals.index.tolist()]
    faces = tuple(_face(judged.stream, i) for i in places)
    return ExtraRule(rule.name, rule.words, cost, tuple(int(judged.stream.face_id[i]) for i in places), faces)


def _where_it_began(judged: Replayed) -> tuple[ChangeSearch | None, NDArray[np.int64]]:
    """Search the newest judged readings of the running stretch for where a change began: the places that it may be."""
    nowhere = np.empty(0, np.int64)
    known = np.flatnonzero(~np.isnan(judged.z))
    window = min(WINDOW, known.size // WINDOW_STEP * WINDOW_STEP)
    if window < 2 * WINDOW_STEP:
        return None, nowhere
    at = known[-window:]
    if not (judged.beyond[at] | judged.drifting[at]).any():
        return None, nowhere  # where nothing signals, nothing is dated
    search = change_point(judged.z[at], kinds=("mean", "slope"))
    if search.status != "change":
        return search, nowhere
    return search, at[search.changes[0].set_start]


def _face(stream: Stream, position: int) -> str:
    return face_of_cycle(float(stream.age_faces[position]), str(stream.time_text[position]))


def _between(stream: Stream, places: NDArray[np.int64]) -> str:
    if not places.size:
        return ""
    first, last = (_face(stream, int(places[end])) for end in (0, -1))
    return f"at {first}" if first == last else f"between {first} and {last}"


def _aside(stream: Stream, room: RoomOfLap) -> tuple[str, ...]:
    count = int(np.count_nonzero(~room.keeps(stream.sort_us, room.aside))) if stream.sign == "flatness" else 0
    if not count:
        return ()
    were = "reading was" if count == 1 else "readings were"
    return (f"{count:,} {were} taken while the whole room had moved: judged here, set aside where the lap is judged",)


def _need_of_more(model: ChartModel | None) -> tuple[str, ...]:
    if model is None or not model.near_families:
        return ()
    fit = "fits" if len(model.near_families) == 1 else "fit"
    return (f"{name_list(model.near_families)} {fit} about as well as {model.norm.family}",)
