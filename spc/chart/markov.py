"""From an absorbing chain to the law of the run length: average, median, percentiles, steady state.

A chart that has not yet signalled is a sub-stochastic chain: a start row (where the first point leads, what is
missing from 1 has signalled) and a matrix Q. The chain may have exact states (run rules, counts), cells (EWMA and
CUSUM after Brook and Evans 1972) or quadrature nodes (integral equation): the algebra is the same.
"""

import math
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Chain", "ChainLaw", "average_from", "chain_average", "chain_law", "law_of_both", "percentile_of"]

Array = NDArray[np.float64]
ENDLESS = 1e13  # points beyond which a run length has no correct digit left
DENSE_MOST = 300  # states up to which a dense solution is taken
STEPS_MOST = 5000  # points followed before the geometric tail is taken
LEAP = 32  # of them followed at once
SETTLED = 1e-12  # change of the law of states, summed, below which it counts as settled


@dataclass(frozen=True, slots=True)
class Chain:
    """A chart before its signal."""

    start: Array  # (n,) probability of each state after the first point; the rest has signalled
    matrix: Any  # (n, n) dense array or scipy sparse matrix: probability from row state to column state
    head: tuple[float, ...] = (1.0,)  # share without signal after 0, 1, ... points, up to just before `start`


@dataclass(frozen=True, slots=True)
class ChainLaw:
    """Law of the run length; points count from 1, the signalling point included."""

    average: float
    deviation: float
    survival: Array  # share without signal after 0, 1, ... points
    ratio: float  # by which that share shrinks per point after the last one listed
    steady: Array  # (n,) where a long-running chart without signal is found (sums to 1)

    def percentile(self, share: float) -> float:
        """Return the first point by which so large a share of the runs has signalled."""
        return percentile_of(self.survival, self.ratio, share)


def chain_law(chain: Chain) -> ChainLaw:
    """Solve one chain.

    Parameters
    ----------
    chain : Chain

    Returns
    -------
    ChainLaw

    Notes
    -----
    The average is a linear solution. Percentiles follow the survival point by point and, once its ratio has
    settled, by the geometric tail it then has.
    """
    visits = _solve(chain.matrix, chain.start, transpose=True)
    head = np.asarray(chain.head)
    average = float(head.sum() + visits.sum())
    if not math.isfinite(average):
        survival, _, steady = _survival(chain)
        return ChainLaw(average=math.inf, deviation=math.inf, survival=survival, ratio=1.0, steady=steady)
    second = _solve(chain.matrix, visits, transpose=True)
    # E[N^2] = sum over t of (2t + 1) S_t; the tail sum of t S_t is second - visits, shifted by the head's length.
    order = np.arange(head.size)
    tail_t = float(second.sum() - visits.sum()) + head.size * float(visits.sum())
    square = float(np.sum((2 * order + 1) * head)) + 2 * tail_t + float(visits.sum())
    deviation = math.sqrt(max(square - average * average, 0.0))
    survival, ratio, steady = _survival(chain)
    return ChainLaw(average=average, deviation=deviation, survival=survival, ratio=ratio, steady=steady)


def chain_average(chain: Chain) -> float:
    """Average run length alone, which is quicker than the whole law."""
    return float(sum(chain.head)) + float(_solve(chain.matrix, chain.start, transpose=True).sum())


def percentile_of(survival: Array, ratio: float, share: float) -> float:
    """Return the first point by which `share` of the runs has signalled, along a geometric tail if need be."""
    left = 1.0 - share
    reached = np.flatnonzero(survival <= left + 1e-12)
    if reached.size:
        return float(reached[0])
    if ratio >= 1.0:
        return math.inf
    if ratio <= 0.0:
        return float(survival.size)
    return float(survival.size - 1 + math.ceil(math.log(left / float(survival[-1])) / math.log(ratio) - 1e-9))


