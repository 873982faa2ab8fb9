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

from spc.wear.path_gram import RATIO_GRID, PathGram

__all__ = [
    "LineDraws",
    "UnitEvidence",
    "draw_lines",
    "error_variance_of",
    "interpolated",
    "inverted",
    "line_evidence",
    "log_marginal",
    "solved",
]

Array = NDArray[np.float64]

SPREADS = 5  # log scatter from reading to reading, log wandering ratio, log sd of a, log sd of b, atanh correlation
_STEP = 0.1  # of scaled age: the scatter is that of the error and of the wandering over one such step
_LOG_GRID = np.log(RATIO_GRID)
# Weak priors on the standardised scale (readings of the group: sd 1; age: 0 to 1).
_LOG_SCATTER = (np.log(0.15), 1.5)
_LOG_RATIO = (0.0, 2.5)
_LEVEL_DF = 3.0  # half-t: the sd of the levels may be none
_LOG_SLOPE = (0.0, 1.0)  # with four units a flat tail would let the sd of the slopes be many times what they show
_CORRELATION_SD = 0.8  # of atanh(correlation): nearly flat
_PROPOSAL_DF = 5.0
_BOX = (np.array([-12.0, _LOG_GRID[0], -12.0, -12.0, -4.0]), np.array([4.0, _LOG_GRID[-1], 6.0, 7.0, 4.0]))
_ROUNDS, _TRIALS, _KEPT = 5, 120, 3  # trial rounds at most, points of each, rounds that count
_ENOUGH = 0.45  # effective share of the points that makes a proposal good enough for the last round
_DIFFERENCE = 0.02  # step of the spreads' coordinates for slopes and curvatures
_CORNERS = ((1, 1), (1, -1), (-1, 1), (-1, -1))
_WIDEST = 1.5  # sd of a proposal where the posterior is flat


@dataclass(frozen=True, slots=True)
class UnitEvidence:
    """Sums of one or more units for S draws of the spreads; p fixed terms."""

    precision: Array  # (S, p, p) information on the fixed terms
    shift: Array  # (S, p)
    square: Array  # (S,) y' V^-1 y
    log_det: Array  # (S,) log |V|
    count: NDArray[np.int64]  # readings


@dataclass(frozen=True, slots=True)
class LineDraws:
    """Equally weighted draws; S draws, p fixed terms."""

    spreads: Array  # (S, 5)
    mean: Array  # (S, p) of the fixed terms given the spreads
    covariance: Array  # (S, p, p)
    log_evidence: float  # on the standardised scale
    effective: float  # effective number of draws before they were made equal


def interpolated(table: Array, log_ratio: Array) -> Array:
    """Values of a table over the ratio grid, (R, ...), at S log ratios: (S, ...); a cubic through the four nearest.

    Straight lines between the grid's points would put a false top of the likelihood on each of them.
    """
    flat = _grid_shares(log_ratio) @ table.reshape(_LOG_GRID.size, -1)
    return np.asarray(flat.reshape(log_ratio.shape + table.shape[1:]), dtype=np.float64)


def _grid_shares(log_ratio: Array) -> Array:
    """Share of each of the R points of the ratio grid in a value at S log ratios; (S, R), four of a row not 0."""
    place = np.clip((log_ratio - _LOG_GRID[0]) / (_LOG_GRID[1] - _LOG_GRID[0]), 0, _LOG_GRID.size - 1 - 1e-9)
    first = np.clip(place.astype(np.int64) - 1, 0, _LOG_GRID.size - 4)
    t = place - first  # 0 to 3 within the four points
    shares = np.zeros((log_ratio.size, _LOG_GRID.size))
    row = np.arange(log_ratio.size)
    shares[row, first] = -(t - 1) * (t - 2) * (t - 3) / 6
    shares[row, first + 1] = t * (t - 2) * (t - 3) / 2
    shares[row, first + 2] = -t * (t - 1) * (t - 3) / 2
    shares[row, first + 3] = t * (t - 1) * (t - 2) / 6
    return shares


def error_variance_of(spreads: Array) -> Array:
    """Variance of the error of one reading, (S,); the wandering's is exp(spreads[:, 1]) times it per scaled age."""
    return np.asarray(np.exp(2 * spreads[:, 0]) / (1 + _STEP * np.exp(spreads[:, 1])), dtype=np.float64)


