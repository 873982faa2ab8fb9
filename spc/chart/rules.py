"""Run rules on standardised readings, in words; off by default beyond the limit itself.

A rule sees z-scores (how far out, in standard deviations of a normal reading) and the distance `limit_z` of the
limit. All thresholds are shares of that distance, so the rules keep their meaning when the limit is widened.
A point exactly on a threshold is not beyond it; a point exactly on the centre line is on neither side. A break between
stretches ends every pattern; a missing point ends every run, and among 'two of three' counts as one not far out. A rule
speaks at the point that completes its pattern.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, number_in
from spc.chart.signals import Signals

__all__ = ["RULES", "RunRule", "SIDES", "rule_named", "rule_signals"]

SIDES = ("both", "upper", "lower")
BLOCK = 1 << 16  # points handled at a time, so that the working set stays in the processor's cache


@dataclass(frozen=True, slots=True)
class RunRule:
    """One rule.

    Kinds: 'beyond' counts points farther out than a share of the limit, above and below apart; 'away' does so on
    either side together; 'near' counts points no farther out than the share; 'alternating' counts points that
    change side each time; 'climbing' counts points each in a higher third of the chart than the last (or each in a
    lower one).
    """

    name: str
    words: str
    kind: str
    count: int  # points that must show the pattern
    window: int  # among so many in a row, the last one included
    share: float  # threshold as a share of the limit distance


RULES: dict[str, RunRule] = {
    rule.name: rule
    for rule in (
        RunRule("beyond the limit", "one beyond the limit", "beyond", 1, 1, 1.0),
        RunRule("far out", "two of three far out on one side (beyond two thirds of the limit)", "beyond", 2, 3, 2 / 3),
        RunRule(
            "leaning out", "four of five leaning out on one side (beyond one third of the limit)", "beyond", 4, 5, 1 / 3
        ),
        RunRule("one side", "eight in a row on one side of the centre", "beyond", 8, 8, 0.0),
        RunRule("climbing", "five in a row, each in a farther third of the chart one way", "climbing", 5, 5, 1 / 3),
        RunRule("see-saw", "twelve in a row changing side each time", "alternating", 12, 12, 0.0),
        RunRule("hugging", "sixteen in a row hugging the centre (within a third of the limit)", "near", 16, 16, 1 / 3),
        RunRule(
            "split",
            "seven in a row away from the centre, on either side (beyond one third of the limit)",
            "away",
            7,
            7,
            1 / 3,
        ),
    )
}


def rule_named(name: str) -> RunRule:
    """Return a rule by its name or refuse with the list."""
    if name not in RULES:
        raise ValueError(f"`name` must be one of {', '.join(repr(known) for known in RULES)}, got {name!r}")
    return RULES[name]


def rule_signals(
    z: ArrayLike,
    *,
    rules: tuple[RunRule, ...] = (RULES["beyond the limit"],),
    limit_z: float = 3.0,
    sides: str = "both",
    segments: ArrayLike | None = None,
) -> tuple[Signals, ...]:
    """Find where each rule speaks.

    Parameters
    ----------
    z : (n,) floats
        Standardised readings; NaN = no reading, which shows no pattern and takes a place among 'so many in a row'.
    rules : tuple of RunRule
    limit_z : float, default 3
        Distance from centre to limit, standard deviations, greater than 0.
    sides : {'both', 'upper', 'lower'}
        Where the chart has a limit; the one-sided patterns are looked for there only.
    segments : (n,) ids, optional
        Stretches (one per recharge, reconditioning, grit or part change, night); no pattern crosses a break.

    Returns
    -------
    tuple of Signals
        One per rule, in the order asked.

    Raises
    ------
    ValueError
        For a threshold out of range, a wrong shape or an unknown word.

    Notes
    -----
    Count rules after Champ and Woodall (1987): k of the last m points in a region. Blocks of points are combined
    with shifted logical operations, so the cost per point does not grow with the length of a run.
    """
    values = np.ascontiguousarray(z, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"`z` must be one column of standardised readings, got {values.ndim} dimensions")
    limit = number_in(limit_z, "limit_z", above=0.0)
    choice(sides, "sides", SIDES)
    n = values.size
    joined: NDArray[np.bool_] | None = None
    if segments is not None:
        ids = np.asarray(segments)
        if ids.shape != (n,):
            raise ValueError(f"`segments` must hold one id per reading ({n}), got shape {ids.shape}")
        joined = np.zeros(n, dtype=bool)
        np.equal(ids[1:], ids[:-1], out=joined[1:])
    reach = max((rule.window for rule in rules), default=1) - 1
    found: list[list[tuple[NDArray[np.intp], NDArray[np.intp]]]] = [[] for _ in rules]
    for first in range(0, n, BLOCK):
        begin = max(first - reach, 0)
        block = values[begin : first + BLOCK]
        join = None if joined is None else joined[begin : first + BLOCK].copy()
        if join is not None and join.size:
            join[0] = False
        regions = _Regions(block, limit)
        for place, rule in enumerate(rules):
            high, low = _rule_on_block(rule, regions, join, sides)
            keep = first - begin
            found[place].append((np.flatnonzero(high[keep:]) + first, np.flatnonzero(low[keep:]) + first))
    return tuple(_gather(rule, parts) for rule, parts in zip(rules, found, strict=True))


class _Regions:
    """Which points of a block lie beyond a threshold; each region is computed once."""

    def __init__(self, block: NDArray[np.float64], limit: float) -> None:
        self.block = block
        self.limit = limit
        missing = np.isnan(block)
        self.measured: NDArray[np.bool_] | None = ~missing if missing.any() else None  # None = all
        self._above: dict[float, NDArray[np.bool_]] = {}
        self._below: dict[float, NDArray[np.bool_]] = {}

    def above(self, share: float) -> NDArray[np.bool_]:
        if share not in self._above:
            self._above[share] = self.block > share * self.limit
        return self._above[share]

    def below(self, share: float) -> NDArray[np.bool_]:
        if share not in self._below:
            self._below[share] = self.block < -share * self.limit
        return self._below[share]


def _rule_on_block(
    rule: RunRule, regions: _Regions, join: NDArray[np.bool_] | None, sides: str
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where the rule speaks on the high (or no) side, and on the low side."""
    none = np.zeros(regions.block.size, dtype=bool)
    if rule.kind == "beyond":
        high = none if sides == "lower" else _count_of(regions.above(rule.share), rule.count, rule.window, join)
        low = none if sides == "upper" else _count_of(regions.below(rule.share), rule.count, rule.window, join)
        return high, low
    if rule.kind == "away":
        return _count_of(regions.above(rule.share) | regions.below(rule.share), rule.count, rule.window, join), none
    if rule.kind == "near":
        near = ~(regions.above(rule.share) | regions.below(rule.share))
        return _count_of(
            near if regions.measured is None else near & regions.measured, rule.count, rule.window, join
        ), none
    if rule.kind == "alternating":
        up, down = regions.above(0.0), regions.below(0.0)
        return _steps(_from_last((up[1:] & down[:-1]) | (down[1:] & up[:-1])), rule.count, join), none
    if rule.kind == "climbing":
        level = _level(regions)
        rose, fell = level[1:] > level[:-1], level[1:] < level[:-1]
        if regions.measured is not None:
            both = regions.measured[1:] & regions.measured[:-1]
            rose, fell = rose & both, fell & both
        high = none if sides == "lower" else _steps(_from_last(rose), rule.count, join)
        low = none if sides == "upper" else _steps(_from_last(fell), rule.count, join)
        return high, low
    raise ValueError(f"`rules` must be of a known kind, got {rule.kind!r}")


