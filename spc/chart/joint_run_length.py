"""Which joint shift the charts of several characteristics see after how many faces.

A joint shift is measured as a joint distance: sqrt(d' S^-1 d), in standard deviations when only one characteristic
moves and the others have nothing to do with it.
"""

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.chart.checks import count_in, number_in
from spc.chart.markov import Chain, average_from
from spc.chart.mewma import mewma_run_length

__all__ = ["distance_run_length", "shifted_mewma_run_length"]

ALONG = 41  # cells from limit to limit along the shift, odd
ACROSS = 20  # cells of the length across it


def distance_run_length(limit: float, *, characteristics: int, shift: float, rows: int | None = None) -> float:
    """Average run length of Hotelling's T2 after a joint shift.

    Parameters
    ----------
    limit : float
        On T2, greater than 0.
    characteristics : int
        2 or more.
    shift : float
        Joint distance of the shift, 0 or more.
    rows : int, optional
        Complete rows the covariance rests on; None = known. The rate is then that over all such baselines.

    Returns
    -------
    float

    References
    ----------
    Noncentral chi-square (known) and noncentral F law of T2; Anderson (2003), An Introduction to Multivariate
    Statistical Analysis, ch. 5.
    """
    from scipy.special import chndtr, ncfdtr

    edge = number_in(limit, "limit", above=0.0)
    p = count_in(characteristics, "characteristics", least=2)
    away = number_in(shift, "shift", least=0.0) ** 2
    if rows is None:
        chance = 1.0 - float(chndtr(edge, p, away))
    else:
        m = count_in(rows, "rows", least=p + 2)
        scaled = edge * m * (m - p) / (p * (m + 1) * (m - 1))
        chance = 1.0 - float(ncfdtr(p, m - p, away * m / (m + 1), scaled))
    return 1.0 / chance if chance > 1e-13 else math.inf


def shifted_mewma_run_length(weight: float, limit: float, *, characteristics: int, shift: float) -> float:
    """Average run length of the joint drifting average after a joint shift, from a fresh start, settled limits.

    Parameters
    ----------
    weight : float
        Weight of the newest face, greater than 0 and at most 1.
    limit : float
        On the squared distance of the average, greater than 0.
    characteristics : int
        2 or more.
    shift : float
        Joint distance of the shift, 0 or more.

    Returns
    -------
    float

    Notes
    -----
    Only the place along the shift and the length across it matter: the first moves as a normal average, the square of
    the second is noncentral chi-square with one degree fewer. A chain of cells on both.

    References
    ----------
    Runger and Prabhu (1996), Journal of the American Statistical Association 91, 1701-1706; Prabhu and Runger (1997),
    Journal of Quality Technology 29(1), 8-15.
    """
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    edge = number_in(limit, "limit", above=0.0)
    p = count_in(characteristics, "characteristics", least=2)
    away = number_in(shift, "shift", least=0.0)
    if away == 0.0:
        return mewma_run_length(lam, edge, characteristics=p).average
    return _shifted(lam, edge, p, away)


@lru_cache(maxsize=128)
def _shifted(lam: float, limit: float, p: int, shift: float) -> float:
    from scipy.special import chndtr

    radius = math.sqrt(limit * lam / (2.0 - lam))
    wide = 2.0 * radius / ALONG
    along = -radius + wide * (np.arange(ALONG) + 0.5)
    cuts = -radius + wide * np.arange(ALONG + 1)
    z = (cuts[None, :] - (1.0 - lam) * along[:, None]) / lam - shift
    first = np.diff(ndtr(z), axis=1)
    narrow = 2.0 * radius / (2 * ACROSS - 1)
    across = narrow * np.arange(ACROSS)
    rims = (np.arange(ACROSS) + 0.5) * narrow
    below = chndtr((rims[None, :] / lam) ** 2, p - 1, ((1.0 - lam) * across[:, None] / lam) ** 2)
    second = np.diff(below, axis=1, prepend=0.0)
    inside = (along[:, None] ** 2 + across[None, :] ** 2 < radius**2).ravel()
    matrix = np.kron(first, second)[np.ix_(inside, inside)]
    start = np.zeros(int(inside.sum()))
    centre = (ALONG // 2) * ACROSS
    start[int(np.count_nonzero(inside[:centre]))] = 1.0
    return average_from(Chain(start=start, matrix=matrix), start)