def line_evidence(
    spreads: Array, gram: Array, log_det: Array, count: NDArray[np.int64], design: Array, *, each: bool = False
) -> UnitEvidence:
    """Information of the units on the fixed terms, line by line integrated out.

    Parameters
    ----------
    spreads : (S, 5)
    gram, log_det : (R, U, C, C), (R, U)
        From `path_gram`.
    count : (U,)
    design : (U, C - 1, p)
        Fixed terms of each unit's columns: its two line columns through the covariates, then its parts.
    each : bool
        Keep the units apart: arrays get a second axis of U.
    """
    error_variance = error_variance_of(spreads)[:, None]
    sd_level, sd_slope = np.exp(spreads[:, 2])[:, None], np.exp(spreads[:, 3])[:, None]
    cross = np.tanh(spreads[:, 4])[:, None] * sd_level * sd_slope / error_variance
    d11, d22 = sd_level**2 / error_variance, sd_slope**2 / error_variance
    shares = _grid_shares(spreads[:, 1])
    g = shares @ gram.transpose(2, 3, 0, 1)  # (C, C, S, U): the columns first, so that each step runs over S and U
    s11, s12, s22 = g[0, 0], g[0, 1], g[1, 1]
    det_spread = d11 * d22 / np.cosh(spreads[:, 4])[:, None] ** 2
    det = 1 + s11 * d11 + s22 * d22 + 2 * s12 * cross + np.maximum(s11 * s22 - s12**2, 0) * det_spread
    k11, k12, k22 = (d11 + s22 * det_spread) / det, (cross - s12 * det_spread) / det, (d22 + s11 * det_spread) / det
    z1, z2 = g[0], g[1]
    h = g - (k11 * z1 + k12 * z2)[:, None] * z1 - (k12 * z1 + k22 * z2)[:, None] * z2
    logs = shares @ log_det + np.log(det) + count * np.log(error_variance)
    if not each and _identity(design):
        total = np.moveaxis(h.sum(axis=-1), -1, 0) / error_variance[..., None]
        return UnitEvidence(
            total[:, :-1, :-1], total[:, :-1, -1], total[:, -1, -1], logs.sum(axis=1), count.sum(keepdims=True)
        )
    h /= error_variance
    if _identity(design):
        precision, shift = np.moveaxis(h[:-1, :-1], (2, 3), (0, 1)), np.moveaxis(h[:-1, -1], (1, 2), (0, 1))
    else:
        form = "ijsu,uip,ujq->supq" if each else "ijsu,uip,ujq->spq"
        precision = np.einsum(form, h[:-1, :-1], design, design, optimize=True)
        shift = np.einsum("isu,uip->sup" if each else "isu,uip->sp", h[:-1, -1], design, optimize=True)
    if each:
        return UnitEvidence(precision, shift, h[-1, -1], logs, count)
    return UnitEvidence(precision, shift, h[-1, -1].sum(axis=1), logs.sum(axis=1), count.sum(keepdims=True))


def _identity(design: Array) -> bool:
    return design.shape[1] == design.shape[2] and bool(np.all(design == np.eye(design.shape[1])))


def log_marginal(evidence: UnitEvidence, prior_precision: Array) -> tuple[Array, Array, Array]:
    """Log density of the readings with the fixed terms integrated out, and their posterior mean and precision.

    `prior_precision` : (p,) or (S, p, p); prior mean zero.
    """
    if prior_precision.ndim == 1:
        prior, prior_log_det = np.diag(prior_precision), np.log(prior_precision).sum()
    else:
        prior, prior_log_det = prior_precision, log_det_of(prior_precision)
    precision = evidence.precision + prior
    mean, log_det = solved(precision, evidence.shift)
    fit = (evidence.shift * mean).sum(axis=-1)
    log = -0.5 * (
        evidence.count * np.log(2 * np.pi) + evidence.log_det + evidence.square - fit + log_det - prior_log_det
    )
    return np.asarray(log, dtype=np.float64), mean, precision


