"""Whether two groups differ: the rank-sum test for values and Fisher's exact test for shares, two-sided.

Both are in scipy.stats as well and are held to it by the tests. They stand here because every lap of every report asks
them, and loading scipy.stats alone takes longer than all these answers together.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["fisher_exact_p", "rank_sum_p"]

_ALIKE = 1 + 1e-7  # tables no likelier than the one seen, up to rounding


def rank_sum_p(first: ArrayLike, second: ArrayLike, *, exact: bool) -> float:
    """Chance of ranks as uneven as these, or more, if both groups were alike.

    Parameters
    ----------
    first, second : array_like, (n,), (m,)
        Finite values, at least one each.
    exact : bool
        Count all orders (no ties allowed); else the normal approximation, corrected for ties and continuity.

    Raises
    ------
    ValueError
        If a group is empty.

    References
    ----------
    Mann and Whitney (1947), On a test of whether one of two random variables is stochastically larger than the other,
    Annals of Mathematical Statistics 18.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if not a.size or not b.size:
        raise ValueError(f"`first` and `second` must hold at least one value each, got {a.size} and {b.size}")
    _, place, tied = np.unique(np.concatenate((a, b)), return_inverse=True, return_counts=True)
    middle_rank = np.cumsum(tied) - (tied - 1) / 2
    u = float(middle_rank[place[: a.size]].sum()) - a.size * (a.size + 1) / 2
    u = max(u, a.size * b.size - u)
    if exact:
        ways = _ways(a.size, b.size)
        return min(2 * float(ways[math.ceil(u) :].sum() / ways.sum()), 1.0)
    n = a.size + b.size
    spread = a.size * b.size / 12 * (n + 1 - float((tied.astype(np.float64) ** 3 - tied).sum()) / (n * (n - 1)))
    if spread <= 0:
        return 1.0
    z = (u - a.size * b.size / 2 - 0.5) / math.sqrt(spread)
    return min(math.erfc(z / math.sqrt(2)), 1.0)


def fisher_exact_p(hits: int, of: int, other_hits: int, other_of: int) -> float:
    """Chance of a table no likelier than this one, if both shares were alike and the totals as they are.

    Parameters
    ----------
    hits, of, other_hits, other_of : int
        Counts, 0 to the number they are of.

    Raises
    ------
    ValueError
        If a count lies outside 0 to what it is of.

    References
    ----------
    Fisher (1935), The logic of inductive inference, J. Royal Statistical Society 98.
    """
    if not (0 <= hits <= of and 0 <= other_hits <= other_of):
        raise ValueError(f"`hits` must be from 0 to what they are of, got {hits} of {of}, {other_hits} of {other_of}")
    total = hits + other_hits
    seen = np.arange(max(0, total - other_of), min(of, total) + 1)
    log = _log_choose(of, seen) + _log_choose(other_of, total - seen)
    chance = np.exp(log - log.max())
    return float(min(chance[chance <= chance[hits - seen[0]] * _ALIKE].sum() / chance.sum(), 1.0))


def _ways(n: int, m: int) -> NDArray[np.float64]:
    """Count the orders of n and m values by how often one of the first goes after one of the second."""
    ways = np.zeros(n * m + 1)
    ways[0] = 1.0
    for k in range(1, min(n, m) + 1):  # the Gaussian binomial, one factor (1 - q^(m+k)) / (1 - q^k) after another
        top = max(n, m) + k
        ways[top:] -= ways[:-top].copy() if top <= n * m else 0.0
        for start in range(k):
            ways[start::k] = np.cumsum(ways[start::k])
    return ways


def _log_choose(of: int, chosen: NDArray[np.int64]) -> NDArray[np.float64]:
    log = np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, of + 1, dtype=np.float64)))))
    return np.asarray(log[of] - log[chosen] - log[of - chosen], dtype=np.float64)
