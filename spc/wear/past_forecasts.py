"""Forecasts held against past cycles: each is foreseen from its own first part, and what came lies in the range or not.

A cycle mostly ends because a reading came over the limit. That last reading is high by its own error as well as by
wear: held against a range for a reading at that age, ranges that are right would fail three times as often as they
say. So the outcome is taken as the limit makes it: a cycle whose readings reach it is held by the age at which they
do, one that is reconditioned before by its last reading, and of the draws those that would have been at the limit by
then count as worn more than any reading below it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc

from spc.measure.interval import middle_of
from spc.wear.drawn_paths import DrawnPaths, draw_paths
from spc.wear.path_forecast import of_part
from spc.wear.pooled import PooledWear
from spc.wear.signed_path import way_of
from spc.wear.wear_path import WearPath, taken

__all__ = [
    "LEAST_JUDGED",
    "OUTCOMES",
    "RARE",
    "SAME",
    "SHARES",
    "HeldForecast",
    "HeldForecasts",
    "forecast_held",
    "forecasts_held",
    "not_counted",
]

Array = NDArray[np.float64]

OUTCOMES = ("held", "faster", "slower")
SHARES = (0.5, 0.75)  # of a cycle, from which it is foreseen
LEAST_JUDGED = 5  # cycles counted: of fewer nothing is judged; our own rule
RARE = 0.05  # chance at which ranges that are right are called too narrow, over all of `SHARES`; our own rule
SAME = 1e-9  # of a limit: a reading typed at it is at it, whatever the last bit says


@dataclass(frozen=True, slots=True)
class HeldForecast:
    """One past cycle, foreseen from its first part; lengths in the readings' unit, ages on the cycle's clock."""

    cycle: str  # label of its path
    share: float  # of its age at the last reading, up to which it was read
    read_to: float  # age
    own_readings: int
    last_age: float
    reached: bool  # a later reading is at the limit: what is held is the age of the first one
    said_low: float  # central range said: of that age, else of the last reading; inf = the limit by then, or never seen
    said_high: float
    came_low: float  # that age, twice; else the last reading as the interval it is
    came_high: float
    outcome: str  # one of OUTCOMES, '' = not counted
    why: str  # it is not counted, as what it has ('no reading after that'); '' if it is


@dataclass(frozen=True, slots=True)
class HeldForecasts:
    """Past cycles of a group, foreseen from one share of each."""

    share: float
    level: float
    cycles: tuple[HeldForecast, ...]
    counted: int
    held: int
    faster: int  # wore faster than foreseen
    slower: int
    chance: float  # of so few or fewer held where `level` of them should, NaN = none counted
    width_ages: float  # median width of the ranges of the age at the limit, NaN = none
    width_readings: float  # of the ranges of the last reading, as far as they end below the limit

    @property
    def judged(self) -> bool:
        """Whether enough cycles are counted to judge by."""
        return self.counted >= LEAST_JUDGED

    @property
    def chance_of_any(self) -> float:
        """Chance of so few held from one share or another, where the ranges are right: two shares are two looks."""
        return min(1.0, len(SHARES) * self.chance)

    @property
    def missed(self) -> tuple[str, ...]:
        """How past cycles came out beyond ranges that are too narrow: the ways that are rare where ranges are right.

        Where neither is by itself, both that occurred; () = the ranges held. Our own rule.
        """
        if not self.too_narrow:
            return ()
        ways = {"faster": self.faster, "slower": self.slower}
        rare = [way for way, n in ways.items() if n and bdtrc(n - 1, self.counted, (1 - self.level) / 2) <= RARE]
        return tuple(rare or (way for way, n in ways.items() if n))

    @property
    def too_narrow(self) -> bool:
        """Whether so few held as would be rare where the ranges are right."""
        return self.judged and self.chance_of_any <= RARE


def forecast_held(
    pooled: PooledWear,
    path: WearPath,
    own: WearPath,
    *,
    share: float,
    limits: Mapping[str, float],
    signed: bool = False,
    level: float = 0.9,
    draws: int = 1500,
    rng: np.random.Generator,
) -> HeldForecast:
    """Hold one past cycle against what would have been said from its first part.

    Parameters
    ----------
    pooled : PooledWear
        What the other cycles say, brought to `own` as a running forecast brings it; this cycle not among them.
    path : WearPath
        The whole cycle; the readings that `own` has are its first.
    own : WearPath
        Its first part, fewer readings than `path`.
    share : float
        Of the cycle that it is, above 0 and below 1; kept with the result.
    limits : mapping of str to float
        Limit of each part number of the path ('' where it names none), in the readings' unit; inf = none.
    signed : bool, default False
        Whether the path is of the signed bow: the limit lies on both sides, and below it wear goes the way it began.
    level : float, default 0.9
        Of the central range, above 0 and below 1.
    draws : int, default 1500
    rng : numpy.random.Generator

    Returns
    -------
    HeldForecast
        Not counted where `own` has a reading at its limit already, or nothing can be foreseen.

    Raises
    ------
    ValueError
        If `own` is not shorter than `path`, or a part number has no entry in `limits`.

    Notes
    -----
    Outcomes are in one order: at the limit, the sooner the more worn; then not at it, the higher the reading the more
    worn. Each draw has readings at the very ages and of the part numbers that were read, and is judged as they were: on
    the steps of each reading, where it has them. An outcome is beyond the range where (1 - level) / 2 of the draws or
    fewer are as far out: exact for an age that is fixed beforehand, for whatever rule a cycle was ended by that waits
    for a reading at its limit, and forgiving where the steps are coarse. A share of a cycle is no such age, for it
    hangs on how long the cycle ran: what that does is in the simulation. A cycle that ends on a foreman's look at
    readings still below the limit is ended by what they say, which this does not take in.
    """
    if own.age.size >= path.age.size:
        raise ValueError(f"`own` must be shorter than `path` ({path.age.size} readings), got {own.age.size}")
    unknown = sorted({*path.parts} - {*limits}) if path.parts else sorted({""} - {*limits})
    if unknown:
        raise ValueError(f"`limits` must name every part number of the path, got none for {unknown[0]!r}; inf = none")
    begun, side = own.age.size, float(way_of(own) or 1) if signed else 1.0
    low, high = _turned(path, side)
    names = path.parts or ("",) * path.age.size
    limit = np.array([limits[name] for name in names])
    middle, at = middle_of(low, high), limit * (1 - SAME)
    at_limit = (middle >= at) | (signed & (middle <= -at))
    if at_limit[:begun].any():
        return not_counted(path, own, share=share, why="a reading at the limit by then")
    later, names = taken(path, slice(begun, None)), names[begun:]
    low, high, limit, at_limit = low[begun:], high[begun:], limit[begun:], at_limit[begun:]
    reached = bool(at_limit.any())
    ages, of = _ages_read(path, later, beyond=reached)
    drawn = None
    if not pooled.refused:
        parts = tuple(dict.fromkeys(names))
        drawn = draw_paths(pooled, own, ages, signed=signed, draws=draws, parts=parts, rng=rng)
    if drawn is None:
        return not_counted(path, own, share=share, why="too little to foresee it from")
    reading = side * _readings_drawn(drawn, [names[at] for at in of], rng)
    over = reading >= _typed_at(low, high, limit)[of]
    if signed:  # it may go through flat and reach the limit on the other side
        over |= reading <= -_typed_at(-high, -low, limit)[of]
    first = np.where(over.any(axis=1), over.argmax(axis=1), ages.size)
    if reached:
        came_at = int(at_limit.argmax())
        outcomes, came = np.append(ages, np.inf)[first], (float(later.age[came_at]),) * 2
        sooner, later_on = first <= came_at, first >= came_at
    else:
        outcomes, came = np.where(first < ages.size, np.inf, reading[:, -1]), (float(low[-1]), float(high[-1]))
        sooner, later_on = outcomes >= low[-1], outcomes <= high[-1]
    tail = (1 - level) / 2
    ends = np.quantile(outcomes, [tail, 1 - tail], method="inverted_cdf")
    said = float(ends[0]), float(ends[1])
    if side < 0 and not reached:
        said, came = (-said[1], -said[0]), (-came[1], -came[0])
    outcome = "faster" if sooner.mean() <= tail else "slower" if later_on.mean() <= tail else "held"
    return HeldForecast(
        path.label, share, float(own.age[-1]), own.age.size, float(path.age[-1]), reached, *said, *came, outcome, ""
    )


def not_counted(path: WearPath, own: WearPath, *, share: float, why: str) -> HeldForecast:
    """Say why one past cycle is not held against a forecast; arguments as of `forecast_held`."""
    nan = float("nan")
    read_to, last = (float(each.age[-1]) if each.age.size else 0.0 for each in (own, path))
    return HeldForecast(path.label, share, read_to, own.age.size, last, False, nan, nan, nan, nan, "", why)


def forecasts_held(cycles: Sequence[HeldForecast], *, share: float, level: float = 0.9) -> HeldForecasts:
    """Sum up the past cycles of a group that were foreseen from one share of each.

    Parameters
    ----------
    cycles : sequence of HeldForecast
        Each foreseen from the others, at one `level`.
    share, level : float
        As in `forecast_held`.

    Returns
    -------
    HeldForecasts

    Notes
    -----
    The chance is that of the binomial law; both shares are judged, each at half the chance allowed (Bonferroni): wear
    that turns steep late is foreseen badly from three quarters of a cycle, where its middle shows nothing yet. Cycles
    that borrow from one another do not hold or fail quite independently: tests/honesty/test_past_forecasts.py counts
    how often ranges that are right are called too narrow all the same.

    References
    ----------
    Kupiec (1995), Techniques for verifying the accuracy of risk measurement models, Journal of Derivatives 3(2): the
    count of outcomes beyond a stated range against the binomial law (from memory).
    """
    counted = [one for one in cycles if one.outcome]
    held, faster, slower = (sum(one.outcome == name for one in counted) for name in OUTCOMES)
    chance = float(bdtr(held, len(counted), level)) if counted else float("nan")
    return HeldForecasts(
        share, level, tuple(cycles), len(counted), held, faster, slower, chance,
        _median_width([one for one in counted if one.reached]),
        _median_width([one for one in counted if not one.reached]),
    )  # fmt: skip


def _median_width(cycles: Sequence[HeldForecast]) -> float:
    widths = [one.said_high - one.said_low for one in cycles if np.isfinite([one.said_low, one.said_high]).all()]
    return float(np.median(widths)) if widths else float("nan")


def _turned(path: WearPath, side: float) -> tuple[Array, Array]:
    """Turn the readings so that the limit is above them; those of unknown sign stay sizes."""
    turn = path.sign_known & (side < 0)
    return np.where(turn, -path.high, path.low), np.where(turn, -path.low, path.high)


def _ages_read(path: WearPath, later: WearPath, *, beyond: bool) -> tuple[Array, NDArray[np.int64]]:
    """Ages of the later readings, as many again `beyond` them, and which of the later readings each is like."""
    of = np.arange(later.age.size)
    step = float(path.age[-1] - path.age[0]) / max(path.age.size - 1, 1)
    if not (beyond and step > 0):
        return later.age, of
    return np.concatenate([later.age, later.age[-1] + step * (1 + of)]), np.tile(of, 2)


def _typed_at(low: Array, high: Array, limit: Array) -> Array:
    """From where on what is measured is typed at the limit: the lower edge of a step, where readings have steps."""
    width = high - low
    stepped = np.isfinite(width) & (width > 0)
    step = np.where(stepped, width, 1.0)
    edge = low + step * np.ceil((limit * (1 - SAME) - low - step / 2) / step)
    return np.where(stepped, edge, limit)


def _readings_drawn(drawn: DrawnPaths, names: Sequence[str], rng: np.random.Generator) -> Array:
    """Draw readings of the paths, each of its part number and with an error of its own, in their unit; (S, J)."""
    out = []
    for future in drawn.futures:
        path = future.path.copy()
        for part in dict.fromkeys(names):
            columns = np.flatnonzero([name == part for name in names])
            path[:, columns] = of_part(future, part).path[:, columns]
        path += future.error_of(path) * rng.standard_normal(path.shape)
        out.append(future.scale.reading_back(path, future.own_limit))
    return np.concatenate(out)
