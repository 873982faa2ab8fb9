"""Restricted likelihood of groups that differ at random, say in level and slope, under many sizes of that difference.

All that readings say is in the moments of their design, so that it costs the same however many readings there are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Weighed", "restricted_log_likelihood", "weighed"]

Array = NDArray[np.float64]

_RIDGE = 1e-9  # what readings cannot tell apart is left where it is


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """What readings amount to, weighed by the inverse of their covariance; those of several groups add."""

    log_det: Array  # (...) of the covariance, in variances of one reading
    inner: Array  # (..., p + 1, p + 1) p means and the readings
    readings: float

    def __add__(self, other: "Weighed") -> "Weighed":
        """Take two groups together; one of them may stand for many cases of the other."""
        return Weighed(self.log_det + other.log_det, self.inner + other.inner, self.readings + other.readings)


def weighed(columns: ArrayLike, spreads: ArrayLike, *, counts: float = 1.0) -> Weighed:
    """Weigh the readings of one group by I + Z D^2 Z'.

    Parameters
    ----------
    columns : array_like, shape (k, n, p + 1 + q)
        Under each of k cases, p columns of what all groups share, the readings, and the q columns of Z.
    spreads : array_like, shape (g, q)
        Diagonals of D: standard deviations between groups, in those of one reading.
    counts : float, default 1
        Share that each reading counts for.

    Returns
    -------
    Weighed
        Of shapes (g, k, ...).

    Notes
    -----
    By the identity of Woodbury, from the moments of the columns alone.
    """
    design, spread = np.asarray(columns, dtype=np.float64), np.asarray(spreads, dtype=np.float64)[:, None, :]
    shared = design.shape[2] - spread.shape[2]
    moments = counts * (np.swapaxes(design, 1, 2) @ design)
    plain, mixed, of_group = moments[:, :shared, :shared], moments[:, :shared, shared:], moments[:, shared:, shared:]
    inside = np.eye(spread.shape[2]) + spread[..., None] * of_group * spread[..., None, :]
    across = np.swapaxes(mixed * spread[..., None, :], -1, -2)
    inner = plain - np.swapaxes(across, -1, -2) @ np.linalg.solve(inside, across)
    return Weighed(np.linalg.slogdet(inside)[1], inner, counts * design.shape[1])


def restricted_log_likelihood(groups: Weighed) -> Array:
    """Log likelihood with the means and the size of the error integrated out, flat in the means and in its logarithm.

    Parameters
    ----------
    groups : Weighed
        The sum over all groups.

    Returns
    -------
    ndarray, shape (...)
        Up to a constant that hangs on the number of readings and means alone.

    References
    ----------
    Harville (1974), Biometrika 61, 383-385: what is left when the means are integrated out is the restricted
    likelihood. Laird and Ware (1982), Biometrics 38, 963-974: level and slope of each unit at random. From memory.
    """
    p = groups.inner.shape[-1] - 1
    means, mixed = groups.inner[..., :p, :p] + _RIDGE * np.eye(p), groups.inner[..., :p, p:]
    told = np.squeeze(np.swapaxes(mixed, -1, -2) @ np.linalg.solve(means, mixed), (-2, -1))
    left = np.maximum(groups.inner[..., p, p] - told, 1e-300)
    freedom = groups.readings - p
    return np.asarray(-(groups.log_det + np.linalg.slogdet(means)[1] + freedom * np.log(left)) / 2, dtype=np.float64)
