"""Face by face, good or not: the Bernoulli sum and the faces between re-laps."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import count_in, number_in, segment_starts
from spc.chart.cusum import last_zero
from spc.chart.markov import chain_average
from spc.chart.price import in_points
from spc.chart.result import Chart
from spc.chart.run_length import RunLength, run_length_of
from spc.chart.signals import beyond_limits
from spc.chart.step_chain import bernoulli_chain

__all__ = ["BernoulliPlan", "RelapChart", "bernoulli_plan", "gap_chart", "relap_chart"]

LATTICE_MOST = 5000
DECISION_MOST = 200_000


@dataclass(frozen=True, slots=True)
class BernoulliPlan:
    """Settings of a Bernoulli sum on a lattice and what they do, exactly."""

    in_control: float  # share of bad faces when all is as usual
    worse: float  # share it is tuned to see
    lattice: int  # a bad face adds lattice - 1 steps, a good one takes 1 off
    decision_steps: int
    run_length: RunLength  # in control, in faces
    worse_run_length: RunLength  # at the worse share
    sentence: str


@dataclass(frozen=True, slots=True)
class RelapChart:
    """The sum over single faces and where a rise may have begun."""

    chart: Chart
    since: int  # first face since the sum last stood at 0; -1 = it stands at 0 now
    plan: BernoulliPlan


@lru_cache(maxsize=128)
def bernoulli_plan(in_control: float, worse: float, *, average: float, head_start: float = 0.0) -> BernoulliPlan:
    """Find the Bernoulli sum with at least so many faces between false alarms on average.

    Parameters
    ----------
    in_control : float
        Share of bad faces as usual, 0 < share < 1.
    worse : float
        Share to be seen soon, above `in_control` and below 1.
    average : float
        Faces between false alarms, greater than 1.
    head_start : float, default 0
        Share of the decision at which the sum starts.

    Returns
    -------
    BernoulliPlan

    Raises
    ------
    ValueError
        For shares or an average out of range.

    Notes
    -----
    The likelihood-ratio reference r1 / r2 is rounded to one over a whole number, so that the sum moves on a lattice
    and its chain is exact. The average run length moves in jumps with the decision: the first decision that reaches
    the wanted one is taken.

    References
    ----------
    Reynolds and Stoumbos (1999), Journal of Quality Technology 31(1), 87-108.
    """
    p0 = number_in(in_control, "in_control", above=0.0)
    p1 = number_in(worse, "worse", above=p0)
    if p1 >= 1.0:
        raise ValueError(f"`worse` must be below 1, got {worse}")
    wanted = number_in(average, "average", above=1.0)
    share = number_in(head_start, "head_start", least=0.0)
    if share >= 1.0:
        raise ValueError(f"`head_start` must be a share of the decision below 1, got {head_start}; 0.5 is usual")
    against = -math.log((1.0 - p1) / (1.0 - p0))
    spread = math.log(p1 * (1.0 - p0) / (p0 * (1.0 - p1)))
    lattice = max(2, round(spread / against))
    if lattice > LATTICE_MOST:
        raise ValueError(f"`in_control` must be large enough to be seen face by face, got {in_control}")

    def reaches(decision: int) -> bool:
        chain = bernoulli_chain(p0, lattice=lattice, decision_steps=decision, start_steps=int(share * decision))
        return chain_average(chain) >= wanted

    low, high = 0, lattice
    while not reaches(high):
        low, high = high, 2 * high
        if high > DECISION_MOST:
            raise ValueError(f"`average` must be within reach of these shares, got {average:g}")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    start = int(share * high)
    calm = bernoulli_chain(p0, lattice=lattice, decision_steps=high, start_steps=start)
    moved = bernoulli_chain(p1, lattice=lattice, decision_steps=high, start_steps=start)
    words = f"sum over single faces, a bad face adds {lattice - 1}, a good one takes 1 off, decision at {high}"
    method = "exact Markov chain on the lattice (Reynolds and Stoumbos 1999), independent faces"
    usual = run_length_of(calm, calm, shift_sd=0.0, chart=words, method=method)
    raised = run_length_of(moved, calm, shift_sd=p1 - p0, chart=words, method=method)
    sentence = (
        f"one false alarm in about {in_points(usual.average)} faces at {p0:.1%}; a rise to {p1:.1%} is seen after "
        f"about {in_points(raised.average)} faces"
    )
    return BernoulliPlan(p0, p1, lattice, high, usual, raised, sentence)


def relap_chart(bad: ArrayLike, plan: BernoulliPlan, *, segments: ArrayLike | None = None) -> RelapChart:
    """Chart the sum over single faces.

    Parameters
    ----------
    bad : (n,) bools
        Whether each face, in order of time, had to be lapped again (or was scratched).
    plan : BernoulliPlan
    segments : (n,) ids, optional
        The sum starts again at each new stretch.

    Returns
    -------
    RelapChart

    Raises
    ------
    ValueError
        If `bad` holds anything but True and False (or 1 and 0).
    """
    flags = _flags(bad)
    starts = segment_starts(segments, flags.size)
    steps = np.where(flags, plan.lattice - 1, -1)
    total = np.empty(flags.size, dtype=np.int64)
    for begin, end in pairwise([*starts.tolist(), flags.size]):
        run = np.cumsum(steps[begin:end])
        total[begin:end] = run - np.minimum(np.minimum.accumulate(run), 0)
    value = total.astype(np.float64)
    # The decision counts as reached at its own step; the drawn limit lies half a step below, so nothing falls on it.
    upper = np.full(flags.size, plan.decision_steps - 0.5)
    lower = np.full(flags.size, -math.inf)
    chart = Chart(
        name="sum over single faces",
        status="ok" if flags.size else "too few",
        reason="" if flags.size else "no face yet",
        value=value,
        centre=np.zeros(flags.size),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(
            beyond_limits(value, lower, upper, rule="sum over single faces", words="bad faces come faster than usual"),
        ),
        method=plan.run_length.chart,
        n=int(flags.size),
        missing=0,
        sigma=0.0,
        sigma_how="none: each face is good or bad",
        run_length=plan.run_length,
        alarms=plan.sentence,
        notes=("not reset by a signal",),
    )
    return RelapChart(chart=chart, since=last_zero(value, starts=starts), plan=plan)


def gap_chart(bad: ArrayLike, *, share: float, together: int = 1, alpha: float = 0.0027) -> Chart:
    """Chart the faces from one bad face to the next (or to the one after so many).

    Parameters
    ----------
    bad : (n,) bools
        Whether each face, in order of time, was bad.
    share : float
        Share of bad faces in control, 0 < share < 1.
    together : int, default 1
        How many gaps are added up in one point. One gap alone can hardly ever be too short: with a share of 5 % the
        very next face is bad once in 20.
    alpha : float, default 0.0027
        Both tails together, per point.

    Returns
    -------
    Chart
        One value per bad face that completes `together` gaps, at the position of that face; NaN elsewhere. A short
        gap (side -1) is the bad news.

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    Faces up to the r-th bad one follow the negative binomial law; limits are its exact tails.

    References
    ----------
    Kaminsky et al. (1992), Journal of Quality Technology 24(2), geometric charts.
    """
    from scipy.special import betainc

    flags = _flags(bad)
    p = number_in(share, "share", above=0.0)
    tail = number_in(alpha, "alpha", above=0.0) / 2.0
    if p >= 1.0 or tail >= 0.5:
        raise ValueError(f"`share` and `alpha` must be below 1, got {share} and {alpha}")
    r = count_in(together, "together", least=1)
    where = np.flatnonzero(flags)
    value = np.full(flags.size, np.nan)
    before = np.concatenate(([-1], where))  # the first gap is counted from the start of the record
    ends = where[r - 1 :: r]
    value[ends] = ends - before[np.arange(ends.size) * r]

    def by(face: int) -> float:
        """P(the r-th bad face comes by this face)."""
        return float(betainc(r, face - r + 1.0, p)) if face >= r else 0.0

    short = _first_face(lambda face: by(face) > tail, r) - 1  # the last face by which it comes too soon
    low = short + 0.5 if short >= r else -math.inf
    late = _first_face(lambda face: 1.0 - by(face - 1) <= tail, r)  # the first face by which it comes too late
    high = late - 0.5
    chance_low, chance_high = by(short), 1.0 - by(late - 1)
    if short >= r:
        alarms = f"too short by chance once in about {in_points(1 / chance_low)} points"
    else:
        alarms = f"no gap can be too short at this rate; add up more than {r:,} gaps, or take the sum over single faces"
    alarms += f"; too long by chance once in about {in_points(1 / chance_high)} points"
    lower, upper = np.full(flags.size, low), np.full(flags.size, high)
    found = beyond_limits(value, lower, upper, rule="faces between", words="the faces between are beyond the limit")
    return Chart(
        name="faces between",
        status="ok" if ends.size else "too few",
        reason="" if ends.size else f"{where.size:,} bad faces complete no point of {r:,} yet",
        value=value,
        centre=np.full(flags.size, r / p),
        lower=lower,
        upper=upper,
        starts=np.zeros(min(1, flags.size), dtype=np.intp),
        signals=(found,),
        method=f"faces up to {_every(r)}, exact limits of the negative binomial law at a share of {p:.2%}",
        n=int(ends.size),
        missing=0,
        sigma=0.0,
        sigma_how="from the law of the gaps",
        run_length=None,
        alarms=alarms,
        notes=(),
    )


def _first_face(reached: Callable[[int], bool], least: int) -> int:
    """Return the first face, from `least` on, at which a condition holds that never fails again."""
    low, high = least - 1, least
    while not reached(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _flags(bad: ArrayLike) -> NDArray[np.bool_]:
    array = np.asarray(bad)
    if array.ndim != 1:
        raise ValueError(f"`bad` must be one column, got {array.ndim} dimensions")
    if array.size == 0:
        return np.zeros(0, dtype=bool)
    if array.dtype != np.bool_:
        odd = ~np.isin(array, (0, 1))
        if odd.any():
            where = int(np.flatnonzero(odd)[0])
            raise ValueError(f"`bad` must hold True and False only, got {array[where]} at position {where}")
    return array.astype(bool)


def _every(number: int) -> str:
    """Name the bad face that ends each point."""
    return "every bad face" if number == 1 else f"{number:,} bad faces each"
