"""How far one reader's readings of one face differ, seen through the step: an interval likelihood.

A reading in steps says only in which stretch the face, the reader's habit and the error of the moment came to lie
together. Faces are integrated out over a normal law of their own, readers keep an offset each, and the error's standard
deviation is found with its profile interval. Repeats that all agree bound it from above; they do not make it zero.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.capability.gauge_readings import GaugeReadings

__all__ = ["SteppedFit", "fit_stepped"]

Array = NDArray[np.float64]

LEAST_SD = 0.03  # of a step: nothing smaller can be told from nothing
MOST_SD = 6.0  # of a step
MOST_STEPS = 60.0  # readings spread over more steps than this are as good as exact
_CELL = 0.03  # of a step: the grid on which faces are integrated
_REACH = 3.0  # steps beyond the outermost readings
_TOO_FLAT = 1e-9
_LEAST = 1e-300  # a chance below it counts as it


@dataclass(frozen=True, slots=True)
class SteppedFit:
    """Standard deviation of one reader's readings of one face before the step rounds them."""

    status: str  # 'fitted', 'bounded' (only an upper bound), 'exact' (no step to speak of)
    sd_um: float  # 0 when bounded
    low_um: float  # profile interval at `level`
    high_um: float
    face_mean_um: float
    face_sd_um: float
    step_um: float
    most_offset_um: float  # no reader's habit is farther from the others' mean than this; NaN with one reader
    log_likelihood: float
    level: float


def fit_stepped(readings: GaugeReadings, *, level: float = 0.95) -> SteppedFit:
    """Fit the interval model of repeated readings.

    Parameters
    ----------
    readings : GaugeReadings
        Readers who are not known (-1) count as one reader.
    level : float
        Coverage of the profile interval, between 0.5 and 1.

    Returns
    -------
    SteppedFit
        'exact' when there is no step, or the readings spread over so many that it does not matter.

    Notes
    -----
    reading = face + reader's offset + error, rounded; face ~ N(m, t), error ~ N(0, s), offsets sum to zero. A reading
    down to zero takes every error below it. The law of faces matters little where faces spread over a step or more;
    where they all read the same, it keeps the bound honest, as faces may then sit in the middle of a step.

    References
    ----------
    Interval likelihood: Lawless (2003), Statistical Models and Methods for Lifetime Data, ch. 2. Profile intervals:
    Venzon and Moolgavkar (1988), Applied Statistics 37.
    """
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    nan = float("nan")
    step = readings.step_um
    spread = float(np.ptp(readings.middle_um)) if readings.n else 0.0
    if readings.n == 0 or step <= 0 or (readings.high_um == readings.low_um).any() or spread > MOST_STEPS * step:
        return SteppedFit("exact", nan, nan, nan, nan, nan, step, nan, nan, level)
    return _Profile(_Likelihood(readings, step), level).fit()


class _Likelihood:
    """Log-likelihood at (mean, log face sd, log sd, offsets), in steps; the grid is built once."""

    def __init__(self, readings: GaugeReadings, step: float) -> None:
        self.step = step
        faces, face = np.unique(readings.face, return_inverse=True)
        readers, who = np.unique(readings.reader, return_inverse=True)
        self.readers = readers.size
        low, high = readings.low_um / step, readings.high_um / step
        kinds, kind = np.unique(np.column_stack([low, high, who]), axis=0, return_inverse=True)
        floor = np.zeros(len(kinds), bool) if readings.signed else kinds[:, 0] <= 0
        self.who = kinds[:, 2].astype(np.int64)
        # Readings of one reader share the ends of their steps: each end is looked at once.
        ends = np.column_stack([np.where(floor, -np.inf, kinds[:, 0]), kinds[:, 1]])
        both = np.column_stack([ends.T.ravel(), np.tile(self.who, 2)])
        unique, place = np.unique(both, axis=0, return_inverse=True)
        self.end, self.end_who = unique[:, 0], unique[:, 1].astype(np.int64)
        self.lower, self.upper = place.reshape(2, -1)
        self.counts = np.zeros((faces.size, kinds.shape[0]))
        np.add.at(self.counts, (face, kind.reshape(-1)), 1.0)
        self.grid = np.arange(low.min() - _REACH, high.max() + _REACH, _CELL)
        middle = (low + high) / 2
        means = np.bincount(face, weights=middle) / np.bincount(face)
        offsets = np.array([float((middle - means[face])[who == r].mean()) for r in range(self.readers)])
        within = float(np.sqrt(np.mean((middle - means[face]) ** 2)))
        self.start = np.concatenate(
            [[means.mean(), np.log(max(float(means.std()), 0.15)), np.log(min(max(within, 0.08), 3.0))], offsets[:-1]]
        )
        widest = float(np.ptp(self.grid))
        self.bounds = [
            (float(self.grid[0]), float(self.grid[-1])),
            (float(np.log(0.03)), float(np.log(2 * widest))),
            (float(np.log(LEAST_SD)), float(np.log(MOST_SD))),
            *[(-2.0 - _spread(middle), 2.0 + _spread(middle))] * (self.readers - 1),
        ]

    def __call__(self, theta: Array) -> tuple[float, Array]:
        """Return minus the log-likelihood and its slope."""
        from scipy.special import ndtr

        mean, face_sd, sd = theta[0], np.exp(theta[1]), np.exp(theta[2])
        offsets = np.append(theta[3:], -theta[3:].sum())
        z = (self.end[:, None] - self.grid[None, :] - offsets[self.end_who][:, None]) / sd
        # The smaller tail keeps its digits: below the mean the lower one, above it the upper one.
        tail, bell = ndtr(-np.abs(z)), _bell(z)
        above, below = tail[self.upper], tail[self.lower]
        up, down = z[self.upper] > 0, z[self.lower] > 0
        chance = np.where(down, below - above, np.where(up, 1.0 - below - above, above - below))
        p = np.maximum(chance, _LEAST)
        edges = np.concatenate([self.grid - _CELL / 2, [self.grid[-1] + _CELL / 2]])
        at = (edges - mean) / face_sd
        at[0], at[-1] = -np.inf, np.inf
        share = np.maximum(np.diff(ndtr(at)), _LEAST)
        logs = self.counts @ np.log(p) + np.log(share)
        top = logs.max(axis=1, keepdims=True)
        part = np.exp(logs - top)
        total = part.sum(axis=1, keepdims=True)
        value = -float((top + np.log(total)).sum())

        held = part / total  # where each face may lie, given its readings
        of_grid = held.sum(axis=0) / share * (share > _LEAST)
        of_kind = (self.counts.T @ held) / p * (chance > _LEAST)
        high, low = bell[self.upper], bell[self.lower]
        wide = _times(z, bell)
        shift = -np.bincount(self.who, weights=(of_kind * (high - low)).sum(axis=1), minlength=self.readers) / sd
        hill = _bell(at)
        slope = np.empty_like(theta)
        slope[0] = -float((of_grid * np.diff(hill)).sum()) / face_sd
        slope[1] = -float((of_grid * np.diff(_times(at, hill))).sum())
        slope[2] = -float((of_kind * (wide[self.upper] - wide[self.lower])).sum())
        slope[3:] = shift[:-1] - shift[-1]
        return value, -slope


