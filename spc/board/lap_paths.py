"""Wear paths of a lap's running cycle and of its group's past cycles, by size and with the sign of the bow."""

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.kept import digest_of_values
from spc.board.lives import NEVER, grit_to_come, sisters_of
from spc.board.remembered import Remembered
from spc.board.room_history import RoomOfLap
from spc.chart.stream import NO_GRIT, grit_running
from spc.wear.part_factors import by_factors, part_factors
from spc.wear.signed_path import (
    carries_signs,
    many_go_through_flat,
    signed_path,
    sizes_go_through_flat,
    ways_through_flat,
)
from spc.wear.wear_path import WearPath, until_limit, wear_path

__all__ = [
    "LEAST_FACES",
    "PAST_CYCLES",
    "CyclePaths",
    "PartLimit",
    "PastPaths",
    "RunningCycle",
    "past_paths",
    "past_until",
    "running_cycle",
    "values_of",
]

PAST_CYCLES = 24  # newest finished cycles of a group; more would weigh how the laps wore long ago; our own rule
_LATELY = 40  # faces whose part numbers count as lapped lately; our own rule
LEAST_FACES = 4  # a cycle of fewer read faces says nothing of its slope; our own rule
_PATH = (
    *("sort_us", "cycle", "stream", "grit", "age_faces", "relapped"),
    *("first_low_um", "first_high_um", "part"),
)


@dataclass(frozen=True, slots=True)
class CyclePaths:
    """The first readings of one cycle, twice."""

    sizes: WearPath
    signed: WearPath  # of those that say convex or concave

    @property
    def carries_signs(self) -> bool:
        """Whether enough of the readings say which way the form bends."""
        return carries_signs(self.signed, self.sizes.age.size)


@dataclass(frozen=True, slots=True)
class PartLimit:
    """The upper flatness limit of one part number."""

    part: str  # '' = none known
    limit_um: float  # NaN = none set
    text: str  # as on the drawing, with the part number


@dataclass(frozen=True, slots=True)
class RunningCycle:
    """The running cycle of a lap and the limits of the part numbers it laps."""

    rows: pd.DataFrame  # its finished faces
    own: CyclePaths  # of them, those under the newest grit
    grit: str  # that grit, '' = unknown
    limits: tuple[PartLimit, ...]  # of the part numbers lapped lately, the last lapped first; one without a limit alone

    @property
    def widest_um(self) -> float:
        """The widest of the limits: readings up to it tell of every part number; NaN = none set."""
        return max(limit.limit_um for limit in self.limits)


@dataclass(frozen=True, slots=True)
class PastPaths:
    """Ended cycles of a lap's group up to one limit."""

    name: str  # digest of all that `sizes` hold
    sizes: tuple[WearPath, ...]
    signed_name: str
    signed: tuple[WearPath, ...]  # of those cycles that carry signs
    ways: tuple[int, ...]  # of these through flat, from `ways_through_flat`
    through: frozenset[str]  # labels of the cycles that went through flat, by their signs or, without, by their sizes
    usual_age: float  # of a cycle at its end, faces; 0 = no past cycle
    factors: Mapping[str, float]  # by which sizes of part numbers differ; {} = by steps, or not told apart

    @property
    def turning(self) -> bool:
        """Whether many of the cycles that carry signs went through flat."""
        return many_go_through_flat(self.ways)

    def pool(self, *, signed: bool) -> tuple[str, tuple[WearPath, ...]]:
        """Give the paths that a cycle borrows from, and their name: by size none that turned, where many did.

        Sizes of part numbers that differ by factors are as those of a usual part number.
        """
        if signed:
            return self.signed_name, self.signed
        turned = {path.label for path, way in zip(self.signed, self.ways, strict=True) if way and self.turning}
        kept = tuple(by_factors(path, self.factors) for path in self.sizes if path.label not in turned)
        return digest_of_values(self.name, *sorted(turned)) if turned else self.name, kept

    def usual(self, path: WearPath, *, signed: bool) -> WearPath:
        """Put a path on the footing of the pool."""
        return path if signed else by_factors(path, self.factors)

    def factor(self, part: str, *, signed: bool) -> float:
        """How many times as high as in the pool the sizes of a part number are."""
        return 1.0 if signed else self.factors.get(part, 1.0)

    def by_size(self, lap: str) -> bool:
        """Whether a lap whose form nobody writes down can be read by size, though the form of others turned.

        Most of its own past cycles, or of the group's where it has none, carry no signs, and of those fewer than a
        third went through flat by their sizes.
        """
        signed = {path.label for path in self.signed}
        labels = [path.label for path in self.sizes]
        kin = [label for label in labels if label.startswith(_label(lap))] or labels
        unsigned = [label for label in kin if label not in signed]
        return 2 * len(unsigned) > len(kin) and 3 * len(self.through.intersection(unsigned)) < len(unsigned)

    def ways_of(self, lap: str) -> tuple[int, ...]:
        """Give the ways of one lap's own cycles among those that carry signs."""
        return tuple(
            way for path, way in zip(self.signed, self.ways, strict=True) if path.label.startswith(_label(lap))
        )

    @property
    def few_through_flat(self) -> str:
        """Why they say little of a cycle that goes through flat, where not many of them did."""
        went = int(np.count_nonzero(self.ways))
        of = f"only {went} of {len(self.ways)} past cycles" if went else "no past cycle"
        return f"{of} went through flat as this one does"


