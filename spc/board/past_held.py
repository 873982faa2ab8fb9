"""Whether the ranges that a lap is given held in its shop: each past cycle of its group foreseen from the others."""

import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.kept import digest_of_values, kept
from spc.board.lap_forecast import POOLS, STRAIGHT, PoolCache, told_in
from spc.board.lap_lead import lead_of
from spc.board.lap_paths import LEAST_FACES, CyclePaths, PastPaths, RunningCycle, past_paths, running_cycle
from spc.board.lap_state import plural
from spc.board.missing import first_doubts
from spc.board.remembered import Remembered
from spc.board.room_history import RoomHistory
from spc.board.size_or_sign import way_of_reading
from spc.chart.price import in_points
from spc.wear.backtest import cut_path
from spc.wear.past_forecasts import (
    LEAST_JUDGED,
    OUTCOMES,
    SHARES,
    HeldForecast,
    HeldForecasts,
    forecast_held,
    forecasts_held,
    not_counted,
)
from spc.wear.path_shape import SHAPES
from spc.wear.path_slips import without_slips
from spc.wear.pool_without import pool_without
from spc.wear.pooled import PooledWear, fit_alone, fit_pooled
from spc.wear.pooled_apart import fit_apart, with_own_way
from spc.wear.wear_path import WearPath, wear_path

__all__ = ["NO_DOUBT", "MOST_HELD_OUT", "PastHeld", "RangesDoubt", "held_of_past", "past_held", "ranges_doubt"]

_RAREST, _RARER = 0.001, "fewer than 1 of 1,000"  # cycles borrow from one another: no finer chance is told
MOST_HELD_OUT = 12  # newest past cycles that are held: older ones tell less of the laps as they are; our own rule
_FROM = {0.5: "the middle", 0.75: "three quarters"}  # of a cycle, in words
_NO_SIGN = "readings that do not say convex or concave, where others went through flat"


@dataclass(frozen=True, slots=True)
class PastHeld:
    """Past cycles of a lap's group held against what would have been said of them."""

    lap: str
    status: str  # 'judged', 'counts only' or 'refused'
    too_narrow: bool  # from the middle or from three quarters fewer held than chance allows
    shares: tuple[HeldForecasts, ...]  # () = refused
    sentence: str
    further: tuple[str, ...]  # more sentences, what is held against what among them
    counted: str = "face"  # what its age is told in: 'face' or 'pass'


@dataclass(frozen=True, slots=True)
class RangesDoubt:
    """That ranges by readings held too few past cycles of a lap's group."""

    missed: tuple[str, ...]  # how these came out, of `spc.wear.past_forecasts.OUTCOMES`; () = no doubt
    worst: str  # from where the fewest held, and how many: 'from the middle, only 6 of 12 past cycles came out ...'
    ages: str  # after how many faces past cycles did reach the limit, '; 6 of them reached ...'

    def words(self, *, by_lives: bool) -> str:
        """Say it behind a range that takes in how long past cycles lasted, or one that does not; '' = no doubt."""
        if not self.missed:
            return ""
        if by_lives:
            return f"it takes in how long past cycles lasted, for foreseen by readings alone {self.worst}{self.ages}"
        return f"less sure than that: foreseen {self.worst}{self.ages}"


NO_DOUBT = RangesDoubt((), "", "")


def past_held(view: CellView, lap: str, room: RoomHistory) -> PastHeld:
    """Hold the forecasts of a lap's group against its own past cycles.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    room : RoomHistory
        From `look_at_room`.

    Returns
    -------
    PastHeld
        Refused where no faces left are told of this lap for any cycle: no limit, flatness that hides the wear, no past
        cycle.

    Notes
    -----
    The cycles, and the limits they are cut at, are those the faces left of this lap are foreseen from: made again when
    a cycle ends or a limit changes, not with the faces of the running one.
    """
    now, past = _now_and_past(view, lap, room)
    if not np.isfinite(now.widest_um):
        return _refused(lap, "no limit is set for the part numbers it laps, so that no faces left are said of it")
    if lead_of(view, lap).hides:
        return _refused(lap, "flatness is logged only when a face is good, so that no faces left are said of it")
    if not past.sizes:
        return _refused(lap, "no past cycle of its group has ended")
    parts = sorted({"", *(part for path in (*past.sizes, *past.signed) for part in path.parts)})
    each_um = upper_limit_um(pd.Series(parts), view.limits)
    limits = dict(zip(parts, np.fmin(each_um, now.widest_um).tolist(), strict=True))  # the paths are cut at the widest
    about = digest_of_values(
        past.name, past.signed_name, past.ways, past.usual_age, *(value for limit in limits.items() for value in limit)
    )
    shares = _HELD.get(about, lambda: kept("held", about, lambda: held_of_past(past, limits)))
    return replace(_told(lap, shares), counted=told_in(now.rows))


