"""Whether the cycles of laps that are pooled last alike: where they do not, an age of all is the age of none."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from spc.wear.lifetime import Array, check_lifetimes
from spc.wear.lifetime_fit import LifetimeFit

__all__ = ["LEAST_LIVES", "UNLIKE_P", "lives_apart_p"]

LEAST_LIVES = 2  # of a lap, for it to be compared with the others; our own rule
UNLIKE_P = 0.01  # so unlike by chance are the lives of laps that last alike, in one of a hundred groups; our own rule


def lives_apart_p(fit: LifetimeFit, low: ArrayLike, high: ArrayLike, lap: Sequence[str]) -> float:
    """P-value for the lives of some laps being of one law.

    Parameters
    ----------
    fit : LifetimeFit
        Law fitted to all of them.
    low, high : array_like, shape (n,)
        Each life lies in (low, high], as for `fit_lifetime`.
    lap : sequence of str, length n
        Lap that each is of.

    Returns
    -------
    float
        NaN where no two laps have `LEAST_LIVES` lives, all lives score alike, or no law is fitted.

    Raises
    ------
    ValueError
        If the lives do not fit, or `lap` has not one name for each.

    Notes
    -----
    Each life gets its log-rank score by the pooled law: 1 + log S where it is seen exactly, the slope of S log S across
    the interval where it is not, log S where it has not ended; the scores of laps are compared as ranks are by Kruskal
    and Wallis, with the chi-squared limit. It takes no more than that a lap has nothing to do with when its cycles are
    taken off before they wear out; a policy of one lap alone that differs from the others makes it a little unsure.

    References
    ----------
    Peto and Peto (1972), J. R. Stat. Soc. A 135, 185-207: the scores; Finkelstein (1986), Biometrics 42, 845-854: of
    intervals. Kruskal and Wallis (1952), J. Am. Stat. Assoc. 47, 583-621. From memory.
    """
    from scipy.special import chdtrc

    a, b = check_lifetimes(low, high)
    names = np.asarray(lap, dtype=object)
    if names.shape != a.shape:
        raise ValueError(f"`lap` must have one name per life ({a.size}), got {names.size}")
    if fit.status != "fitted":
        return math.nan
    _, place, count = np.unique(names, return_inverse=True, return_counts=True)
    many = count[place] >= LEAST_LIVES
    score = _scores(fit, a[many], b[many])
    _, place, count = np.unique(place[many], return_inverse=True, return_counts=True)
    spread = float(np.var(score, ddof=1)) if score.size > 1 else 0.0
    if count.size < 2 or not spread > 0:
        return math.nan
    mean = np.bincount(place, score) / count
    return float(chdtrc(count.size - 1, float(count @ (mean - score.mean()) ** 2) / spread))


def _scores(fit: LifetimeFit, low: Array, high: Array) -> Array:
    """Log-rank score of each life: positive = it wore out early."""
    tiny = np.finfo(np.float64).tiny
    s_low, s_high = (np.maximum(fit.survival(end), tiny) for end in (low, high))
    lost = s_low - s_high
    with np.errstate(invalid="ignore", divide="ignore"):
        between = (s_low * np.log(s_low) - s_high * np.log(s_high)) / lost
    return np.where(lost > 1e-9 * s_low, between, 1 + np.log(s_high))