def running_cycle(view: CellView, lap: str, room: RoomOfLap, *, since_age: float = 0.0) -> RunningCycle:
    """Find the running cycle of a lap; readings that the room sets aside do not count.

    After a change of grit that is logged with its new grit no reading is its own until a face was lapped with it.

    Parameters
    ----------
    view : CellView
    lap : str
    room : RoomOfLap
    since_age : float, default 0
        Age in faces at which it is taken to begin: a reconditioning may not be logged.
    """
    return view.memo.once(
        lap, f"running cycle from {since_age}",
        (view.finished_of(lap), view.cycles_of(lap), view.events_of(lap), view.limits, room),
        lambda: _running_cycle(view, lap, room, since_age),
    )  # fmt: skip


def _running_cycle(view: CellView, lap: str, room: RoomOfLap, since_age: float) -> RunningCycle:
    finished, cycles = view.finished_of(lap), view.cycles_of(lap)
    now = cycles["cycle"].to_numpy()[(cycles["ended"] == "running").to_numpy()]
    columns = _columns(view, lap)
    of = np.flatnonzero(columns["cycle"] == now[-1]) if now.size else np.empty(0, np.int64)
    of = of[columns["age_faces"][of] >= since_age]
    columns = columns | {"age_faces": columns["age_faces"] - since_age}
    grits = grit_running(*(columns[name][of] if of.size else columns[name] for name in ("grit", "stream")))
    own = of[(grits == grits[-1]) & room.keeps(columns["sort_us"][of], room.unworn)] if of.size else of
    changed = grit_to_come(view, lap)
    own = own[:0] if changed and grits.size and grits[-1] != changed else own
    grit = changed or ("" if not grits.size or grits[-1].startswith(NO_GRIT) else str(grits[-1]))
    rows = finished.iloc[of].assign(age_faces=columns["age_faces"][of]).reset_index(drop=True)
    return RunningCycle(rows, _paths(f"{lap}, this cycle", columns, own), grit, _limits_lately(view, finished, grit))