def ranges_doubt(view: CellView, lap: str, room: RoomHistory) -> RangesDoubt:
    """Find whether the ranges of a lap's group held too few of its past cycles.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    room : RoomHistory
        From `look_at_room`.

    Returns
    -------
    RangesDoubt
        `NO_DOUBT` where the ranges held or too few past cycles can be judged.
    """
    now, past = _now_and_past(view, lap, room)
    if len(past.sizes) < LEAST_JUDGED:
        return NO_DOUBT
    made_from = (now, past, view.limits, lead_of(view, lap).hides)
    return view.memo.once(lap, "ranges doubt", made_from, lambda: _doubt_of(past_held(view, lap, room)))


def _now_and_past(view: CellView, lap: str, room: RoomHistory) -> tuple[RunningCycle, PastPaths]:
    """Give the running cycle and the past ones that its faces left are foreseen from."""
    now = running_cycle(view, lap, view.memo.same(lap, "room", room.of(lap)))
    return now, past_paths(view, lap, now.grit, now.widest_um, until=first_doubts(view, lap, room))


def _doubt_of(past: PastHeld) -> RangesDoubt:
    narrow = [one for one in past.shares if one.too_narrow]
    if not narrow:
        return NO_DOUBT
    missed = tuple(way for way in OUTCOMES if any(way in one.missed for one in narrow))
    worst = min(narrow, key=lambda one: one.chance)
    told = (
        f"from {_FROM[worst.share]}, {f'only {worst.held}' if worst.held else 'none'} of {worst.counted} past cycles "
        "came out within such a range"
    )
    ages = sorted(round(cycle.came_low) + 1 for cycle in worst.cycles if cycle.outcome and cycle.reached)
    if not ages:
        return RangesDoubt(missed, told, "")
    after = plural(ages[-1], past.counted)
    after = after if ages[0] == ages[-1] else f"{ages[0]} to {after}"
    reached = f"; {'all' if len(ages) == worst.counted else len(ages)} of them reached the limit, after {after}"
    return RangesDoubt(missed, told, reached)


def held_of_past(
    past: PastPaths, limits: Mapping[str, float], *, cache: PoolCache = POOLS
) -> tuple[HeldForecasts, ...]:
    """Foresee the newest past cycles of a group from each of `SHARES`, the others pooled as for a running cycle.

    Parameters
    ----------
    past : PastPaths
    limits : mapping of str to float
        Limit of each part number of the paths, '' among them, micrometres.
    cache : PoolCache
        Pools already fitted: each cycle is taken out of the one that the faces left rest on.

    Returns
    -------
    tuple of HeldForecasts
        One of each share.

    Notes
    -----
    Seeds follow from the cycles' names. That its form is said to be turning, which is asked of a running cycle's faces,
    is not asked of a past one: its signed readings alone say whether it is foreseen with signs.
    """
    clean = replace(past, sizes=without_slips(past.sizes)[0], signed=without_slips(past.signed)[0])
    rows: list[list[HeldForecast]] = [[] for _ in SHARES]
    pools = _Pools(past, cache)
    for path in clean.sizes[-MOST_HELD_OUT:]:
        for row, held in zip(rows, _held_cycle(path, clean, pools, limits), strict=True):
            row.append(held)
    return tuple(forecasts_held(row, share=share) for share, row in zip(SHARES, rows, strict=True))


_HELD: Remembered[str, tuple[HeldForecasts, ...]] = Remembered(most=64)


class _Pools:
    """The pools of a group, of sizes and of signed readings, without each of its cycles."""

    def __init__(self, past: PastPaths, cache: PoolCache) -> None:
        self._past, self._cache = past, cache
        self._without: dict[bool, dict[str, PooledWear | None]] = {}

    def without(self, label: str, others: PastPaths, *, signed: bool) -> PooledWear:
        name, paths = self._past.pool(signed=signed)
        pool = self._cache.fit(name, paths, signed=signed)
        if signed not in self._without:
            taken_out = pool_without(pool, rng=np.random.default_rng(zlib.crc32(name.encode())))
            self._without[signed] = {path.label: rest for path, rest in zip(pool.past, taken_out, strict=True)}
        rest = self._without[signed].get(label, pool)  # a cycle too short for the pool is in none
        if rest is not None:
            return rest
        shapes, kept_in = STRAIGHT if signed else SHAPES, others.pool(signed=signed)[1]
        return fit_pooled(kept_in, shapes=shapes, rng=np.random.default_rng(zlib.crc32(label.encode())))


