"""The exact Markov chain of any combination of run rules, its states generated from the rules themselves."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from spc.chart.markov import Chain
from spc.chart.rules import RunRule

__all__ = ["RuleAutomaton", "rule_automaton", "rule_chain"]

STATES_MOST = 200_000  # before merging; a combination beyond this is refused in words

State = tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class RuleAutomaton:
    """How the memory of a set of rules moves with each point."""

    cuts: NDArray[np.float64]  # (letters - 1,) edges of the regions, as shares of the limit distance, ascending
    step: NDArray[np.intp]  # (states, letters) next state; -1 = a rule speaks; state 0 is the fresh start


@lru_cache(maxsize=128)
def rule_automaton(rules: tuple[RunRule, ...], sides: str) -> RuleAutomaton:
    """Generate the smallest automaton that follows all rules at once.

    Notes
    -----
    After Champ and Woodall (1987): a state is what each rule must remember (its last marks, or the length of its
    present run). States reached from the fresh start are listed, then those that no future can tell apart are
    merged (Moore's partition refinement), so the chain is as small as it can be.

    References
    ----------
    Champ and Woodall (1987), Technometrics 29(4), 393-399.
    """
    shares = {0.0} | {rule.share for rule in rules}
    if any(rule.kind == "climbing" for rule in rules):
        shares |= {1 / 3, 2 / 3, 1.0}
    cuts = np.array(sorted({s for share in shares for s in (share, -share)}))
    inside = np.concatenate(([cuts[0] - 1.0], (cuts[1:] + cuts[:-1]) / 2, [cuts[-1] + 1.0]))
    trackers = [tracker for rule in rules for tracker in _trackers(rule, sides)]
    marks = [[tracker.mark(float(x)) for x in inside] for tracker in trackers]
    start: State = tuple(tracker.start for tracker in trackers)
    number: dict[State, int] = {start: 0}
    waiting = [start]
    table: list[list[int]] = []
    for state in waiting:  # grows while it is read
        row = []
        for letter in range(inside.size):
            following = []
            for tracker, memory, mark in zip(trackers, state, marks, strict=True):
                after = tracker.move(memory, mark[letter])
                if after is None:
                    break
                following.append(after)
            if len(following) < len(trackers):
                row.append(-1)
                continue
            key = tuple(following)
            if key not in number:
                number[key] = len(waiting)
                waiting.append(key)
            row.append(number[key])
        table.append(row)
        if len(waiting) > STATES_MOST:
            raise ValueError(
                f"`rules` must need at most {STATES_MOST} states together, got more; ask for fewer or shorter rules"
            )
    return RuleAutomaton(cuts=cuts, step=_merged(np.asarray(table, dtype=np.intp)))


def rule_chain(
    rules: tuple[RunRule, ...], *, limit_z: float, sides: str, shift_sd: float = 0.0, spread_ratio: float = 1.0
) -> Chain:
    """Return the chain for independent normal points with a given shift and spread."""
    from scipy.sparse import csr_matrix

    automaton = rule_automaton(rules, sides)
    edges = np.concatenate(([-math.inf], automaton.cuts * limit_z, [math.inf]))
    z = (edges - shift_sd) / spread_ratio
    # Differences of upper tails lose nothing on the far right, of lower tails nothing on the far left.
    probability = np.where(z[:-1] > 0, ndtr(-z[:-1]) - ndtr(-z[1:]), ndtr(z[1:]) - ndtr(z[:-1]))
    states, letters = automaton.step.shape
    alive = automaton.step >= 0
    rows = np.repeat(np.arange(states), letters)[alive.ravel()]
    columns = automaton.step.ravel()[alive.ravel()]
    weight = np.tile(probability, states)[alive.ravel()]
    matrix = csr_matrix((weight, (rows, columns)), shape=(states, states))
    return Chain(start=np.asarray(matrix[[0], :].toarray()).ravel(), matrix=matrix)


@dataclass(frozen=True, slots=True)
class _Marks:
    """Remembers the last marks of 'count of window' on one region."""

    count: int
    window: int
    low: float
    high: float
    outside: bool  # the region is what lies outside [low, high]

    @property
    def start(self) -> tuple[int, ...]:
        return ()

    def mark(self, x: float) -> int:
        return int((self.low < x < self.high) != self.outside)

    def move(self, memory: tuple[int, ...], mark: int) -> tuple[int, ...] | None:
        # Memory: how many points ago each mark was, newest first.
        ages = tuple(age + 1 for age in memory if age + 1 < self.window)
        if not mark:
            return self._useful(ages)
        if len(ages) + 1 >= self.count:
            return None
        return self._useful((0, *ages))

    def _useful(self, ages: tuple[int, ...]) -> tuple[int, ...]:
        """Drop marks that will be out of the window before the count can be complete."""
        kept = list(ages)
        while kept and kept[-1] + (self.count - len(kept)) >= self.window:
            kept.pop()
        return tuple(kept)


@dataclass(frozen=True, slots=True)
class _Alternation:
    """Remembers the side of the last point and for how many points the sides have alternated."""

    count: int

    @property
    def start(self) -> tuple[int, ...]:
        return (0, 0)

    def mark(self, x: float) -> int:
        return 1 if x > 0 else -1

    def move(self, memory: tuple[int, ...], mark: int) -> tuple[int, ...] | None:
        side, length = memory
        length = length + 1 if mark == -side else 1
        return None if length >= self.count else (mark, length)


@dataclass(frozen=True, slots=True)
class _Climb:
    """Remembers the third of the chart of the last point and for how many points it has risen (or fallen)."""

    count: int
    direction: int

    @property
    def start(self) -> tuple[int, ...]:
        return (0, 0)

    def mark(self, x: float) -> int:
        level = sum(x > share for share in (1 / 3, 2 / 3, 1.0)) - sum(x < -share for share in (0.0, 1 / 3, 2 / 3, 1.0))
        return self.direction * level

    def move(self, memory: tuple[int, ...], mark: int) -> tuple[int, ...] | None:
        level, length = memory
        length = length + 1 if length and mark > level else 1
        return None if length >= self.count else (mark, length)


def _trackers(rule: RunRule, sides: str) -> list[_Marks | _Alternation | _Climb]:
    """Return what remembers one rule: one memory per side it looks at."""
    if rule.kind == "alternating":
        return [_Alternation(rule.count)]
    if rule.kind == "climbing":
        return [_Climb(rule.count, way) for way in _ways(sides)]
    if rule.kind in ("away", "near"):
        return [_Marks(rule.count, rule.window, -rule.share, rule.share, rule.kind == "away")]
    bounds = {1: (rule.share, math.inf), -1: (-math.inf, -rule.share)}
    return [_Marks(rule.count, rule.window, *bounds[way], False) for way in _ways(sides)]


def _ways(sides: str) -> tuple[int, ...]:
    """Return +1 for the upper side and -1 for the lower one, as far as they are looked at."""
    return {"both": (1, -1), "upper": (1,), "lower": (-1,)}[sides]


def _merged(table: NDArray[np.intp]) -> NDArray[np.intp]:
    """Merge states that no sequence of points can tell apart; the fresh start stays state 0."""
    kind = np.unique(table < 0, axis=0, return_inverse=True)[1].reshape(-1)
    while True:
        following = np.where(table >= 0, kind[table], -1)
        new = np.unique(np.column_stack((kind, following)), axis=0, return_inverse=True)[1].reshape(-1)
        if new.max() == kind.max():
            break
        kind = new
    first = np.unique(kind, return_index=True)[1]
    order = np.argsort(first, kind="stable")
    renumber = np.empty_like(order)
    renumber[order] = np.arange(order.size)
    kept = table[first[order]]
    return np.where(kept >= 0, renumber[kind[kept]], -1)