def past_paths(
    view: CellView, lap: str, grit: str, limit_um: float, *, until: Mapping[tuple[str, int], float] = NEVER
) -> PastPaths:
    """List ended cycles of the lap's group up to a limit; sisters looked at in one view share them.

    Parameters
    ----------
    view : CellView
    lap : str
    grit : str
        That runs on the lap, '' = any.
    limit_um : float
        NaN = none.
    until : mapping of (str, int) to float, default none
        Of a lap and its cycle, the age in faces from which its readings may be of another cycle: not counted.
    """
    if _SHARED.by_lap is not view.by_lap:
        _SHARED.by_lap, _SHARED.paths, _SHARED.cut = view.by_lap, {}, {}
    group = str(view.lap_row(lap)["group"])
    whose = group or f"\x1f{lap}"  # a lap of no group has no sisters
    which = (whose, grit, frozenset(until.items()))
    if (*which, limit_um) not in _SHARED.cut:
        if which not in _SHARED.paths:
            _SHARED.paths[which] = _ended_paths(view, sisters_of(view, lap), grit, until)
        ended = _SHARED.paths[which]
        name = digest_of_values(limit_um, *(one.name for one in ended))
        _SHARED.cut[*which, limit_um] = _CUT.get(name, lambda: past_until(tuple(one.paths for one in ended), limit_um))
    return _SHARED.cut[*which, limit_um]


def values_of(path: WearPath) -> tuple[object, ...]:
    """All that a path holds, to be named by."""
    return path.label, path.age, path.low, path.high, path.sign_known, path.parts, path.limit


class _Ended(NamedTuple):
    """The paths of an ended cycle."""

    name: str  # digest of all that they hold
    paths: CyclePaths


_CUT: Remembered[str, PastPaths] = Remembered(most=256)  # a new face on a running cycle leaves the past as it was


class _Shared(threading.local):
    """Past paths by group, grit, open questions and limit of the view last asked in this thread."""

    def __init__(self) -> None:
        self.by_lap: object = None  # frames of that view, held so that it is known again
        self.paths: dict[tuple[object, ...], tuple[_Ended, ...]] = {}
        self.cut: dict[tuple[object, ...], PastPaths] = {}


_SHARED = _Shared()


def _columns(view: CellView, lap: str) -> dict[str, Any]:
    """Columns of one lap's finished faces that a path is made from.

    A face that was lapped again was not good at first: where that reading is not logged, it is open above its limit.
    """
    finished = view.finished_of(lap)

    def columns() -> dict[str, Any]:
        found: dict[str, Any] = {name: finished[name].to_numpy() for name in _PATH}
        found["first_shape"] = finished["first_shape"].array  # words are made plain for the rows of a path only
        unread = found["relapped"] & np.isnan(found["first_low_um"])
        if unread.any():
            limit = np.full(unread.size, np.nan)
            limit[unread] = upper_limit_um(finished["part"][unread], view.limits)
            found["first_low_um"] = np.where(unread, limit, found["first_low_um"])
            found["first_high_um"] = np.where(np.isfinite(limit), np.inf, found["first_high_um"])
        return found

    return view.memo.once(lap, "path columns", (finished, view.limits), columns)


def _limits_lately(view: CellView, finished: pd.DataFrame, grit: str) -> tuple[PartLimit, ...]:
    """List the part numbers lapped lately on a lap that have a limit, the last lapped first, in this cycle or before.

    Those of another grit count only where none was lapped under this one. A lap without any face has lapped no part
    number yet: the limit of all parts counts, where there is one.
    """
    under = finished["part"][finished["grit"].isin((grit, ""))] if grit else finished["part"]
    lately = (under if len(under) else finished["part"]).iloc[-_LATELY:][::-1]
    parts = list(dict.fromkeys(lately.tolist())) or [""]
    limits_um = upper_limit_um(pd.Series(parts), view.limits).tolist()
    flatness = view.limits[view.limits["characteristic"] == "flatness"]
    texts = dict(zip(flatness["part"].tolist(), flatness["upper_text"].tolist(), strict=True))
    found = []
    for part, limit_um in zip(parts, limits_um, strict=True):
        if np.isfinite(limit_um):
            text = str(texts[part if part in texts else "*"]) or f"{limit_um:.3g} um"
            found.append(PartLimit(part, limit_um, f"{text} ({part})" if part else text))
    return tuple(found) or (PartLimit(parts[0], float("nan"), ""),)


