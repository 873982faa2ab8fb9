"""How often the board cries wolf: one budget for the whole cell, from which every chart's width follows.

Two layers. Each chart may call falsely once in so many points that all charts of the cell together keep the budget
("at most one false call a week"). And the go-look list of a shift is kept to a stated share of false entries by
ranking the laps' p-values. A face over its limit and a sudden scratch are never filtered: they are no statistics.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.price import ewma_width_for, in_points
from spc.chart.rule_beside_pair import pair_run_length

__all__ = [
    "BudgetPlan",
    "ChartWidths",
    "GoLook",
    "combined_p",
    "go_look",
    "plan_budget",
    "shift_score",
    "widths_for",
]

Array = NDArray[np.float64]

WEIGHT = 0.2  # newest point of the drifting average: near the best for a shift of 1 sd (Lucas and Saccucci 1990)
ROOM_SHARE = 0.1  # of the budget, kept for the room alarm [our choice]
FEWEST_POINTS = 20.0  # points between false calls that limits can be set for
LEAST_BETWEEN = 100.0  # points between false calls that a chart keeps whatever the budget allows [our choice]


@dataclass(frozen=True, slots=True)
class ChartWidths:
    """Limit and drifting average of one chart, set together for a wanted time between false calls."""

    limit_z: float  # one point beyond this signals, standard deviations
    alpha: float  # per point, the limit alone, one side
    weight: float  # of the newest point in the drifting average
    width_sd: float  # its limit, standard deviations of the average (settled)
    side: str  # 'upper', 'lower' or 'both'
    points_between: float  # average points between false calls, both rules together
    sees_one_sd: float  # average points until a lasting shift of 1 sd is called
    sees_two_sd: float

    @property
    def average_limit_z(self) -> float:
        """Limit of the drifting average, standard deviations of a point."""
        return self.width_sd * math.sqrt(self.weight / (2.0 - self.weight))


@dataclass(frozen=True, slots=True)
class BudgetPlan:
    """What one false-call budget means for the charts of the cell."""

    status: str  # 'ok' or 'no points'
    false_calls_per_week: float  # as asked
    charts: int
    points_per_week: float  # all charts
    points_between: float  # asked of every chart
    room_alpha: float  # level of one room test
    room_tests_per_week: float
    widths: ChartWidths | None  # None unless 'ok'; every chart of a side has the same
    expected_per_week: float  # charts and room together, NaN unless 'ok'
    sentence: str


@dataclass(frozen=True, slots=True)
class GoLook:
    """Which laps stand apart from the others this shift, at a stated share of false entries; no lap's state."""

    listed: NDArray[np.bool_]  # in the order given; includes what is never filtered
    adjusted_p: Array  # NaN where no p-value came
    q: float  # largest expected share of false entries among those listed by p-value
    method: str
    sentence: str


