"""Draws of what a group of wear paths has in common: spreads between units, error, wandering and the mean line.

For unit u on the shape's scale, readings are `a_u + b_u g + part offset + w_u(g) + error`, (a_u, b_u) jointly normal
about a mean that may depend on the unit's covariates. The mean line and the part offsets are integrated out exactly;
the five spreads are drawn by adaptive importance sampling, so that nothing is plugged in.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import STEP, inverted, line_evidence, log_marginal, solved
from spc.wear.path_gram import RATIO_GRID, PathGram

__all__ = ["LEAST_LOG_SCATTER", "LineDraws", "draw_lines", "log_prior", "picked_evenly", "unlevelled"]

Array = NDArray[np.float64]

SPREADS = 5  # log scatter from reading to reading, log wandering ratio, log sd of a, log sd of b, atanh correlation
_LOG_GRID = np.log(RATIO_GRID)
# Weak priors on the standardised scale (readings of the group: sd 1; age: 0 to 1).
# Log scatter, log ratio, log sd of the levels (half-t, below: it may be none), log sd of the slopes, atanh of the
# correlation (nearly flat). Of the slopes: readings that follow wear rise by two to three of their sd over the age
# seen. The rates of laps of one kind differ by a quarter to a third at the centre; two sd away by a fifteenth, or by
# half as much again as the rate itself (common practice, no source). Four units could not rule out far more.
_NORMAL_CENTRE = np.array([np.log(0.15), 0.0, 0.0, -0.3, 0.0])
_NORMAL_SD = np.array([1.5, 2.5, np.inf, 0.75, 0.8])
_LEVEL_DF = 3.0
_ANY_LEVEL = np.log(4.0)  # log sd of a level of which nothing is known, as in `PathScale.prior_precision`
LEAST_LOG_SCATTER = -12.0  # on that scale: readings that meet a line exactly scatter so much
_PROPOSAL_DF = 5.0
_BOX = (np.array([LEAST_LOG_SCATTER, _LOG_GRID[0], -12.0, -12.0, -4.0]), np.array([4.0, _LOG_GRID[-1], 6.0, 7.0, 4.0]))
_KEPT, _MOST_ROUNDS = 3, 8  # rounds that count, rounds at most
_ENOUGH = 0.45  # effective draws for each draw wanted that end the rounds
_COLLAPSED = 100.0  # fewer effective draws than this: one point outweighs the rest
_DIFFERENCE = 0.02  # step of the spreads' coordinates for slopes and curvatures
_PAIRS = np.triu_indices(SPREADS, 1)
_AXES = _DIFFERENCE * np.eye(SPREADS)
_CORNERS = _AXES[_PAIRS[0]] + _AXES[_PAIRS[1]]
_STENCIL = np.vstack([np.zeros(SPREADS), _AXES, -_AXES, _CORNERS, -_CORNERS])  # all a slope and a curvature need
_NEWTON_STEPS, _LONGEST = 25, 2.0  # at most, and how far one moves at most in any coordinate
_NEAR = 0.01  # a step that would raise the log posterior by half of this stands at the top
_SHORTER = 0.5 ** np.arange(1, 8)
_WIDEST = 1.5  # sd of a proposal where the posterior is flat


@dataclass(frozen=True, slots=True)
class LineDraws:
    """Equally weighted draws; S draws, p fixed terms."""

    spreads: Array  # (S, 5)
    mean: Array  # (S, p) of the fixed terms given the spreads
    covariance: Array  # (S, p, p)
    effective: float  # effective number of draws before they were made equal


def log_prior(spreads: Array) -> Array:
    """Log density of the weak prior of the spreads."""
    away = (spreads - _NORMAL_CENTRE) / _NORMAL_SD
    outside = spreads - _boxed(spreads)
    log_level = spreads[:, 2]
    level = np.exp(2 * np.minimum(np.maximum(log_level, -30), 30))
    total = (-0.5 * away**2 - 10 * outside**2).sum(axis=1) + log_level
    return np.asarray(total - 0.5 * (_LEVEL_DF + 1) * np.log1p(level / _LEVEL_DF), dtype=np.float64)


def unlevelled(spreads: Array) -> Array:
    """Spreads (S, 5) of a unit whose level has nothing to do with the group's: any level, whatever its slope."""
    out = spreads.copy()
    out[:, 2], out[:, 4] = _ANY_LEVEL, 0.0
    return out


