"""Forecasts held against what came: each unit cut at a share of its life and predicted from the other units' paths."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from spc.measure.interval import middle_of
from spc.wear.time_to_limit import TimeToLimit
from spc.wear.unit_forecast import UnitPools
from spc.wear.wear_path import WearPath, taken

__all__ = ["Backtest", "BacktestUnit", "backtest", "crossing_age", "cut_path", "interval_score", "life_end"]

_LAST_BITS = 1e-12  # of an age: a thousand steps added up, or a share taken, are off by less


@dataclass(frozen=True, slots=True)
class BacktestUnit:
    """One unit's forecast and its truth; ages on the unit's clock, inf = open-ended."""

    unit: str
    status: str  # 'range', 'over', 'refused'
    own_readings: int
    truth: float
    low: float
    median: float
    high: float
    error: float  # median, at most the horizon, less truth
    inside: bool
    score: float  # interval score
    shape: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Backtest:
    """All units cut at one share of their lives."""

    share: float
    level: float
    units: tuple[BacktestUnit, ...]
    predicted: int
    median_abs_error: float
    covered: int
    mean_score: float  # open-ended ranges count to their horizon
    median_width: float  # as far


def crossing_age(path: WearPath, limit: float) -> float:
    """Age at which the readings, joined by straight lines, first reach the limit; NaN = never."""
    middle = middle_of(path.low, path.high)
    over = np.flatnonzero(middle >= limit)
    if not over.size:
        return float("nan")
    at = int(over[0])
    if at == 0:
        return float(path.age[at])
    share = (limit - middle[at - 1]) / (middle[at] - middle[at - 1])
    return float(path.age[at - 1] + share * (path.age[at] - path.age[at - 1]))


def life_end(path: WearPath) -> float:
    """Age at which the readings first reach the path's limit; NaN where none does, or the very first has."""
    age = crossing_age(path, path.limit)
    return float("nan") if path.age.size and middle_of(path.low[0], path.high[0]) >= path.limit else age


def cut_path(path: WearPath, age: float) -> WearPath:
    """Keep the readings up to an age; one that is at it but for the last bits of a sum or a share is kept."""
    return taken(path, slice(int(np.searchsorted(path.age, age * (1 + _LAST_BITS), side="right"))))


def interval_score(low: float, high: float, truth: float, *, level: float) -> float:
    """Width plus 2 / (1 - level) times what the truth lies outside; smaller is better.

    References
    ----------
    Gneiting and Raftery (2007), Strictly proper scoring rules, prediction, and estimation, JASA 102(477), equation 43.
    """
    return high - low + 2 / (1 - level) * (max(low - truth, 0.0) + max(truth - high, 0.0))


def backtest(
    paths: Sequence[WearPath],
    *,
    shares: Sequence[float] = (0.5, 0.75),
    level: float = 0.9,
    unit: str = "faces",
    seed: int = 1,
    origins: Sequence[float] = (),
    tick: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Backtest, ...]:
    """Predict each unit that was seen to reach its limit from its first part and the other units' whole paths.

    Where the others tell nothing, its first part alone has to do. What is asked is what `UnitPools` answers of the
    same readings, for the crossing "reading": that of the wear without reading error is never seen.

    Parameters
    ----------
    paths : sequence of WearPath
        Each with its limit.
    shares : sequence of float
        Shares of the life at which to cut, above 0 and below 1; one that is named twice counts once.
    level : float
    unit : str
        Unit of the clock, for the sentences.
    seed : int
    origins : sequence of float, optional
        Clock value of each unit from which its life counts; left out, 0.
    tick : callable
        Told how many of how many units are done.
    """
    shares = tuple(dict.fromkeys(shares))
    lives = [life_end(path) for path in paths]
    rows: dict[float, list[BacktestUnit]] = {share: [] for share in shares}
    widths: dict[float, list[float]] = {share: [] for share in shares}
    known = [i for i, life in enumerate(lives) if np.isfinite(life)]
    pools = UnitPools(paths, seed=seed, origins=origins)
    began = origins or [0.0] * len(paths)
    for done, i in enumerate(known):
        for share in shares:
            own = cut_path(paths[i], began[i] + share * (lives[i] - began[i]))
            answer = pools.forecast(i, own, level=level, unit=unit)
            rows[share].append(_row(paths[i].label, answer, own.age.size, lives[i]))
            low, high = (answer.horizon if end is None else end for end in (answer.low, answer.high))
            widths[share].append(high - low)
        tick(done + 1, len(known))
    return tuple(_summary(share, level, rows[share], widths[share]) for share in shares)


def _row(unit: str, answer: TimeToLimit, own: int, truth: float) -> BacktestUnit:
    if answer.status != "range":
        nan = float("nan")
        return BacktestUnit(
            unit, answer.status, own, truth, nan, nan, nan, nan, False, nan, answer.shape, answer.sentence
        )

    def on_clock(remaining: float | None) -> float:
        return answer.now + (remaining if remaining is not None else np.inf)

    low, median, high = on_clock(answer.low), on_clock(answer.median), on_clock(answer.high)
    end = answer.now + answer.horizon
    score = interval_score(min(low, end), min(high, end), min(truth, end), level=answer.level)
    return BacktestUnit(
        unit, "range", own, truth, low, median, high, min(median, end) - truth, low <= truth <= high, score,
        answer.shape, answer.sentence,
    )  # fmt: skip


def _summary(share: float, level: float, units: Sequence[BacktestUnit], widths: Sequence[float]) -> Backtest:
    read = [(u, w) for u, w in zip(units, widths, strict=True) if u.status == "range"]
    if not read:
        nan = float("nan")
        return Backtest(share, level, tuple(units), 0, nan, 0, nan, nan)
    return Backtest(
        share,
        level,
        tuple(units),
        len(read),
        float(np.median([abs(u.error) for u, _ in read])),
        sum(u.inside for u, _ in read),
        float(np.mean([u.score for u, _ in read])),
        float(np.median([w for _, w in read])),
    )