def law_of_both(one: ChainLaw, other: ChainLaw) -> ChainLaw:
    """Law of the first signal of two charts taken as independent; the steady state is left empty."""
    n = max(one.survival.size, other.survival.size)
    survival = _extended(one, n) * _extended(other, n)
    ratio = one.ratio * other.ratio
    last = float(survival[-1])
    rest = last * ratio / (1.0 - ratio) if ratio < 1.0 else math.inf
    order = np.arange(n)
    average = float(survival.sum()) + rest
    tail = rest * (2 * (n - 1) + 1) + 2 * last * ratio / (1.0 - ratio) ** 2 if ratio < 1.0 else math.inf
    square = float(np.sum((2 * order + 1) * survival)) + tail
    deviation = math.sqrt(max(square - average * average, 0.0)) if math.isfinite(square) else math.inf
    return ChainLaw(average=average, deviation=deviation, survival=survival, ratio=ratio, steady=np.zeros(0))


def average_from(chain: Chain, state: Array) -> float:
    """Average run length when the chart is now found in `state` (probabilities) and has not signalled."""
    return 1.0 + float(_solve(chain.matrix, np.asarray(state @ chain.matrix).ravel(), transpose=True).sum())


def _solve(matrix: Any, right: Array, *, transpose: bool) -> Array:
    """Solve (I - Q) x = right, or its transpose; infinite where the chain hardly ever ends in floating point."""
    n = right.size
    if n == 0:
        return right
    endless = np.full(n, np.inf)
    if not np.isfinite(right).all():
        return endless
    try:
        if isinstance(matrix, np.ndarray):
            found = np.linalg.solve(np.eye(n) - (matrix.T if transpose else matrix), right)
        elif n <= DENSE_MOST:
            return _solve(matrix.toarray(), right, transpose=transpose)
        else:
            from scipy.sparse import identity
            from scipy.sparse.linalg import splu

            system = identity(n, format="csc") - (matrix.T if transpose else matrix)
            found = splu(system.tocsc()).solve(right)
    except (np.linalg.LinAlgError, RuntimeError):  # exactly singular
        return endless
    total = float(found.sum())
    return np.asarray(found) if 0.0 <= total < ENDLESS * max(1.0, float(right.sum())) else endless


def _survival(chain: Chain) -> tuple[Array, float, Array]:
    """Follow the chart point by point until where it is found no longer changes.

    Returns the share without signal after 0, 1, ... points, the ratio at which it shrinks from there on, and where
    a chart without signal is then found (the quasi-stationary law). `LEAP` points are followed at once: the shares
    without signal after each of them are sums over the states before the first.
    """
    total = float(chain.start.sum())
    shares = [np.asarray(chain.head), np.array([total])]
    if total <= 0.0:
        return np.concatenate(shares), 0.0, np.zeros_like(chain.start)
    state, ratio, n = chain.start / total, 0.0, chain.start.size
    matrix = chain.matrix.toarray() if n <= DENSE_MOST and not isinstance(chain.matrix, np.ndarray) else chain.matrix
    left = np.stack(list(accumulate(range(LEAP - 1), lambda after, _: matrix @ after, initial=matrix @ np.ones(n))))
    power = np.linalg.matrix_power(matrix.T, LEAP) if n <= DENSE_MOST else None
    for _ in range(0, STEPS_MOST, LEAP):
        lasting = left @ state
        alive = lasting[lasting > 0.0]
        shares.append(total * alive)
        if alive.size < LEAP:
            state = _led_on(matrix, state, alive.size)
            return np.concatenate(shares), 0.0, state / state.sum()
        ratio = float(lasting[-1] / lasting[-2])
        new = _led_on(matrix, state, LEAP) if power is None else power @ state
        new = new / new.sum()
        moved = float(np.abs(new - state).sum())
        state = new
        total *= float(lasting[-1])
        if moved < SETTLED:
            break
    return np.concatenate(shares), ratio, state


def _led_on(matrix: Any, state: Array, points: int) -> Array:
    """Probability of each state, and of no signal, so many points on."""
    step = matrix.T
    for _ in range(points):
        state = np.asarray(step @ state)
    return state


def _extended(law: ChainLaw, n: int) -> Array:
    """Return the survival over n points, its geometric tail written out."""
    extra = n - law.survival.size
    if extra <= 0:
        return law.survival
    return np.concatenate((law.survival, law.survival[-1] * law.ratio ** np.arange(1, extra + 1)))
