"""Every possible place of one change, weighed at once, and what chance alone would make of the best of them.

A change of kind k starting at reading i adds one direction to the fit: a step (mean), a hinge (slope) or, without a
place, a bow (curvature); a change of spread splits the residual sum of squares. All places are weighed by running
sums, so a scan costs one pass. The same scan over simulated noise gives the critical values: they depend only on the
number of readings, their places and the kinds asked.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["KINDS", "ChangeNull", "change_null", "change_scan"]

Array = NDArray[np.float64]

KINDS = ("mean", "slope", "spread", "curvature")
SPREAD_SEGMENT = 5  # our rule: a spread is not estimated from fewer readings
SIMULATED_SHORT, SIMULATED_LONG, LONG = 4_000, 2_000, 300  # noise series for up to 300 readings, and above
NULL_SEED = 19780243  # fixed: the same series always gets the same critical values


@dataclass(frozen=True, slots=True)
class ChangeNull:
    """What the best-looking change amounts to in noise; the largest values are sorted, smallest first."""

    kinds: tuple[str, ...]
    largest: tuple[Array, ...]  # per kind: likelihood ratio of the best place, one per simulated series
    smallest_p: Array  # the smallest of the kinds' p-values, one per simulated series

    def kind_p(self, kind: str, ratio: float) -> float:
        """Tail probability of a likelihood ratio under noise, this kind alone."""
        null = self.largest[self.kinds.index(kind)]
        return float((1 + null.size - np.searchsorted(null, ratio, side="left")) / (null.size + 1))

    def critical(self, kind: str, rate: float) -> float:
        """Likelihood ratio that noise exceeds with probability `rate`, this kind alone."""
        return float(np.quantile(self.largest[self.kinds.index(kind)], 1.0 - rate))

    def joint_p(self, p_values: list[float]) -> float:
        """Probability that noise makes any of the kinds look as good as the best of `p_values`."""
        below = np.searchsorted(self.smallest_p, min(p_values) + 1e-12, side="right")
        return float((1 + below) / (self.smallest_p.size + 1))


def change_scan(values: Array, place: Array, *, kind: str, degree: int, min_segment: int) -> Array:
    """Likelihood ratio of one change against none, for a change starting at each reading.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        Series, the readings last.
    place : ndarray, shape (n,)
        Increasing places of the readings, in units of order one.
    kind : str
        One of `KINDS`.
    degree : int
        0: level before the change; 1: a line before the change.
    min_segment : int
        Fewest readings on either side.

    Returns
    -------
    ndarray, shape (..., n)
        Twice the log-likelihood ratio; -inf where a change may not start. For curvature, the value stands at
        reading 0: the bow has no place.
    """
    n = place.size
    q = _base(place, degree)
    residual = values - (values @ q) @ q.T
    rss = np.sum(residual**2, axis=-1, keepdims=True)
    ratio = np.full(values.shape, -np.inf)
    if kind == "curvature":
        bow = place**2
        bow = bow - q @ (q.T @ bow)
        gain = (residual @ bow) ** 2 / float(bow @ bow)
        ratio[..., 0] = _ratio(gain, rss[..., 0], n)
        return ratio
    least = max(min_segment, SPREAD_SEGMENT) if kind == "spread" else min_segment
    after = least + 1 if kind == "slope" else least  # a hinge one reading from the end is a jump of the last one
    starts = np.arange(least, n - after + 1)
    if kind == "spread":
        before = np.cumsum(residual**2, axis=-1)[..., starts - 1]
        behind = rss - before
        tiny = 1e-300
        ratio[..., starts] = n * np.log(np.maximum(rss, tiny) / n) - (
            starts * np.log(np.maximum(before, tiny) / starts)
            + (n - starts) * np.log(np.maximum(behind, tiny) / (n - starts))
        )
        return ratio
    along, norm = _directions(residual, q, place, starts, kind)
    usable = norm > 1e-10 * n
    gain = np.where(usable, along**2 / np.where(usable, norm, 1.0), 0.0)
    ratio[..., starts] = np.where(usable, _ratio(gain, rss, n), -np.inf)
    return ratio


def change_null(place: Array, *, kinds: tuple[str, ...], degree: int, min_segment: int) -> ChangeNull:
    """Simulate noise at these places and keep what the scan makes of it; remembered for evenly spaced readings."""
    if place.size > 1 and np.allclose(np.diff(place), 1.0 / (place.size - 1), rtol=1e-9, atol=0):
        return _even_null(place.size, kinds, degree, min_segment)
    return _simulate(place, kinds, degree, min_segment)


@lru_cache(maxsize=256)
def _even_null(n: int, kinds: tuple[str, ...], degree: int, min_segment: int) -> ChangeNull:
    return _simulate(np.linspace(0.0, 1.0, n), kinds, degree, min_segment)


def _simulate(place: Array, kinds: tuple[str, ...], degree: int, min_segment: int) -> ChangeNull:
    rng = np.random.default_rng(NULL_SEED)
    total = SIMULATED_SHORT if place.size <= LONG else SIMULATED_LONG
    block = max(1, min(total, 400_000 // place.size))
    found: list[list[Array]] = [[] for _ in kinds]
    for start in range(0, total, block):
        noise = rng.standard_normal((min(block, total - start), place.size))
        for j, kind in enumerate(kinds):
            scan = change_scan(noise, place, kind=kind, degree=degree, min_segment=min_segment)
            found[j].append(scan.max(axis=-1))
    largest = [np.concatenate(parts) for parts in found]
    ranked = [np.sort(x) for x in largest]
    p = [(1 + s.size - np.searchsorted(s, x, side="left")) / (s.size + 1) for s, x in zip(ranked, largest, strict=True)]
    return ChangeNull(kinds, tuple(ranked), np.sort(np.min(p, axis=0)))


def _base(place: Array, degree: int) -> Array:
    """Orthonormal columns of the fit before any change, shape (n, degree + 1)."""
    return np.asarray(np.linalg.qr(np.vander(place, degree + 1, increasing=True))[0], dtype=np.float64)


def _directions(residual: Array, q: Array, place: Array, starts: NDArray[np.int64], kind: str) -> tuple[Array, Array]:
    """Inner product of the residual with each change, and each change's squared length beyond the base."""

    def tail(x: Array) -> Array:
        return np.asarray(np.cumsum(x[..., ::-1], axis=-1)[..., ::-1][..., starts], dtype=np.float64)

    if kind == "mean":
        along, across = tail(residual), tail(q.T)
        length = (place.size - starts).astype(np.float64)
    else:
        bend = place[starts - 1]  # the line turns at the last reading before the change shows
        along = tail(residual * place) - bend * tail(residual)
        across = tail(q.T * place) - bend * tail(q.T)
        length = tail(place**2) - 2 * bend * tail(place) + bend**2 * (place.size - starts)
    return along, length - np.sum(across**2, axis=0)


def _ratio(gain: Array, rss: Array, n: int) -> Array:
    share = np.where(rss > 0, gain / np.where(rss > 0, rss, 1.0), 0.0)
    return np.asarray(-n * np.log1p(-np.minimum(share, 1.0 - 1e-15)), dtype=np.float64)