def _boxed(spreads: Array) -> Array:
    return np.asarray(np.minimum(np.maximum(spreads, _BOX[0]), _BOX[1]), dtype=np.float64)


def draw_lines(
    gram: PathGram,
    design: Array,
    prior_precision: Array,
    *,
    draws: int,
    near: LineDraws | None = None,
    rng: np.random.Generator,
) -> LineDraws:
    """Draw the spreads from their posterior by adaptive importance sampling and keep the fixed terms' normal law.

    Parameters
    ----------
    gram : PathGram
    design : (U, C - 1, p)
    prior_precision : (p,)
    draws : int
    near : LineDraws, optional
        Draws of nearly the same readings: a start that needs fewer rounds.
    rng : numpy.random.Generator

    References
    ----------
    Cornuet, Marin, Mira and Robert (2012), Adaptive multiple importance sampling, Scandinavian J. of Statistics 39.
    """
    prior = np.diag(prior_precision)

    def weighed(spreads: Array) -> tuple[Array, Array, Array]:
        """Log posterior, and mean and precision of the fixed terms; the prior speaks against what lies outside."""
        log, mean, precision = log_marginal(line_evidence(_boxed(spreads), gram, design), prior)
        return log + log_prior(spreads), mean, precision

    centre, covariance = (
        _top(lambda points: weighed(points)[0], _starts(gram))
        if near is None
        else (near.spreads.mean(axis=0), np.cov(near.spreads.T))
    )
    places: list[_Place] = []
    points: list[Array] = []
    told: list[tuple[Array, Array, Array]] = []
    rounds = 0
    while True:
        places.append(_place(centre, covariance))
        points.append(_proposed(places[-1], draws, rng))
        told.append(weighed(points[-1]))
        places, points, told = places[-_KEPT:], points[-_KEPT:], told[-_KEPT:]
        rounds += 1
        cloud = np.vstack(points)
        logs = np.concatenate([log for log, _, _ in told]) - _mixture(cloud, places, [len(p) for p in points])
        weight = np.exp(logs - logs.max())
        effective = float(weight.sum() ** 2 / (weight**2).sum())
        wanted = _ENOUGH * draws if rounds < _KEPT else min(_COLLAPSED, draws / 5)
        if effective >= wanted or rounds == _MOST_ROUNDS:
            break
        tempered = _tempered(logs)
        centre = tempered @ cloud
        away = cloud - centre
        covariance = (away * tempered[:, None]).T @ away
    picked = picked_evenly(weight / weight.sum(), draws, rng)
    return LineDraws(
        _boxed(cloud)[picked],
        np.concatenate([mean for _, mean, _ in told])[picked],
        inverted(np.concatenate([precision for _, _, precision in told])[picked]),
        effective,
    )


def _top(log_posterior: Callable[[Array], Array], starts: Array) -> tuple[Array, Array]:
    """Where the posterior is highest, and the covariance its curvature there tells.

    With a thousand readings the posterior is a fiftieth as wide as what is known beforehand: proposals that do not
    start at its top never find it. Where it is flat (a spread that may as well be none) a stated width stands in.
    Newton's steps, shortened until they rise; one call tells a point's height, slope and curvature.
    """
    top = starts[log_posterior(starts).argmax()]
    heights = log_posterior(top + _STENCIL)
    for _ in range(_NEWTON_STEPS):
        slope, size, direction = _slope_and_bend(heights)
        step = (direction / np.maximum(np.abs(size), 1 / _WIDEST**2)) @ (direction.T @ slope)
        if slope @ step < _NEAR:
            break
        step /= max(1.0, np.abs(step).max() / _LONGEST)
        point = _boxed(top + step)
        there = log_posterior(point + _STENCIL)
        if there[0] <= heights[0]:
            shorter = _boxed(top + _SHORTER[:, None] * step)
            reached = log_posterior(shorter)
            if reached.max() <= heights[0]:
                break
            point = shorter[reached.argmax()]
            there = log_posterior(point + _STENCIL)
        top, heights = point, there
    _, size, direction = _slope_and_bend(heights)
    return top, np.asarray((direction / np.maximum(size, 1 / _WIDEST**2)) @ direction.T, dtype=np.float64)


