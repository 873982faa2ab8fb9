"""A change of level held against how cycles differ: a step that cycles make by themselves is none.

No two cycles wear alike. Put end to end, cycles that differ look like a level that shifts, the more so the longer they
are. A shift is therefore weighed in two ways that each allow for it: every place by generalised least squares, what a
cycle has of its own counted in, which sees a step within a cycle and what stays of it in the next ones; and the means
of whole cycles, whose own scatter says how much a shift between them is worth.
"""

import numpy as np
from numpy.typing import NDArray

from spc.chart.change_point import FEWEST, change_point
from spc.chart.cycle_spread import CycleSpread

__all__ = ["cycle_change_p", "step_ratios"]

Array = NDArray[np.float64]

_LEAST = 2  # readings on either side of a step
_SERIES, _SEED, _BLOCK = 2_000, 20250711, 400_000  # lists of noise; numbers of a block of them


def cycle_change_p(z: Array, age_faces: Array, cycle: NDArray[np.int64], spread: CycleSpread) -> float:
    """Chance that cycles which differ as these do look as much like a shift of level.

    Parameters
    ----------
    z : ndarray, shape (n,)
        Scores against the usual cycle, in order of time.
    age_faces : ndarray, shape (n,)
        Place in the cycle.
    cycle : ndarray of int64, shape (n,)
        Label of the cycle; the faces of a cycle stand together.
    spread : CycleSpread
        Of these cycles.

    Returns
    -------
    float
        Of the better of the two ways, both counted (Bonferroni).

    Notes
    -----
    The places are weighed against simulated lists of such cycles, the spread taken as known. It is read from the same
    list, and a shift between cycles makes them look more different: that shift is seen by the means, of which at least
    eight are needed.

    References
    ----------
    Harville (1977), J. Am. Stat. Ass. 72, 320-338 (the model); Hawkins (1977), J. Am. Stat. Ass. 72, 180-186 (the
    greatest ratio over all places).
    """
    starts = np.flatnonzero(np.r_[True, np.diff(cycle) != 0])
    level, slope = spread.start_sd / spread.within_sd, spread.slope_sd / spread.within_sd
    best = float(step_ratios(z[None, :], age_faces, starts, level, slope).max())
    rng = np.random.default_rng(_SEED)
    label = np.cumsum(np.isin(np.arange(z.size), starts)) - 1
    above, block = 0, max(1, min(_SERIES, _BLOCK // z.size))
    for done in range(0, _SERIES, block):
        size = min(block, _SERIES - done)
        own = level * rng.standard_normal((size, starts.size))[:, label]
        own += slope * rng.standard_normal((size, starts.size))[:, label] * age_faces
        noise = own + rng.standard_normal((size, z.size))
        above += int(np.count_nonzero(step_ratios(noise, age_faces, starts, level, slope).max(axis=1) >= best))
    chances = [(1 + above) / (_SERIES + 1)]
    if starts.size >= FEWEST:
        means = np.add.reduceat(z, starts) / np.diff(np.r_[starts, z.size])
        search = change_point(means, kinds=("mean",))
        if search.status != "refused":
            chances.append(search.p_value)
    return min(1.0, len(chances) * min(chances))


def step_ratios(z: Array, age_faces: Array, starts: NDArray[np.int64], level: float, slope: float) -> Array:
    """Likelihood ratio of a step that begins at each reading, cycles differing in level and slope.

    Parameters
    ----------
    z : ndarray, shape (lists, n)
        Scores; their noise may have any standard deviation.
    age_faces : ndarray, shape (n,)
    starts : ndarray of int64, shape (cycles,)
        First reading of each cycle.
    level, slope : float
        Standard deviations of a cycle's level and slope per face, as shares of the noise's.

    Returns
    -------
    ndarray, shape (lists, n)
        Twice the log-likelihood ratio; -inf where a step may not start.

    Notes
    -----
    With Z = (1, t) of a cycle and D its two variances, the inverse of I + Z D Z' is I - Z D (I + Z'Z D)^-1 Z': sums
    over the cycle alone, so a list of any length costs one pass.
    """
    n = z.shape[1]
    label = np.cumsum(np.isin(np.arange(n), starts)) - 1
    t, a, b = age_faces, level**2, slope**2
    count, s1, s2 = (np.add.reduceat(x, starts) for x in (np.ones(n), t, t * t))
    det = (1 + count * a) * (1 + s2 * b) - s1 * b * s1 * a
    m11, m12, m22 = a * (1 + s2 * b) / det, -a * b * s1 / det, b * (1 + count * a) / det  # D (I + Z'Z D)^-1

    def inverse(x: Array) -> Array:
        x0, x1 = np.add.reduceat(x, starts, axis=-1), np.add.reduceat(x * t, starts, axis=-1)
        taken: Array = (m11 * x0 + m12 * x1)[..., label] + (m12 * x0 + m22 * x1)[..., label] * t
        return x - taken

    def tail(x: Array) -> Array:
        return np.asarray(np.cumsum(x[..., ::-1], axis=-1)[..., ::-1])

    weight = inverse(np.ones(n))
    whole = float(weight.sum())
    centred = z - (z @ weight / whole)[:, None]
    pulled = inverse(centred)
    left = np.sum(centred * pulled, axis=1, keepdims=True)
    of_cycle = np.add.reduceat(weight, starts)
    later = (tail(of_cycle) - of_cycle)[label]  # of the cycles after that of the reading
    ends = np.r_[starts[1:], n][label]
    m = ends - np.arange(n)
    past = np.r_[0.0, np.cumsum(t)]
    st = past[ends] - past[:-1]
    length = later + m - (m11[label] * m * m + 2 * m12[label] * m * st + m22[label] * st * st)
    length -= tail(weight) ** 2 / whole
    usable = length > 1e-10 * n
    usable[:_LEAST] = usable[n - _LEAST + 1 :] = False
    gain = np.where(usable, tail(pulled) ** 2 / np.where(usable, length, 1.0), 0.0)
    share = np.clip(gain / np.maximum(left, 1e-300), 0.0, 1.0 - 1e-12)
    return np.where(usable, -n * np.log1p(-share), -np.inf)
