"""Chains of charts that carry one number from point to point: the drifting average (EWMA) and the sum (CUSUM).

Two routes to the same chain. 'integral' puts Gauss-Legendre nodes on the stretch without signal and solves the
integral equation on them; where a one-sided chart is held back at its centre, that centre is a state of its own.
'markov' cuts the stretch into cells. A limit for single points can only be joined to the cells, since it puts a
step into the integrand.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from spc.chart.markov import Chain

__all__ = ["Recursion", "recursion_chain"]

Array = NDArray[np.float64]
CELLS = 401
WIDEST = 240.0  # stretch without signal over what one point moves the chart; beyond, the nodes lie too far apart
EARLY_MOST = 4000  # points over which early limits may still move


@dataclass(frozen=True, slots=True)
class Recursion:
    """One chart on standardised points z: new = carry * old + gain * z - drain, signal beyond `limit`."""

    carry: float
    gain: float
    drain: float
    limit: float
    both: bool  # limits on both sides; otherwise held back at 0 and limited above
    early: float = 0.0  # the limit at point i is limit * sqrt(1 - early**i); 0 = the same from the first point


@lru_cache(maxsize=256)
def recursion_chain(
    chart: Recursion,
    *,
    start: float = 0.0,
    shift_sd: float = 0.0,
    spread_ratio: float = 1.0,
    route: str = "integral",
    limit_z: float = math.inf,
) -> Chain:
    """Return the chain of one chart.

    Parameters
    ----------
    chart : Recursion
    start : float
        Value carried before the first point.
    shift_sd, spread_ratio : float
        Mean and standard deviation of the standardised points.
    route : {'integral', 'markov'}
    limit_z : float, default infinite
        A single point beyond this also signals (above only, for a one-sided chart); needs the 'markov' route.

    Returns
    -------
    Chain

    Raises
    ------
    ValueError
        If the chart remembers so many points that the integral route cannot follow it.

    References
    ----------
    Crowder (1987), Technometrics 29(4), integral equation of the EWMA; Brook and Evans (1972), Biometrika 59(3),
    cells; Lucas and Saccucci (1990), Technometrics 32(1).
    """
    grid = _Grid(chart, shift_sd, spread_ratio, route, limit_z)
    shares = [1.0]
    states, mass = grid.step(np.array([start]), _limit_at(chart, 1))
    mass = mass[0]
    point = 1
    while chart.early > 0 and point < EARLY_MOST and chart.early**point > 1e-12:
        shares.append(float(mass.sum()))
        point += 1
        states, matrix = grid.step(states, _limit_at(chart, point))
        mass = mass @ matrix
    if chart.early > 0:  # the last step leads to the settled states
        shares.append(float(mass.sum()))
        states, matrix = grid.step(states, chart.limit)
        mass = mass @ matrix
    _, settled = grid.step(states, chart.limit)
    return Chain(start=mass, matrix=settled, head=tuple(shares))


def _limit_at(chart: Recursion, point: int) -> float:
    """Return the limit at a point, counted from 1."""
    return chart.limit * math.sqrt(1.0 - chart.early**point) if chart.early > 0 else chart.limit


@dataclass(frozen=True, slots=True)
class _Grid:
    """Steps from any states to the states below a limit."""

    chart: Recursion
    shift: float
    spread: float
    route: str
    limit_z: float

    def step(self, states: Array, limit: float) -> tuple[Array, Array]:
        """Return the new states and the matrix of probabilities from the old to the new ones."""
        return self._nodes(states, limit) if self.route == "integral" else self._cells(states, limit)

    def _z(self, value: Array | float, states: Array) -> Array:
        """Return the point that carries `states` to `value`."""
        chart = self.chart
        return np.asarray((np.asarray(value) - chart.carry * states[:, None] + chart.drain) / chart.gain)

    def _nodes(self, states: Array, limit: float) -> tuple[Array, Array]:
        chart = self.chart
        low = -limit if chart.both else 0.0
        width = (limit - low) / (chart.gain * self.spread)
        if width > WIDEST:
            raise ValueError(
                f"limits {math.ceil(width):,} times as far apart as one point moves the chart remember too long for "
                f"a run length, at most {WIDEST:g} can be worked out; take a larger `weight`, or a nearer `decision_sd`"
            )
        x, w = _gauss(min(400, 40 + 4 * math.ceil(width)))
        half = (limit - low) / 2
        nodes = low + half * (x + 1.0)
        z = (self._z(nodes, states) - self.shift) / self.spread
        matrix = np.exp(-0.5 * z * z) * (half * w / (chart.gain * self.spread * math.sqrt(2.0 * math.pi)))
        if chart.both:
            return nodes, matrix
        held = ndtr((self._z(0.0, states) - self.shift) / self.spread)
        return np.concatenate(([0.0], nodes)), np.hstack((held, matrix))

    def _cells(self, states: Array, limit: float) -> tuple[Array, Array]:
        chart = self.chart
        if chart.both:
            new = limit * (2 * np.arange(CELLS, dtype=np.float64) + 1 - CELLS) / CELLS
            edges: NDArray[Any] = np.append(new - limit / CELLS, limit)
            least = -self.limit_z
        else:
            new = np.arange(CELLS, dtype=np.float64) * (2 * limit / (2 * CELLS - 1))
            edges = np.concatenate((np.array([-math.inf]), new[1:] - new[1] / 2, np.array([limit])))
            least = -math.inf
        z = np.clip(self._z(edges, states), least, self.limit_z)
        probability = ndtr((z - self.shift) / self.spread)
        return new, np.diff(probability, axis=1)


@lru_cache(maxsize=64)
def _gauss(n: int) -> tuple[Array, Array]:
    """Return Gauss-Legendre nodes and weights on [-1, 1]."""
    x, w = np.polynomial.legendre.leggauss(n)
    return np.asarray(x), np.asarray(w)
