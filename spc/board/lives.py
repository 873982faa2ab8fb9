"""Cycles whose lives may be pooled: those of a lap and its sisters under the grit that runs now.

Where a cycle goes through several grits as a habit, its life is that of the cycle, whichever of them ran.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.lap_lead import lead_of
from spc.wear.event_order import order_events
from spc.wear.lead_sign import LeadSign
from spc.wear.lifetime import LEAST_EVENTS
from spc.wear.limit_crossing import Crossings, limit_crossings

__all__ = ["NEVER", "PLAN_SEED", "grit_to_come", "grits_counted", "lives_under", "running_grit", "sisters_of"]

PLAN_SEED = 20_240_917  # of the draws behind a plan, so that the same log always gives the same ages
NEVER: Mapping[tuple[str, int], float] = MappingProxyType({})  # no cycle of no lap holds readings of another
_HABIT = 2  # ended cycles that went through the same grits: once is a change of grit, twice is a habit [our rule]


def sisters_of(view: CellView, lap: str) -> list[str]:
    """Laps of the group of a lap, itself among them."""

    def groups() -> dict[str, list[str]]:
        members: dict[str, list[str]] = {}
        for name, group in zip(view.laps["lap"].tolist(), view.laps["group"].tolist(), strict=True):
            members.setdefault(group, []).append(name)
        return members

    group = view.lap_row(lap)["group"]
    return [lap] if not group else view.memo.once("", "groups", (view.laps,), groups)[group]


def grit_to_come(view: CellView, lap: str) -> str:
    """Grit that a lap was changed to after its last face, by the log of its events; '' = none that is named."""
    return _grits_told(view, lap)[0]


def running_grit(view: CellView, lap: str) -> str:
    """Grit that runs on a lap: the one that its faces and its logged changes named last; '' = none is named."""
    return _grits_told(view, lap)[1]


def _grits_told(view: CellView, lap: str) -> tuple[str, str]:
    """Give the grits of `grit_to_come` and `running_grit`."""
    faces, events = view.lapped_of(lap), view.events_of(lap)

    def told() -> tuple[str, str]:
        changed = events[events["event"] == "grit changed"]
        if faces.empty:
            timed = (changed["time_text"] != "") | changed["time_utc"].notna()
            place, grit = np.zeros(int(timed.sum()), np.int64), changed.loc[timed].sort_values("sort_us")["grit"]
        else:
            placed = order_events(faces, changed).events
            place, grit = placed["place"].to_numpy(np.int64), placed["grit"]
        to_come = grit[place == len(faces)].tolist()
        named = np.flatnonzero((faces["grit"] != "").to_numpy())[-1:]
        since = grit[(place > named.max(initial=-1)) & (grit != "").to_numpy()].tolist()
        on_faces = faces["grit"].iloc[named].tolist()
        return str((["", *to_come])[-1]), str(["", *on_faces, *since][-1])

    return view.memo.once(lap, "grits told", (faces, events), told)


def grits_counted(view: CellView, laps: Sequence[str], grit: str) -> frozenset[str]:
    """Find the grits whose cycles tell how long those of a lap last.

    Parameters
    ----------
    view : CellView
    laps : sequence of str
        A lap and its sisters.
    grit : str
        The one that runs on the lap; '' = none is named.

    Returns
    -------
    frozenset of str
        It alone; where fewer than `LEAST_EVENTS` cycles have ended under it alone and more, two at least, went through
        it and the same others, all of these. Empty = any.
    """
    if not grit:
        return frozenset()
    cycles = view.cycles[view.cycles["lap"].isin(laps)]
    ended = cycles[cycles["start_known"] & (cycles["ended"] != "running")]
    ran = [own for own in _grits_of(view, ended) if grit in own]
    alone = frozenset((grit,))
    often = Counter(own for own in reversed(ran) if own != alone).most_common(1)
    if not often or often[0][1] < _HABIT or ran.count(alone) >= min(often[0][1], LEAST_EVENTS):
        return alone
    return often[0][0]


def lives_under(
    view: CellView, laps: Sequence[str], grits: frozenset[str], *, until: Mapping[tuple[str, int], float] = NEVER
) -> pd.DataFrame:
    """Cycles of these laps under these grits, as `spc.wear.cycle_table.list_cycles` has them.

    Parameters
    ----------
    view : CellView
    laps : sequence of str
    grits : frozenset of str
        From `grits_counted`; empty = any. A cycle whose grit nobody wrote may have run with them and is kept; one that
        ran with another too is not. Of several, those of a lap count from its first cycle on that went through them
        all: one that wore out, or runs, before the last of them is of that habit too.
    until : mapping of (str, int) to float, default none
        Of a lap and its cycle, the age in faces at which another cycle may have begun, from `first_doubts`.

    Returns
    -------
    pandas.DataFrame
        Whatever ended a cycle, its life ends where its finished faces went over the limit of their part number
        (`spc.wear.limit_crossing`), which `over_limit` tells: by their first readings, as the faces left are told,
        where faces are lapped until they are good. A cycle found worn late is known good only up to the last
        face that read under its limit, and so is one whose last reading is over it; one in which another may have begun
        is so only up to there: it has 'ended' as 'unsure', if it is not the running one. Where but the day is known on
        which it began or ended, either end of its life lies as far out.
    """
    cycles = view.cycles[view.cycles["lap"].isin(laps)]
    if grits:
        cycles = cycles[_ran_with(view, cycles, grits)]
    names = list(zip(cycles["lap"].tolist(), cycles["cycle"].tolist(), strict=True))
    faces = cycles["faces"].to_numpy(np.float64)
    read = _read_of(view, names, faces)
    late = (cycles["ended"] == "found late").to_numpy()
    seen = (cycles["ended"] == "due").to_numpy()
    doubt = np.array([until.get(name, np.inf) for name in names])
    over = np.isfinite(read.high) & (read.high <= doubt)
    fewer, more = (cycles[name].to_numpy(np.float64) for name in ("fewer_faces", "more_faces"))
    low = np.where(late & ~over, np.clip(faces - 1, 0, read.low), read.low)  # it was worn at its last face
    low = np.where(late | over | (read.stray & ~seen), np.maximum(low - fewer, 0), cycles["low_faces"])
    unsure = np.isfinite(doubt) & ~over
    return cycles.assign(
        good_faces=np.minimum(np.where(seen & ~over, faces, low), doubt).astype(np.int64),
        low_faces=np.minimum(low, doubt),
        high_faces=np.where(unsure, np.inf, np.where(over, read.high + more, cycles["high_faces"])),
        over_limit=over,
        ended=cycles["ended"].mask(unsure & (cycles["ended"] != "running"), "unsure"),
    )


def _read_of(view: CellView, names: Sequence[tuple[str, int]], faces: NDArray[np.float64]) -> Crossings:
    """Crossings of the cycles named, in their order; one without a reading is within up to no face."""

    def of_lap(lap: str, leads: LeadSign) -> dict[int, tuple[float, float, bool]]:
        signs, rows = view.signs_of(lap), view.faces_of(lap)
        sent_back = rows["face_id"][rows["outcome"].isin(("re-lap", "regrind", "scrap")).to_numpy()]
        told_first = leads.cut_off and not leads.hides
        low_um = signs["first_low_um" if told_first else "final_low_um"].to_numpy(np.float64)
        over = low_um >= upper_limit_um(signs["part"], view.limits)
        over |= told_first & np.isnan(low_um) & signs["relapped"].to_numpy(bool)  # not good, whatever it read
        found = limit_crossings(
            signs["cycle"], pd.factorize(signs["part"])[0], signs["age_faces"].to_numpy(np.float64) + 1.0,
            over=over, within=np.isfinite(low_um) & ~over & ~signs["face_id"].isin(sent_back).to_numpy(),
        )  # fmt: skip
        each = (array.tolist() for array in (found.low, found.high, found.stray))
        return dict(zip(found.cycle.tolist(), zip(*each, strict=True), strict=True))

    leading = {lap: lead_of(view, lap) for lap in {lap for lap, _ in names}}
    by_lap = {
        lap: view.memo.once(
            lap, "limit crossings", (view.signs_of(lap), view.faces_of(lap), view.limits, leads),
            partial(of_lap, lap, leads),
        )
        for lap, leads in leading.items()
    }  # fmt: skip
    told = [by_lap[lap].get(cycle, (0.0, np.inf, False)) for lap, cycle in names]
    low, high, stray = (np.array([one[at] for one in told]) for at in range(3))
    return Crossings(np.arange(faces.size), low, high, stray.astype(bool))


def _ran_with(view: CellView, cycles: pd.DataFrame, grits: frozenset[str]) -> NDArray[np.bool_]:
    """Mark the cycles of no other grits, of each lap from the first on that went through all of them."""
    ran = _grits_of(view, cycles)
    names = list(zip(cycles["lap"].tolist(), cycles["cycle"].tolist(), strict=True))
    first: dict[str, int] = {}
    for (lap, cycle), own in zip(names, ran, strict=True):
        if own == grits:
            first[lap] = min(cycle, first.get(lap, cycle))
    since = (not own or cycle >= first.get(lap, cycle + 1) for (lap, cycle), own in zip(names, ran, strict=True))
    return np.array([own <= grits and counts for own, counts in zip(ran, since, strict=True)], dtype=bool)


def _grits_of(view: CellView, cycles: pd.DataFrame) -> list[frozenset[str]]:
    """Grits that each cycle ran with, as its faces say; empty = none is written."""

    def of_lap(lap: str) -> dict[int, frozenset[str]]:
        faces = view.lapped_of(lap)
        named = faces[faces["grit"] != ""]
        return {int(str(cycle)): frozenset(grits) for cycle, grits in named.groupby("cycle")["grit"]}

    found = {
        lap: view.memo.once(lap, "grits of cycles", (view.faces_of(lap),), partial(of_lap, lap))
        for lap in set(cycles["lap"].tolist())
    }
    names = zip(cycles["lap"].tolist(), cycles["cycle"].tolist(), strict=True)
    return [found[lap].get(cycle, frozenset()) for lap, cycle in names]