def solved(matrix: Array, right: Array) -> tuple[Array, Array]:
    """Solve (..., p, p) systems of positive determinant for (..., p) right sides: the solutions, and log |matrix|.

    Most groups have two fixed terms; thousands of two-by-two systems are quicker by hand than one at a time.
    """
    if matrix.shape[-1] != 2:
        return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0], dtype=np.float64), log_det_of(matrix)
    a, b, c, d = matrix[..., 0, 0], matrix[..., 0, 1], matrix[..., 1, 0], matrix[..., 1, 1]
    det = a * d - b * c
    x, y = right[..., 0], right[..., 1]
    return np.stack([(d * x - b * y) / det, (a * y - c * x) / det], axis=-1), np.log(det)


def inverted(matrix: Array) -> Array:
    """Invert (..., p, p) matrices of positive determinant."""
    if matrix.shape[-1] != 2:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    out = np.empty_like(matrix)
    out[..., 0, 0], out[..., 1, 1] = matrix[..., 1, 1], matrix[..., 0, 0]
    out[..., 0, 1], out[..., 1, 0] = -matrix[..., 0, 1], -matrix[..., 1, 0]
    out /= (matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0])[..., None, None]
    return out


def log_det_of(matrix: Array) -> Array:
    """Log determinant of (..., p, p) matrices that have a positive one."""
    if matrix.shape[-1] == 2:
        det = matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0]
        return np.asarray(np.log(det), dtype=np.float64)
    return np.asarray(np.linalg.slogdet(matrix)[1], dtype=np.float64)


def log_prior(spreads: Array) -> Array:
    """Log density of the weak prior of the spreads."""
    log_scatter, log_ratio, log_level, log_slope, z = spreads.T
    total = -0.5 * ((log_scatter - _LOG_SCATTER[0]) / _LOG_SCATTER[1]) ** 2
    total = total - 0.5 * ((log_ratio - _LOG_RATIO[0]) / _LOG_RATIO[1]) ** 2
    total = total - 0.5 * ((log_slope - _LOG_SLOPE[0]) / _LOG_SLOPE[1]) ** 2
    outside = np.maximum(_BOX[0] - spreads, 0) + np.maximum(spreads - _BOX[1], 0)
    total = total - 10 * (outside**2).sum(axis=1) - 0.5 * (z / _CORRELATION_SD) ** 2
    level = np.exp(np.clip(log_level, -30, 30))
    total = total + log_level - 0.5 * (_LEVEL_DF + 1) * np.log1p(level**2 / _LEVEL_DF)
    return np.asarray(total, dtype=np.float64)


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

    def score(spreads: Array) -> Array:
        spreads = np.clip(spreads, *_BOX)  # the prior speaks against what lies outside
        sums = line_evidence(spreads, gram.gram, gram.log_det, gram.count, design)
        return log_marginal(sums, prior_precision)[0]

    def log_posterior(spreads: Array) -> Array:
        return np.asarray(score(spreads) + log_prior(spreads), dtype=np.float64)

    centre, covariance = (
        _top(log_posterior, _start(gram)) if near is None else (near.spreads.mean(axis=0), np.cov(near.spreads.T))
    )
    places, points, values = [], [], []
    last = False
    while True:
        places.append((centre, _root(covariance)))
        points.append(_proposed(*places[-1], draws if last else _TRIALS, rng))
        values.append(log_posterior(points[-1]))
        kept = slice(max(len(points) - _KEPT, 0), None)
        cloud = np.vstack(points[kept])
        logs = np.concatenate(values[kept]) - _mixture(cloud, places[kept], [len(p) for p in points[kept]])
        top = logs.max()
        weight = np.exp(logs - top)
        effective = float(weight.sum() ** 2 / (weight**2).sum())
        if last:
            break
        last = effective > _ENOUGH * weight.size or len(points) == _ROUNDS
        tempered = _tempered(logs)
        centre = tempered @ cloud
        away = cloud - centre
        covariance = (away * tempered[:, None]).T @ away
    log_evidence = float(top + np.log(weight.mean()))
    weight /= weight.sum()
    kept_spreads = np.clip(cloud, *_BOX)[_systematic(weight, draws, rng)]
    sums = line_evidence(kept_spreads, gram.gram, gram.log_det, gram.count, design)
    _, mean, precision = log_marginal(sums, prior_precision)
    return LineDraws(
        kept_spreads,
        mean,
        inverted(precision),
        log_evidence,
        effective,
    )


