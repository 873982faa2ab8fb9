"""How often the faces of a lap come back: what is usual, and the signal that they come back more often in this cycle.

The chart takes one share as usual for a whole cycle. Where worn laps give more faces to lap again, every old cycle has
more of them than that share, and nothing is wrong: a signal must stand out from earlier faces of the same age too.
"""

import itertools
import math
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.board.frozen_limits import BUDGET_WEEKS, WEEK_US
from spc.board.missing_places import begun_anew, counted_once
from spc.board.open_signals import RECENT_POINTS
from spc.board.reactions import answered_place, place_of
from spc.board.results import Signal
from spc.board.room_history import NO_ROOM, RoomOfLap
from spc.chart.price import in_points
from spc.chart.relaps import BernoulliPlan, RelapChart, bernoulli_plan, relap_chart
from spc.chart.stream import grit_running
from spc.chart.two_groups import fisher_exact_p
from spc.measure.interval import middle_of

__all__ = [
    "FEWEST_USUAL",
    "RELAP_SIGN",
    "FacesCharted",
    "RelapPlan",
    "RelapRise",
    "begun_at",
    "faces_charted",
    "find_rise",
    "plan_of_relaps",
    "relap_false_calls",
    "relap_signal",
]

RELAP_SIGN = "re-lap share"
FEWEST_USUAL = 20  # earlier faces from which a usual share of re-laps is said [our rule]
LEAST_RISE = 0.05  # the sum is tuned to twice the usual share, at least to this much more [our choice]
# Chance under which a share is no longer that of earlier faces of its age: so many over the faces between false alarms,
# and no more than 0.01 [our choice; from the simulation of tests/honesty/test_relap_share.py].
NOT_ITS_AGE, NOT_ITS_AGE_MOST = 5.0, 0.01
SURELY_OVER = 0.05  # chance of so many good faces in a row at the raised share, under which it is over [our choice]
_UNCHARTED = 500.0  # faces between false alarms where the cell has no charts to take it from


class RelapPlan(NamedTuple):
    """The sum over single faces of one lap, set by its earlier cycles."""

    share: float  # usual, of the faces of earlier cycles
    worse: float  # that it is tuned to see
    plan: BernoulliPlan


class RelapRise(NamedTuple):
    """A rise of the share of faces lapped again, by places among the faces charted."""

    begin: int  # about where it began
    spoke: int  # first face at which it is told
    newest: int  # newest face at which it is told


class FacesCharted(NamedTuple):
    """Places among the finished faces of a lap, those with another grit than the one that runs left out."""

    before: NDArray[np.intp]  # of earlier cycles
    own: NDArray[np.intp]  # of the running cycle, since its last change of grit
    unsure: int  # how many of earlier cycles are left out, for a reconditioning may be missing before them


def faces_charted(view: CellView, lap: str, room: RoomOfLap = NO_ROOM) -> FacesCharted:
    """Choose the faces of a lap whose re-laps are charted; those that the room sets aside are left out.

    Of an earlier cycle in which another may begin only the faces before that count: the age of the others is not known.
    """
    signs = view.signs_of(lap)
    if not len(signs):
        return FacesCharted(np.empty(0, np.intp), np.empty(0, np.intp), 0)
    cycle = signs["cycle"].to_numpy(np.int64)
    grit = grit_running(signs["grit"].to_numpy(object), signs["stream"].to_numpy(np.int64))
    counted, same = room.keeps(signs["sort_us"].to_numpy(np.int64), room.aside), grit == grit[-1]
    sure = counted_once(cycle, signs["age_faces"].to_numpy(np.float64), begun_anew(view, lap))
    of_now = cycle == view.cycle_now(lap)
    now = np.logical_and.accumulate((same & of_now)[::-1])[::-1]
    before = counted & same & ~of_now
    return FacesCharted(
        np.flatnonzero(before & sure), np.flatnonzero(counted & now), int(np.count_nonzero(before & ~sure))
    )