def plan_budget(
    points_per_week: ArrayLike,
    *,
    false_calls_per_week: float = 1.0,
    side: str = "upper",
    weight: float = WEIGHT,
    room_tests_per_week: float = 15.0,
) -> BudgetPlan:
    """Widths of all charts from one budget for the cell.

    Parameters
    ----------
    points_per_week : array_like, shape (charts,)
        Faces a week on each chart, 0 or more.
    false_calls_per_week : float, default 1
        What the user accepts for the whole cell, greater than 0.
    side : {'upper', 'lower', 'both'}
    weight : float, default 0.2
        Of the newest point in the drifting average.
    room_tests_per_week : float, default 15
        Shifts a week; each tests once whether all laps moved together.

    Returns
    -------
    BudgetPlan

    Raises
    ------
    ValueError
        If a number is not finite or out of range.

    Notes
    -----
    Every point is as likely as any other to call falsely, so a busy chart spends more of the budget than a quiet one
    and all have the same width. A cell of few points does not use its budget up: each chart keeps at least 100 points
    between false calls. A tenth of the budget is kept for the room alarm. The figures hold for independent
    points. Limits from few faces are widened for the luck of their list (`spc.chart.luck`) and see a shift later than
    said here; faces that take after each other call more often, stepped readings less often.
    """
    points = np.asarray(points_per_week, dtype=np.float64)
    if points.ndim != 1 or not np.all(np.isfinite(points)) or np.any(points < 0):
        raise ValueError("`points_per_week` must be one finite number of 0 or more per chart")
    if not (math.isfinite(false_calls_per_week) and false_calls_per_week > 0):
        raise ValueError(
            f"`false_calls_per_week` must be a finite number greater than 0, got {false_calls_per_week}; 1 is usual"
        )
    if not (math.isfinite(room_tests_per_week) and room_tests_per_week >= 0):
        raise ValueError(f"`room_tests_per_week` must be a finite number of 0 or more, got {room_tests_per_week}")
    charts, total = int(np.count_nonzero(points)), float(points.sum())
    tests = room_tests_per_week
    room_alpha = min(0.05, ROOM_SHARE * false_calls_per_week / tests) if tests > 0 else 0.0
    left = false_calls_per_week - room_alpha * tests
    if total == 0:
        return BudgetPlan(
            "no points", false_calls_per_week, 0, 0.0, math.inf, room_alpha, tests, None, math.nan,
            "No readings of a charted sign a week, so no charts to set.",
        )  # fmt: skip
    between = max(total / left, LEAST_BETWEEN)
    widths = widths_for(between, side=side, weight=weight)
    expected = total / widths.points_between + room_alpha * tests
    sentence = (
        f"At most {_calls(false_calls_per_week)} a week for the cell: {charts} charts, {total:,.0f} points a week, so "
        f"each chart may call falsely once in about {in_points(widths.points_between)} points. "
        f"A lasting shift of 1 sd is then called after about {in_points(widths.sees_one_sd)} faces, "
        f"one of 2 sd after about {in_points(widths.sees_two_sd)}; later while limits rest on few faces."
    )
    return BudgetPlan(
        "ok", false_calls_per_week, charts, total, between, room_alpha, tests, widths, expected, sentence
    )  # fmt: skip


def widths_for(points_between: float, *, side: str = "upper", weight: float = WEIGHT) -> ChartWidths:
    """Limit and drifting average that together call falsely once in at least so many points.

    Parameters
    ----------
    points_between : float
        Average points between false calls, at least 20.
    side : {'upper', 'lower', 'both'}
    weight : float, default 0.2

    Returns
    -------
    ChartWidths

    Notes
    -----
    The limit and the average get the same time between false calls each; the run length of the two together is then
    worked out exactly and the pair narrowed once to meet the wish. The wish is rounded up to two figures.
    """
    if not (math.isfinite(points_between) and points_between >= FEWEST_POINTS):
        raise ValueError(
            f"`points_between` must be a finite number of at least {FEWEST_POINTS:g}, got {points_between}"
        )
    unit = 10.0 ** (math.floor(math.log10(points_between)) - 1)
    return _widths(round(math.ceil(points_between / unit - 1e-9) * unit, 6), side, weight)


@lru_cache(maxsize=128)
def _widths(wanted: float, side: str, weight: float) -> ChartWidths:
    from scipy.special import ndtri

    sides = 2.0 if side == "both" else 1.0

    def pair(each: float) -> tuple[float, float]:
        return -float(ndtri(1.0 / each / sides)), ewma_width_for(each, weight=weight, sides=side)

    each = 2.0 * wanted
    limit_z, width = pair(each)
    narrower = each * 1.003 * wanted / _average(weight, width, limit_z, side, 0.0)
    tighter = pair(narrower)
    if _average(weight, tighter[1], tighter[0], side, 0.0) >= wanted:
        each, (limit_z, width) = narrower, tighter
    joint, one, two = (_average(weight, width, limit_z, side, shift) for shift in (0.0, 1.0, 2.0))
    return ChartWidths(limit_z, 1.0 / each / sides, weight, width, side, joint, one, two)


def _average(weight: float, width: float, limit_z: float, side: str, shift_sd: float) -> float:
    """Average points until limit and drifting average together signal, from a fresh start; the shift is to the bad."""
    edge = width * math.sqrt(weight / (2.0 - weight))
    return pair_run_length(limit_z=limit_z, weight=weight, average_limit_z=edge, sides=side, shift_sd=shift_sd)