def _bell(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def _times(z: Array, bell: Array) -> Array:
    """Product that is zero where z has no end."""
    return np.where(bell > 0, np.where(np.isfinite(z), z, 0.0) * bell, 0.0)


def _spread(middle: Array) -> float:
    """How far apart the readings lie, in steps."""
    return float(np.ptp(middle))


class _Profile:
    """Best fit, and the values of one parameter that the likelihood does not rule out."""

    def __init__(self, law: _Likelihood, level: float) -> None:
        from scipy.special import chdtri

        self.law, self.level = law, level
        self.allowed = float(chdtri(1, 1 - level)) / 2

    def fit(self) -> SteppedFit:
        law = self.law
        starts = [law.start.copy() for _ in range(3)]
        starts[1][2] += np.log(0.4)
        starts[2][1:3] = np.log(0.3), np.log(0.15)
        found = [self._best(s, fixed=None) for s in starts]
        value, theta = min(found, key=lambda each: each[0])
        floor = law.bounds[2][0]
        edge = theta.copy()
        edge[2] = floor
        at_floor, at_floor_theta = self._best(edge, fixed=2)
        if at_floor <= value + _TOO_FLAT:
            value, theta = at_floor, at_floor_theta
        nothing_shown = at_floor - value <= self.allowed  # the readings would do without any error
        top = law.bounds[2][1]
        high = self._crossing(theta, value, 2, float(theta[2]), top)
        low = 0.0 if nothing_shown else float(np.exp(self._crossing(theta, value, 2, float(theta[2]), floor)))
        zero = theta[2] <= floor + 1e-3
        most = float("nan")
        if zero and law.readers > 1:
            most = max(self._offset(theta, value, k) for k in range(law.readers - 1))
        step = law.step
        return SteppedFit(
            status="bounded" if zero else "fitted",
            sd_um=0.0 if zero else float(np.exp(theta[2])) * step,
            low_um=low * step,
            high_um=float(np.exp(high)) * step,
            face_mean_um=float(theta[0]) * step,
            face_sd_um=float(np.exp(theta[1])) * step,
            step_um=step,
            most_offset_um=most * step,
            log_likelihood=-value,
            level=self.level,
        )

    def _best(self, start: Array, *, fixed: int | None) -> tuple[float, Array]:
        from scipy.optimize import minimize

        free = [i for i in range(start.size) if i != fixed]
        theta = start.copy()

        def objective(values: Array) -> tuple[float, Array]:
            theta[free] = values
            value, slope = self.law(theta)
            return value, slope[free]

        bounds = [self.law.bounds[i] for i in free]
        inside = np.array([min(max(start[i], lo), hi) for i, (lo, hi) in zip(free, bounds, strict=True)])
        found = minimize(
            objective, inside, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-11, "maxiter": 200}
        )
        best = start.copy()
        best[free] = found.x
        return float(found.fun), best

    def _crossing(self, theta: Array, value: float, k: int, start: float, end: float) -> float:
        """Walk from the estimate towards `end` until the profile has dropped by the allowed amount."""
        from scipy.optimize import brentq

        last = theta.copy()

        def excess(at: float) -> float:
            nonlocal last
            trial = last.copy()
            trial[k] = at
            dropped, last = self._best(trial, fixed=k)
            return dropped - value - self.allowed

        inside, pace = start, 0.25 * (1 if end > start else -1)
        while True:
            outside = inside + pace
            if (outside - end) * pace >= 0:
                outside = end
            if excess(outside) > 0:
                return float(brentq(excess, inside, outside, xtol=2e-3)) if inside != outside else inside
            if outside == end:
                return end
            inside, pace = outside, pace * 1.5

    def _offset(self, theta: Array, value: float, k: int) -> float:
        low, high = self.law.bounds[3 + k]
        at = float(theta[3 + k])
        return max(abs(self._crossing(theta, value, 3 + k, at, end)) for end in (low, high))