def _slope_and_bend(heights: Array) -> tuple[Array, Array, Array]:
    """Slope by differences over the stencil, and eigenvalues and directions of minus the curvature."""
    middle, ahead, back = heights[0], heights[1 : SPREADS + 1], heights[SPREADS + 1 : 2 * SPREADS + 1]
    curvature = np.diag(ahead - 2 * middle + back)
    i, j = _PAIRS
    both = heights[2 * SPREADS + 1 :].reshape(2, -1).sum(axis=0) + 2 * middle
    curvature[i, j] = curvature[j, i] = (both - ahead[i] - ahead[j] - back[i] - back[j]) / 2
    size, direction = np.linalg.eigh(-curvature / _DIFFERENCE**2)
    return (ahead - back) / (2 * _DIFFERENCE), size, direction


def _starts(gram: PathGram) -> Array:
    """Spreads as each unit's own straight line shows them, for every ratio of the grid; (R, 5)."""
    square = gram.gram[..., :2, :2] + 1e-6 * np.eye(2)
    beside = gram.gram[..., :2, -1]
    lines, _ = solved(square, beside)
    left = np.maximum(gram.gram[..., -1, -1] - (beside * lines).sum(axis=-1), 0).sum(axis=-1)
    error_variance = left / max(gram.count.sum() - 2 * gram.count.size, 1)
    scatter = 0.5 * np.log(error_variance * (1 + STEP * RATIO_GRID) + 1e-8)
    level, slope = np.log(lines.std(axis=1) + np.array([0.03, 0.1])).T
    return _boxed(np.column_stack([scatter, _LOG_GRID, level, slope, np.zeros(_LOG_GRID.size)]))


@dataclass(frozen=True, slots=True)
class _Place:
    """One Student-t proposal."""

    centre: Array  # (5,)
    root: Array  # (5, 5) of a covariance made a little wider
    inverse: Array  # (5, 5) of the root
    log_root: float  # log determinant of the root


def _place(centre: Array, covariance: Array) -> _Place:
    root = np.asarray(np.linalg.cholesky(covariance * 1.6 + 1e-3 * np.eye(SPREADS)), dtype=np.float64)
    return _Place(centre, root, inverted(root), float(np.log(root.diagonal()).sum()))


def _proposed(place: _Place, size: int, rng: np.random.Generator) -> Array:
    """Student-t draws about a centre."""
    stretch = np.sqrt(_PROPOSAL_DF / rng.chisquare(_PROPOSAL_DF, size))
    moved = (rng.standard_normal((size, SPREADS)) * stretch[:, None]) @ place.root.T
    return np.asarray(place.centre + moved, dtype=np.float64)


def _mixture(points: Array, places: list[_Place], sizes: list[int]) -> Array:
    """Log density of all the proposals together, each weighted by the points it gave."""
    constant = lgamma((_PROPOSAL_DF + SPREADS) / 2) - lgamma(_PROPOSAL_DF / 2) - 0.5 * SPREADS * log(_PROPOSAL_DF * pi)
    inverse = np.stack([p.inverse for p in places])
    away = points.T - np.stack([p.centre for p in places])[:, :, None]
    far = ((inverse @ away) ** 2).sum(axis=1)
    before = [constant - p.log_root + log(size / sum(sizes)) for p, size in zip(places, sizes, strict=True)]
    table = np.array(before)[:, None] - 0.5 * (_PROPOSAL_DF + SPREADS) * np.log1p(far / _PROPOSAL_DF)
    top = table.max(axis=0)
    return np.asarray(top + np.log(np.exp(table - top).sum(axis=0)), dtype=np.float64)


def _tempered(logs: Array) -> Array:
    """Weights flattened until at least a tenth of the points count."""
    power = 1.0
    while True:
        weight = np.exp(power * (logs - logs.max()))
        weight /= weight.sum()
        if 1 / (weight**2).sum() >= 0.1 * logs.size or power < 1e-3:
            return np.asarray(weight, dtype=np.float64)
        power *= 0.7


def picked_evenly(weight: Array, size: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw so many places by their weights, (n,) adding to 1: systematic resampling, then shuffled; (size,)."""
    edges = np.cumsum(weight)
    places = (np.arange(size) + rng.random()) / size * edges[-1]
    return rng.permutation(np.minimum(np.searchsorted(edges, places), weight.size - 1)).astype(np.int64)