def _level(regions: _Regions) -> NDArray[np.int8]:
    """Return the third of the chart each point lies in: 0 to 3 above, -1 to -4 below (the centre counts as above)."""
    level = np.zeros(regions.block.size, dtype=np.int8)
    for share in (1 / 3, 2 / 3, 1.0):
        level += regions.above(share).view(np.int8)
    for share in (0.0, 1 / 3, 2 / 3, 1.0):
        level -= regions.below(share).view(np.int8)
    return level


def _from_last(step: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return, point by point, whether the step from the point before carries the flag; the first has none."""
    flag = np.empty(step.size + 1, dtype=bool)
    flag[0] = False
    flag[1:] = step
    return flag


def _run(flag: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Return where the last `length` points all carry the flag, doubling the span at each step."""
    run = flag
    span = 1
    while span < length:
        step = min(span, length - span)
        longer = np.empty_like(run)
        longer[:step] = False
        np.logical_and(run[step:], run[:-step], out=longer[step:])
        run = longer
        span += step
    return run


def _steps(flag: NDArray[np.bool_], count: int, join: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Return where `count` points in a row are linked by steps that carry the flag."""
    linked = flag if join is None else flag & join
    return _run(linked, count - 1)


def _count_of(flag: NDArray[np.bool_], count: int, window: int, join: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Return where a flagged point completes `count` flagged points among the last `window`."""
    if window == 1:
        return flag
    if count == window:
        if join is None:
            return _run(flag, count)
        return _steps(_from_last(flag[1:] & flag[:-1]), count, join)
    total = flag.view(np.int8).copy()
    if join is None:
        for back in range(1, window):
            total[back:] += flag[:-back].view(np.int8)
    else:
        together = join
        for back in range(1, window):
            total[back:] += flag[:-back].view(np.int8) & together[back:].view(np.int8)
            wider = np.zeros_like(flag)
            wider[1:] = together[:-1]
            together = wider & join
    return (total >= count) & flag


def _gather(rule: RunRule, parts: list[tuple[NDArray[np.intp], NDArray[np.intp]]]) -> Signals:
    """Join the blocks' findings; on one point, high stands before low."""
    high = np.concatenate([part[0] for part in parts]) if parts else np.zeros(0, dtype=np.intp)
    low = np.concatenate([part[1] for part in parts]) if parts else np.zeros(0, dtype=np.intp)
    index = np.concatenate((high, low))
    two_sided = rule.kind in ("beyond", "climbing")
    side = np.concatenate((np.full(high.size, 1 if two_sided else 0), np.full(low.size, -1))).astype(np.int8)
    order = np.argsort(index, kind="stable")
    return Signals(rule=rule.name, words=rule.words, index=index[order], side=side[order])