def plan_of_relaps(view: CellView, cell: CellCharts, lap: str, earlier: NDArray[np.bool_]) -> RelapPlan:
    """Set the sum over single faces of a lap.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
        Its budget sets the decision.
    lap : str
    earlier : (n,) bools
        Whether each face of earlier cycles was lapped again; at least one.
    """
    share = (float(earlier.sum()) + 0.5) / (earlier.size + 1.0)
    worse = min(max(2.0 * share, share + LEAST_RISE), (1.0 + share) / 2.0)
    set_by = view.memo.same(lap, "relap plan of", (share, worse, float(round(_between(cell)))))
    make = partial(bernoulli_plan, share, worse, average=set_by[2])
    return RelapPlan(share, worse, view.memo.once(lap, "relap plan", (set_by,), make))


def begun_at(found: RelapChart) -> int:
    """Place of the face about which a rise began that still stands; -1 = none does.

    A sum that was back at 0 after its call, and has grown since, has called nothing yet.
    """
    calls = found.chart.signals[0].index
    return found.since if calls.size and 0 <= found.since <= int(calls[-1]) else -1


def find_rise(
    bad: NDArray[np.bool_],
    age_faces: NDArray[np.float64],
    plan: BernoulliPlan,
    *,
    bad_before: NDArray[np.bool_],
    age_before: NDArray[np.float64],
) -> RelapRise | None:
    """Find the rise of the share of bad faces that stands at the last face; None where there is none.

    Parameters
    ----------
    bad : (n,) bools
        Whether each face since the sum began was lapped again, in order of time.
    age_faces : (n,) floats
        Place in the cycle of each.
    plan : BernoulliPlan
    bad_before, age_before : (m,)
        The same of faces of earlier cycles, at least one.

    Returns
    -------
    RelapRise or None

    Notes
    -----
    Spoken at a bad face at which the sum has reached its decision and, besides, the share since it left 0 differs from
    that of earlier faces of the same ages (at least of the 20 nearest) by Fisher's exact test: a share that
    grows with age in every cycle is no rise, and a share known from few faces may be higher than it seemed. Over after
    so many good faces in a row as have a chance under 0.05 at the raised share, at least 8.
    """
    found = relap_chart(bad, plan)
    begin = begun_at(found)
    if begin < 0:
        return None
    called = np.flatnonzero(bad & (found.chart.value >= plan.decision_steps))
    called = called[called >= begin]
    alpha = min(NOT_ITS_AGE / plan.run_length.average, NOT_ITS_AGE_MOST)

    def stands_out(at: int) -> bool:
        own, ages = bad[begin : at + 1], age_faces[begin : at + 1]
        like = np.flatnonzero((age_before >= ages[0]) & (age_before <= ages[-1]))
        if like.size < FEWEST_USUAL:
            like = np.argsort(np.abs(age_before - (ages[0] + ages[-1]) / 2), kind="stable")[:FEWEST_USUAL]
        hit, was = int(own.sum()), int(bad_before[like].sum())
        return hit * like.size > was * own.size and fisher_exact_p(hit, own.size, was, like.size) < alpha

    def over(at: int) -> bool:
        share = float(bad[begin : at + 1].mean())
        good = math.ceil(math.log(SURELY_OVER) / math.log1p(-share)) if share < 1.0 else 1
        return bad.size - 1 - at >= max(RECENT_POINTS, good)

    lately = itertools.takewhile(lambda at: not over(at), called[::-1].tolist())
    newest = next(filter(stands_out, lately), None)
    return None if newest is None else RelapRise(begin, next(filter(stands_out, called.tolist())), newest)