def past_until(paths: tuple[CyclePaths, ...], limit_um: float) -> PastPaths:
    """Cut past cycles at a limit and tell how many of them went through flat."""
    sizes = tuple(until_limit(p.sizes, limit_um) for p in paths)  # most limits cut nothing: one fit
    with_signs = [p.signed for p in paths if p.carries_signs]
    signed = tuple(until_limit(p, limit_um, -limit_um) for p in with_signs)
    ends = [float(p.age[-1]) for p in sizes]
    usual_age = float(np.median(ends)) if ends else 0.0
    ways = ways_through_flat(with_signs, usual_age)
    through = {path.label for path, way in zip(with_signs, ways, strict=True) if way}
    without = (p.sizes for p in paths if not p.carries_signs)
    through |= {path.label for path in without if sizes_go_through_flat(path, usual_age)}
    return PastPaths(
        name=_name("by size", sizes),
        sizes=sizes,
        signed_name=_name("signed", signed),
        signed=signed,
        ways=ways,
        through=frozenset(through),
        usual_age=usual_age,
        factors=part_factors(sizes),
    )


def _name(how: str, paths: tuple[WearPath, ...]) -> str:
    return digest_of_values(how, *(value for p in paths for value in values_of(p)))


def _ended_paths(
    view: CellView, sisters: list[str], grit: str, until: Mapping[tuple[str, int], float]
) -> tuple[_Ended, ...]:
    ended = [
        (end_us, sister, cycle)
        for sister in sisters
        for end_us, cycle in view.memo.once(sister, "ended", (view.cycles_of(sister),), partial(_ends, view, sister))
    ]
    paths: list[_Ended] = []
    for _, sister, cycle in sorted(ended, key=itemgetter(0))[::-1]:
        made_from = (view.finished_of(sister), view.limits)
        age = until.get((sister, cycle), math.inf)
        make = partial(_ended_path, view, sister, cycle, grit, age)
        path = view.memo.once(sister, f"path {cycle} with {grit} until {age}", made_from, make)
        if path is not None:
            paths.append(path)
        if len(paths) == PAST_CYCLES:
            break
    return tuple(paths[::-1])


def _ends(view: CellView, lap: str) -> list[tuple[int, int]]:
    """When each ended cycle of a lap ended whose start is known, and its number."""
    cycles = view.cycles_of(lap)
    known = np.flatnonzero(cycles["start_known"].to_numpy(bool) & (cycles["ended"] != "running").to_numpy())
    return list(zip(*(cycles[name].to_numpy(np.int64)[known].tolist() for name in ("end_us", "cycle")), strict=True))


def _label(lap: str) -> str:
    """Name the past cycles of a lap, but for their numbers."""
    return f"{lap}, cycle "


def _ended_path(view: CellView, lap: str, cycle: int, grit: str, until_age: float) -> _Ended | None:
    """Paths of one cycle under one grit ('' = any); a face whose grit nobody wrote may have been lapped with it."""
    columns = _columns(view, lap)
    of = np.flatnonzero((columns["cycle"] == cycle) & (columns["age_faces"] < until_age))
    if grit:
        ran = grit_running(columns["grit"][of], columns["stream"][of]).tolist()
        of = of[[name == grit or name.startswith(NO_GRIT) for name in ran]]
    read = np.count_nonzero(~np.isnan(columns["first_low_um"][of]))
    if read < LEAST_FACES:
        return None
    paths = _paths(f"{_label(lap)}{cycle}", columns, of)
    return _Ended(digest_of_values(*values_of(paths.sizes), *values_of(paths.signed)), paths)


def _paths(label: str, columns: Mapping[str, Any], of: NDArray[np.int64]) -> CyclePaths:
    """Paths of the finished faces at the places `of`."""
    names = ("age_faces", "first_low_um", "first_high_um", "first_shape", "part")
    age, low, high, shape, part = (columns[name][of] for name in names)
    parts = part.tolist()
    return CyclePaths(
        wear_path(label, age, low, high, parts=parts), signed_path(label, age, low, high, shape, parts=parts)
    )