def _top(log_posterior: Callable[[Array], Array], start: Array) -> tuple[Array, Array]:
    """Where the posterior is highest, and the covariance its curvature there tells.

    With a thousand readings the posterior is a fiftieth as wide as what is known beforehand: proposals that do not
    start at its top never find it. Where it is flat (a spread that may as well be none) a stated width stands in.
    """
    from scipy.optimize import minimize

    eye = _DIFFERENCE * np.eye(SPREADS)

    def climb(x: Array) -> tuple[float, Array]:
        values = log_posterior(np.vstack([x, x + eye, x - eye]))
        slope = (values[1 : SPREADS + 1] - values[SPREADS + 1 :]) / (2 * _DIFFERENCE)
        return -float(values[0]), -slope

    found = minimize(climb, start, jac=True, method="BFGS", options={"maxiter": 40, "gtol": 0.05})
    top = np.clip(np.asarray(found.x, dtype=np.float64), *_BOX)
    pairs = [(i, j) for i in range(SPREADS) for j in range(i, SPREADS)]
    corners = np.vstack([top + a * eye[i] + b * eye[j] for i, j in pairs for a, b in _CORNERS])
    values = log_posterior(corners).reshape(len(pairs), len(_CORNERS))
    bend = (values[:, 0] - values[:, 1] - values[:, 2] + values[:, 3]) / (4 * _DIFFERENCE**2)
    curvature = np.zeros((SPREADS, SPREADS))
    for (i, j), b in zip(pairs, bend, strict=True):
        curvature[i, j] = curvature[j, i] = -b
    size, direction = np.linalg.eigh(curvature)
    return top, np.asarray((direction / np.maximum(size, 1 / _WIDEST**2)) @ direction.T, dtype=np.float64)


def _start(gram: PathGram) -> Array:
    """Spreads as each unit's own straight line shows them."""
    middle = RATIO_GRID.size // 3
    table = gram.gram[middle]
    square = table[:, :2, :2] + 1e-6 * np.eye(2)
    lines = np.linalg.solve(square, table[:, :2, -1:])[..., 0]
    left = np.maximum(table[:, -1, -1] - (table[:, :2, -1] * lines).sum(axis=1), 0).sum()
    scatter = 0.5 * np.log(
        left / max(gram.count.sum() - 2 * gram.count.size, 1) * (1 + _STEP * RATIO_GRID[middle]) + 1e-8
    )
    level, slope = np.log(lines.std(axis=0) + np.array([0.03, 0.1]))
    start = np.array([scatter, _LOG_GRID[middle], level, slope, 0.0])
    return np.asarray(np.clip(start, *_BOX), dtype=np.float64)


def _root(covariance: Array) -> Array:
    """Root of a covariance made a little wider."""
    return np.asarray(np.linalg.cholesky(covariance * 1.6 + 1e-3 * np.eye(SPREADS)), dtype=np.float64)


def _proposed(centre: Array, root: Array, size: int, rng: np.random.Generator) -> Array:
    """Student-t draws about a centre."""
    stretch = np.sqrt(_PROPOSAL_DF / rng.chisquare(_PROPOSAL_DF, size))
    return np.asarray(centre + (rng.standard_normal((size, SPREADS)) * stretch[:, None]) @ root.T, dtype=np.float64)


def _mixture(points: Array, places: list[tuple[Array, Array]], sizes: list[int]) -> Array:
    """Log density of all the proposals together, each weighted by the points it gave."""
    constant = lgamma((_PROPOSAL_DF + SPREADS) / 2) - lgamma(_PROPOSAL_DF / 2) - 0.5 * SPREADS * log(_PROPOSAL_DF * pi)
    logs = []
    for (centre, root), size in zip(places, sizes, strict=True):
        z = np.linalg.inv(root) @ (points - centre).T
        log_root = float(np.log(np.diag(root)).sum())
        far = 0.5 * (_PROPOSAL_DF + SPREADS) * np.log1p((z**2).sum(axis=0) / _PROPOSAL_DF)
        logs.append(constant - log_root - far + log(size / sum(sizes)))
    table = np.array(logs)
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


def _systematic(weight: Array, size: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Systematic resampling, then shuffled."""
    edges = np.cumsum(weight)
    places = (np.arange(size) + rng.random()) / size * edges[-1]
    return rng.permutation(np.minimum(np.searchsorted(edges, places), weight.size - 1)).astype(np.int64)