def relap_signal(view: CellView, cell: CellCharts, lap: str, room: RoomOfLap) -> Signal | None:
    """Signal that faces of the running cycle come back more often than is usual; None while they do not.

    Parameters
    ----------
    view : CellView
    cell : CellCharts
    lap : str
    room : RoomOfLap
        Faces that it sets aside do not count: a room that reads high sends faces of all laps back.

    Returns
    -------
    Signal or None
        One to look at: a call of the sum over single faces that still stands, told at the newest face lapped again at
        which the share was not that of earlier faces of its age either. After an answer the sum begins anew. It falls
        silent by itself after so many good faces in a row as would be rare at the raised share.
    """
    signs, (before, own, _) = view.signs_of(lap), faces_charted(view, lap, room)
    bad = signs["relapped"].to_numpy(bool)
    if before.size < FEWEST_USUAL or not bad[own].any():
        return None
    ids = signs["face_id"].to_numpy(np.int64)
    answered = answered_place(view, lap, RELAP_SIGN)
    if answered >= 0:
        own = own[[place_of(view, lap, face) > answered for face in ids[own].tolist()]]
    told, age = plan_of_relaps(view, cell, lap, bad[before]), signs["age_faces"].to_numpy(np.float64)
    rise = find_rise(bad[own], age[own], told.plan, bad_before=bad[before], age_before=age[before])
    if rise is None:
        return None
    begin, newest = rise.begin, rise.newest
    again, of, earlier = int(bad[own[begin:]].sum()), own.size - begin, int(bad[before].sum())
    last = f"{of} faces of {lap} were" if of > 1 else f"face of {lap} was"
    sentence = (
        f"{again} of the last {last} lapped again after the first pass; in earlier cycles it was {earlier:,} of "
        f"{before.size:,}."
    )
    row = _row_of(view.lapped_of(lap), int(ids[own[newest]]))
    low, high_um = (float(signs[f"first_{end}_um"].iloc[own[newest]]) for end in ("low", "high"))
    return Signal(
        lap=lap,
        sign=RELAP_SIGN,
        rule="more re-laps than usual",
        sentence=sentence,
        severity="look",
        p_value=float("nan"),
        face_id=int(ids[own[newest]]),
        since_face_id=int(ids[own[begin]]),
        since_faces=of - 1,
        time_text=str(row["time_text"]),
        value_um=float(middle_of(low, high_um)),
        age_faces=float(age[own[newest]]),
        spoke_face_id=int(ids[own[rise.spoke]]),
    )


def relap_false_calls(view: CellView, cell: CellCharts) -> str:
    """Say beside the budget how often a re-lap share is called risen that is not; '' where no face was lapped again."""
    ends = {lap: frames.signs for lap, frames in view.by_lap.items() if len(frames.signs)}
    newest = max((int(signs["sort_us"].iloc[-1]) for signs in ends.values()), default=0)
    oldest = min((int(signs["sort_us"].iloc[0]) for signs in ends.values()), default=0)
    since = max(oldest, newest - BUDGET_WEEKS * WEEK_US)
    weeks, faces = max(1.0, (newest - since) / WEEK_US), 0
    for lap, signs in ends.items():
        if view.memo.once(lap, "any relap", (signs,), partial(_any_relap, signs)):
            at = signs["sort_us"].to_numpy(np.int64)
            faces += int(at.size - np.searchsorted(at, since))
    if not faces:
        return ""
    a_week = faces / weeks / _between(cell)
    often = f"{a_week:.1f} times a week" if a_week >= 0.95 else f"once in about {in_points(1.0 / a_week)} weeks"
    often = "once a week" if a_week >= 0.95 and often == "1.0 times a week" else often
    return f" Besides, the share of faces lapped again is called risen on a lap where it is not, at most {often}."


def _between(cell: CellCharts) -> float:
    return cell.plan.widths.points_between if cell.plan.widths is not None else _UNCHARTED


def _any_relap(signs: pd.DataFrame) -> bool:
    return bool(signs["relapped"].any())


def _row_of(rows: pd.DataFrame, face_id: int) -> pd.Series:
    return rows.iloc[int(np.flatnonzero(rows["face_id"].to_numpy(np.int64) == face_id)[0])]
