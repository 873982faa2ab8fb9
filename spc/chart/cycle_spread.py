"""How far the cycles of a lap differ from each other, and each face against its own cycle so far.

No two cycles wear alike: one begins higher, one wears faster, and then all its faces lean the same way. Against the
lap's usual cycle alone such faces call falsely one after the other, the oftener the older the cycle. So each face is
foretold from the usual cycle, from how far cycles differ in level and slope, and from the faces of its cycle before it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ASSUMED_SD", "CycleSpread", "OwnCycle", "cycle_spread", "foretold"]

Array = NDArray[np.float64]

ASSUMED_SD = 0.4  # of a reading: how far cycles differ, as far as their readings leave it open [our choice, simulated]
FEW_CYCLES = 5  # below this what is assumed weighs about as much as what was read, and is told
SEEN_LEVEL = 0.01  # cycles are said to differ where noise would seldom make them look so [our choice]
MOST_CYCLES = 200  # newest ones looked at
FOLLOWED = 2.0  # times the greatest age read, up to which cycles are taken to part further [our choice, simulated]
_GRID = np.array([0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0])  # searched, sd


@dataclass(frozen=True, slots=True)
class CycleSpread:
    """How a new cycle may differ from the usual one, in scores of the law of all readings."""

    start_sd: float  # of the level at age 0, the uncertainty of the usual cycle included
    slope_sd: float  # per face, the same
    within_sd: float  # of a reading about the line of its own cycle
    cycles: int  # it was read from
    p_value: float  # of cycles that differ no more than noise makes them; 1 from one cycle
    oldest_faces: float = math.inf  # greatest age at which they were read; inf = frozen before that was kept

    @property
    def known(self) -> str:
        """Whether how far cycles differ is 'assumed', 'partly assumed' or 'read from them'."""
        return "assumed" if self.cycles == 1 else "partly assumed" if self.cycles < FEW_CYCLES else "read from them"

    def words(self, age_faces: float) -> str:
        """Say how far cycles differ at an age, and what follows."""
        sd = math.hypot(self.start_sd, self.slope_sd * age_faces) / self.within_sd
        cycles = f"{self.cycles} cycle" + ("s" if self.cycles > 1 else "")
        differ = "differ" if self.p_value <= SEEN_LEVEL else "may differ"
        return (
            f"cycles {differ} by about {sd:.1f} sd at {age_faces:.0f} faces of age ({cycles}; {self.known}): each face "
            "is judged against its own cycle so far too"
        )


def cycle_spread(z: Array, age_faces: Array, cycle: NDArray[np.int64]) -> CycleSpread:
    """Work out how far cycles differ, what their readings leave open counted in.

    Parameters
    ----------
    z : ndarray, shape (n,)
        Scores against the usual cycle, in order of time; at least 3.
    age_faces : ndarray, shape (n,)
        Place in the cycle.
    cycle : ndarray of int64, shape (n,)
        Label of the cycle.

    Returns
    -------
    CycleSpread
        From one cycle: what is assumed.

    Notes
    -----
    z = (u + u_c) + (v + v_c) t + e, with u_c and v_c independent and normal. Their variances are means over the
    restricted likelihood times half-normal laws of scale `ASSUMED_SD` for each standard deviation, that of v_c at the
    root mean square of the ages; never one best value, which is often 0 with few cycles. A spread taken too wide costs
    notice and no false calls: the line of the cycle itself then counts for more. Coarse steps leave scores a variance
    below 1; `within_sd` is set against that variance, so that they stay on the safe side. Readings that take after each
    other within a cycle make cycles look more different than they are. The p-value is that of the likelihood ratio,
    half and quarter of its usual laws, since a spread cannot be below 0.

    References
    ----------
    Harville (1977), J. Am. Stat. Ass. 72, 320-338 (restricted likelihood); Gelman (2006), Bayesian Analysis 1(3),
    515-534 (priors of the standard deviation of few groups); Self and Liang (1987), J. Am. Stat. Ass. 82, 605-610,
    case 7 (the likelihood ratio on the edge).
    """
    label = np.unique(cycle, return_inverse=True)[1].reshape(-1)
    recent = label > label.max() - MOST_CYCLES
    score, label = z[recent], label[recent] - label[recent].min()
    cycles = int(label.max()) + 1
    reach = math.sqrt(float(np.mean(age_faces[recent] ** 2))) or 1.0
    start, slope = (x.ravel() for x in np.meshgrid(_GRID, _GRID, indexing="ij"))
    log, rest = _restricted(score, age_faces[recent] / reach, label, start, slope)
    width = np.gradient(_GRID)
    width[[0, -1]] /= 2.0
    p_value = _by_noise(2.0 * float(log.max() - log[0]))
    log = log - 0.5 * (start**2 + slope**2) / ASSUMED_SD**2
    share = np.exp(log - log.max()) * np.outer(width, width).ravel()
    share /= share.sum()
    within = float(share @ rest) / max(float(np.mean(score**2)), 1e-12)
    anew = within * (1.0 + 1.0 / cycles)
    return CycleSpread(
        math.sqrt(anew * float(share @ start**2)),
        math.sqrt(anew * float(share @ slope**2)) / reach,
        math.sqrt(within),
        cycles,
        p_value,
        float(age_faces.max()),
    )


class OwnCycle:
    """Foretells each score from the faces of its cycle before it, as far as these may teach it.

    Parameters
    ----------
    z, age_faces, cycle
        As in `cycle_spread`; the faces of a cycle stand together.
    spread : CycleSpread

    Attributes
    ----------
    centre, sd : ndarray, shape (n,)
        Of the normal law of each score that was foretold; (z - centre) / sd are independent and standard normal while
        cycles differ no more than said and every face has taught.

    References
    ----------
    Brown, Durbin and Evans (1975), J. R. Statist. Soc. B 37(2), 149-192 (recursive residuals).
    """

    def __init__(self, z: Array, age_faces: Array, cycle: NDArray[np.int64], spread: CycleSpread) -> None:
        self.centre, self.sd = np.empty(z.size), np.empty(z.size)
        self._z, self._age, self._cycle = z.tolist(), age_faces.tolist(), cycle.tolist()
        self._noise = spread.within_sd**2
        self._anew = (0.0, 0.0, spread.start_sd**2, 0.0, spread.slope_sd**2)  # level, slope and their covariance
        self._followed = FOLLOWED * spread.oldest_faces
        self._known = self._anew
        self._before = [self._anew] * z.size  # what was known before each face

    def foretell(self, i: int) -> float:
        """Foretell face `i`, the next one; gives its score against that."""
        if i == 0 or self._cycle[i] != self._cycle[i - 1]:
            self._known = self._anew
        self._before[i] = self._known
        level, slope, level_var, both, slope_var = self._known
        t = self._age[i]
        centre = level + slope * t
        sd = math.sqrt(level_var + 2.0 * both * t + slope_var * t * t + self._noise)
        self.centre[i], self.sd[i] = centre, sd
        return float((self._z[i] - centre) / sd)

    def differ_sd(self, i: int) -> float:
        """Give the standard deviation of how far cycles differ at the age of face `i`, as far as any was followed."""
        return math.sqrt(self._anew[2] + self._anew[4] * min(self._age[i], self._followed) ** 2)

    def foretell_without(self, i: int) -> float:
        """Put face `i`, just foretold, against the usual cycle and how far cycles differ, in place of its own faces."""
        self.centre[i], self.sd[i] = 0.0, self.differ_sd(i)
        return float(self._z[i] / self.sd[i])

    def learn(self, i: int) -> None:
        """Let face `i`, just foretold, teach."""
        level, slope, level_var, both, slope_var = self._known
        t = self._age[i]
        on_level, on_slope = level_var + both * t, both + slope_var * t
        variance = on_level + on_slope * t + self._noise
        error = (self._z[i] - level - slope * t) / variance
        self._known = (
            level + on_level * error,
            slope + on_slope * error,
            level_var - on_level * on_level / variance,
            both - on_level * on_slope / variance,
            slope_var - on_slope * on_slope / variance,
        )

    def unlearn(self, first: int) -> None:
        """Forget what the faces from `first` on, of the same cycle, have taught."""
        self._known = self._before[first]


def foretold(z: Array, age_faces: Array, cycle: NDArray[np.int64], spread: CycleSpread) -> tuple[Array, Array]:
    """Foretell each score when all faces teach: centre and sd, as `OwnCycle` gives them."""
    own = OwnCycle(z, age_faces, cycle, spread)
    for i in range(z.size):
        own.foretell(i)
        own.learn(i)
    return own.centre, own.sd


def _by_noise(ratio: float) -> float:
    """Chance of a likelihood ratio so large where neither spread is there: each is 0 in half of such lists."""
    from scipy.special import chdtrc

    return 1.0 if ratio <= 1e-6 else float(0.5 * chdtrc(1, ratio) + 0.25 * chdtrc(2, ratio))


def _restricted(z: Array, t: Array, label: NDArray[np.int64], start: Array, slope: Array) -> tuple[Array, Array]:
    """Restricted log likelihood and variance of a reading, at spreads given as shares of a reading's own.

    With G and g the sums of (1, t)'(1, t) and (1, t)'z of a cycle and D the variances, what is needed of the cycle's
    matrix V is det V = det(I + D G), X'V^-1 X = G (I + D G)^-1 and so on: two by two, whatever the cycle's length.
    """
    ones, at = np.ones_like(t), (start**2)[:, None]
    n, s1, s2, y0, y1 = (np.bincount(label, weights=w)[None, :] for w in (ones, t, t * t, z, t * z))
    bt = (slope**2)[:, None]
    a11, a12, a21, a22 = 1 + at * n, at * s1, bt * s1, 1 + bt * s2  # I + D G
    det = a11 * a22 - a12 * a21
    k11, k12, k22 = (
        np.sum(x / det, axis=1)  # G (I + D G)^-1, summed over cycles
        for x in (n * a22 - s1 * a21, s1 * a11 - n * a12, s2 * a11 - s1 * a12)
    )
    x0, x1 = (a22 * y0 - a21 * y1) / det, (a11 * y1 - a12 * y0) / det  # (I + G D)^-1 g of each cycle
    r0, r1 = x0.sum(axis=1), x1.sum(axis=1)
    square = float(z @ z) - np.sum(at * y0 * x0 + bt * y1 * x1, axis=1)
    area = k11 * k22 - k12**2
    flat = area <= 1e-10 * k11 * k22  # all at one age: no usual slope to take out
    safe = np.where(flat, 1.0, area)
    fitted = np.where(flat, r0**2 / k11, (k22 * r0**2 - 2 * k12 * r0 * r1 + k11 * r1**2) / safe)
    freedom = np.maximum(z.size - np.where(flat, 1, 2), 1)
    left = np.maximum(square - fitted, 1e-12 * z.size)
    fixed = np.log(np.where(flat, k11, safe))
    log = -0.5 * (np.sum(np.log(det), axis=1) + fixed + freedom * np.log(left))
    return log, left / freedom