def go_look(
    p_values: ArrayLike, *, never_filtered: ArrayLike | None = None, q: float = 0.1, dependence: str = "positive"
) -> GoLook:
    """Choose the laps to look at so that at most a share `q` of them is expected to be fine.

    Parameters
    ----------
    p_values : array_like, shape (laps,)
        One per lap for the shift; NaN = nothing to say.
    never_filtered : array_like of bool, shape (laps,), optional
        Laps with a face over its limit or a sudden scratch: listed whatever their p-value.
    q : float, default 0.1
    dependence : {'positive', 'any'}
        'positive': Benjamini and Hochberg; 'any': Benjamini and Yekutieli, wider by 1 + 1/2 + ... + 1/laps.

    Returns
    -------
    GoLook

    Raises
    ------
    ValueError
        If a p-value is not between 0 and 1, lengths differ, or an option is unknown.

    References
    ----------
    Benjamini and Hochberg (1995), J. R. Statist. Soc. B 57(1), 289-300; Benjamini and Yekutieli (2001), Annals of
    Statistics 29(4), 1165-1188.
    """
    p = np.asarray(p_values, dtype=np.float64)
    kept = np.zeros(p.shape, dtype=bool) if never_filtered is None else np.asarray(never_filtered, dtype=bool)
    if p.ndim != 1 or kept.shape != p.shape:
        raise ValueError(
            f"`p_values` and `never_filtered` must be one-dimensional and of one length, got {p.shape} and {kept.shape}"
        )
    known = ~np.isnan(p)
    if np.any((p[known] < 0) | (p[known] > 1)):
        raise ValueError("`p_values` must be between 0 and 1, or NaN where there is nothing to say")
    if not 0 < q < 1:
        raise ValueError(f"`q` must be between 0 and 1, got {q}; 0.1 is usual")
    if dependence not in ("positive", "any"):
        raise ValueError(f"`dependence` must be 'positive' or 'any', got {dependence!r}")
    adjusted = np.full(p.shape, np.nan)
    if known.any():
        adjusted[known] = _adjusted(p[known], any_dependence=dependence == "any")
    listed = np.asarray(np.nan_to_num(adjusted, nan=2.0) <= q) | kept
    apart, more = int(np.count_nonzero(adjusted <= q)), int(np.count_nonzero(kept & ~(adjusted <= q)))
    names = {"positive": "Benjamini-Hochberg", "any": "Benjamini-Yekutieli"}
    also = f", {more:,} more {'is' if more == 1 else 'are'} listed for a face over its limit or a scratch"
    sentence = (
        f"Of {p.size:,} laps {f'{apart:,}' if apart else 'none'} stand{'s' if apart < 2 else ''} apart by the faces of "
        f"this shift{also if more else ''}; of laps that stand apart, at most {q:.0%} are expected to be fine."
    )
    return GoLook(listed, adjusted, q, names[dependence], sentence)


def _adjusted(p: Array, *, any_dependence: bool) -> Array:
    """Least share of false discoveries at which each p-value would be listed (stepping up from the smallest).

    As scipy.stats does it, which takes longer to load than a whole shift takes to report.
    """
    order, rank = np.argsort(p, kind="stable"), np.arange(1, p.size + 1)
    times = p.size * (float((1 / rank).sum()) if any_dependence else 1.0)
    stepped = np.minimum.accumulate((p[order] * times / rank)[::-1])[::-1]
    out = np.empty(p.size)
    out[order] = np.minimum(stepped, 1.0)
    return out


def combined_p(p_values: ArrayLike) -> float:
    """One p-value from several of the same lap, however they hang together; NaN when none is known.

    Notes
    -----
    Cauchy combination: close to its level for small p under any dependence met in practice; checked by simulation.

    References
    ----------
    Liu and Xie (2020), Journal of the American Statistical Association 115, 393-402.
    """
    p = np.asarray(p_values, dtype=np.float64)
    p = p[~np.isnan(p)]
    if p.size == 0:
        return math.nan
    if p.size == 1:
        return float(p[0])
    p = np.clip(p, 1e-300, 1.0 - 1e-12)
    tangent = np.where(p < 1e-12, 1.0 / (math.pi * p), np.tan((0.5 - p) * math.pi))
    t = float(tangent.mean())
    return float(min(1.0, 1.0 / (math.pi * t))) if t > 1e12 else 0.5 - math.atan(t) / math.pi


def shift_score(z: ArrayLike) -> float:
    """Give the standard normal score of one lap's shift from its faces' z-scores; NaN without faces.

    Sum of z over the square root of their number: the best single statistic for a lasting shift, and one whose sign
    says which way. A single far-out face shows through the limit, not here.
    """
    x = np.asarray(z, dtype=np.float64)
    x = x[~np.isnan(x)]
    return float(x.sum() / math.sqrt(x.size)) if x.size else math.nan


def _calls(count: float) -> str:
    return "one false call" if count == 1 else f"{count:g} false calls"