def _held_cycle(path: WearPath, past: PastPaths, pools: _Pools, limits: Mapping[str, float]) -> list[HeldForecast]:
    """Hold one cycle from each share of it."""
    signed = next((own for own in past.signed if own.label == path.label), wear_path(path.label, (), ()))
    others = _without(past, path.label)
    fits: dict[bool, PooledWear] = {}
    found = []
    for share in SHARES:
        age = share * float(path.age[-1])
        own = CyclePaths(cut_path(path, age), cut_path(signed, age))
        how = way_of_reading(own, others, turning=False)
        whole, first = (
            past.usual(p, signed=how.signed) for p in ((signed, own.signed) if how.signed else (path, own.sizes))
        )
        why = _NO_SIGN if how.refused else _too_short(whole, first, "signed reading" if how.signed else "reading")
        if why:
            found.append(not_counted(whole, first, share=share, why=why))
            continue
        rng = np.random.default_rng(zlib.crc32(f"{path.label}\x1f{share}".encode()))
        if how.signed not in fits:
            fits[how.signed] = pools.without(path.label, others, signed=how.signed)
        fit = fits[how.signed]
        if how.apart:
            pooled = fit_apart(fit, first, lacking=others.few_through_flat, rng=rng)
        else:
            pooled = fit_alone(first, rng=rng) if fit.refused else with_own_way(fit, first, rng=rng)
        usual = {part: limit / past.factor(part, signed=how.signed) for part, limit in limits.items()}
        held = forecast_held(pooled, whole, first, share=share, limits=usual, signed=how.signed, rng=rng)
        found.append(
            held if held.reached else _of_part(held, past.factor((whole.parts or ("",))[-1], signed=how.signed))
        )
    return found


def _of_part(held: HeldForecast, factor: float) -> HeldForecast:
    """Give the last reading, and the range said for it, as they are of its part number."""
    return replace(
        held,
        said_low=held.said_low * factor,
        said_high=held.said_high * factor,
        came_low=held.came_low * factor,
        came_high=held.came_high * factor,
    )


def _too_short(whole: WearPath, first: WearPath, reading: str) -> str:
    if first.age.size < LEAST_FACES:
        return f"fewer than {LEAST_FACES} {reading}s by then"
    return "" if whole.age.size > first.age.size else f"no {reading} after that"


def _without(past: PastPaths, label: str) -> PastPaths:
    """Leave one cycle out of the past."""
    sizes = tuple(path for path in past.sizes if path.label != label)
    signed = [(path, way) for path, way in zip(past.signed, past.ways, strict=True) if path.label != label]
    return replace(
        past,
        sizes=sizes,
        signed=tuple(path for path, _ in signed),
        ways=tuple(way for _, way in signed),
        usual_age=float(np.median([path.age[-1] for path in sizes])) if sizes else 0.0,
    )


def _refused(lap: str, why: str) -> PastHeld:
    return PastHeld(lap, "refused", False, (), f"No forecast of {lap} can be held against past cycles: {why}.", ())


def _told(lap: str, shares: tuple[HeldForecasts, ...]) -> PastHeld:
    """Put what held into sentences: the share that held worst first, where one is too narrow."""
    told = [one for one in shares if one.counted]
    if not told:
        return replace(_refused(lap, "none can be counted"), further=_left_out(shares))
    narrow, judged = any(one.too_narrow for one in told), any(one.judged for one in told)
    told.sort(key=lambda one: (not one.too_narrow, one.chance_of_any) if narrow else (not one.judged, one.share))
    first, *rest = told
    sentence = _count_words(first)
    if narrow:
        rarely = f"1 of {in_points(1 / first.chance_of_any)}" if first.chance_of_any >= _RAREST else _RARER
        sentence += (
            f" Where ranges are right, so few hold by chance in {rarely} such counts: the faces left take in how long "
            "past cycles lasted where enough of them reached the limit, and are less sure than they say where not."
        )
    elif not judged:
        sentence += f" That is too few to judge the ranges by: {LEAST_JUDGED} past cycles are needed."
    further = (
        *(_count_words(one) for one in rest),
        "Each cycle is taken up to where its readings stay at the limit, or to its last reading, and foreseen from its "
        "readings up to there and from the other past cycles. What came after is the age at which its readings reached "
        "the limit, or its last reading where they did not.",
        *_left_out(shares),
    )
    return PastHeld(lap, "judged" if judged else "counts only", narrow, shares, sentence, further)


def _count_words(one: HeldForecasts) -> str:
    """Say how many held from one share; where some did not, which way they went."""
    whole = f"each of {one.counted} past cycles" if one.counted > 1 else "the only past cycle counted"
    few = "only " if one.too_narrow and one.held else "all " if one.held == one.counted else ""
    count = f" in {few}{one.held or 'none'}" if one.counted > 1 else ""
    lay = "lay" if one.held or one.counted > 1 else "did not lie"
    ways = [f"{n} wore {word}" for n, word in ((one.faster, "faster"), (one.slower, "slower")) if n]
    beyond = f": {' and '.join(ways)} than foreseen" if ways else ""
    return (
        f"From {_FROM[one.share]} of {whole}, what came after {lay} within the range said for it{count} "
        f"({one.level:.0%} asked){beyond}."
    )


def _left_out(shares: tuple[HeldForecasts, ...]) -> tuple[str, ...]:
    """Count the cycles of each share that are not counted, by what they have."""
    told = []
    for one in shares:
        why = Counter(cycle.why for cycle in one.cycles if not cycle.outcome)
        if why:
            each = next(iter(why)) if len(why) == 1 else ", ".join(f"{n} with {words}" for words, n in why.items())
            are = "is" if why.total() == 1 else "are"
            told.append(f"From {_FROM[one.share]}, {plural(why.total(), 'past cycle')} {are} not counted: {each}.")
    return tuple(told)
