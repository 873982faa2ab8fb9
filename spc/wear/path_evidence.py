"""What readings say of a group's fixed terms under given spreads: each unit's own line and wandering integrated out.

The sums of `path_gram` stand for a grid of wandering ratios; between its points they are interpolated. Everything here
is done for many draws of the spreads at once.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_gram import RATIO_GRID, PathGram

__all__ = [
    "STEP",
    "UnitEvidence",
    "error_variance_of",
    "interpolated",
    "inverted",
    "is_identity",
    "line_evidence",
    "log_det_of",
    "log_marginal",
    "solved",
    "sums_at",
    "unit_evidence",
]

Array = NDArray[np.float64]

STEP = 0.1  # of scaled age: the scatter is that of the error and of the wandering over one such step
_LOG_GRID = np.log(RATIO_GRID)


@dataclass(frozen=True, slots=True)
class UnitEvidence:
    """Sums of one or more units for S draws of the spreads; p fixed terms."""

    precision: Array  # (S, p, p) information on the fixed terms
    shift: Array  # (S, p)
    square: Array  # (S,) y' V^-1 y
    log_det: Array  # (S,) log |V|
    count: NDArray[np.int64]  # readings


def interpolated(table: Array, log_ratio: Array) -> Array:
    """Values of a table over the ratio grid, (R, ...), at S log ratios: (S, ...); a cubic through the four nearest.

    Straight lines between the grid's points would put a false top of the likelihood on each of them.
    """
    flat = _grid_shares(log_ratio) @ table.reshape(_LOG_GRID.size, -1)
    return np.asarray(flat.reshape(log_ratio.shape + table.shape[1:]), dtype=np.float64)


def _grid_shares(log_ratio: Array) -> Array:
    """Share of each of the R points of the ratio grid in a value at S log ratios; (S, R), four of a row not 0."""
    place = (log_ratio - _LOG_GRID[0]) / (_LOG_GRID[1] - _LOG_GRID[0])
    place = np.minimum(np.maximum(place, 0), _LOG_GRID.size - 1 - 1e-9)
    first = np.minimum(np.maximum(place.astype(np.int64) - 1, 0), _LOG_GRID.size - 4)
    t = place - first  # 0 to 3 within the four points
    shares = np.zeros((log_ratio.size, _LOG_GRID.size))
    at = np.arange(log_ratio.size) * _LOG_GRID.size + first
    flat, low, high = shares.reshape(-1), t * (t - 1), (t - 2) * (t - 3)
    flat[at] = (1 - t) * high / 6
    flat[at + 1] = t * high / 2
    flat[at + 2] = low * (3 - t) / 2
    flat[at + 3] = low * (t - 2) / 6
    return shares


def sums_at(gram: PathGram, log_ratio: Array) -> Array:
    """Rows of a gram's table at S log ratios, (rows, U, S): they do not depend on the other spreads."""
    rows, units, ratios = gram.table.shape
    flat = gram.table.reshape(rows * units, ratios) @ _grid_shares(log_ratio).T
    return np.asarray(flat.reshape(rows, units, log_ratio.size), dtype=np.float64)


def error_variance_of(spreads: Array) -> Array:
    """Variance of the error of one reading, (S,); the wandering's is exp(spreads[:, 1]) times it per scaled age."""
    return np.asarray(np.exp(2 * spreads[:, 0]) / (1 + STEP * np.exp(spreads[:, 1])), dtype=np.float64)


def line_evidence(spreads: Array, gram: PathGram, design: Array) -> UnitEvidence:
    """Information of all units together on the fixed terms, line by line integrated out.

    Parameters
    ----------
    spreads : (S, 5)
    gram : PathGram
    design : (U, C - 1, p)
        Fixed terms of each unit's columns: its two line columns through the covariates, then its parts.
    """
    h, logs = _line_products(spreads, gram, sums_at(gram, spreads[:, 1]))
    pairs, fixed = _pairs(gram.gram.shape[-1]), gram.gram.shape[-1] - 1
    if is_identity(design):
        total = h.sum(axis=1)
        precision, shift = np.moveaxis(total[pairs[:fixed, :fixed]], -1, 0), total[pairs[:fixed, fixed]].T
    else:
        precision = np.einsum("ijus,uip,ujq->spq", h[pairs[:fixed, :fixed]], design, design, optimize=True)
        shift = np.einsum("ius,uip->sp", h[pairs[:fixed, fixed]], design, optimize=True)
    return UnitEvidence(precision, shift, h[-1].sum(axis=0), logs.sum(axis=0), gram.count.sum(keepdims=True))


def unit_evidence(spreads: Array, gram: PathGram, *, sums: Array | None = None) -> UnitEvidence:
    """Information of each unit on what it has in the mean: its line and its parts; arrays get a second axis of U.

    A unit tells of the fixed terms through these alone: to leave it out or to foresee it takes no more columns than it
    has, however many covariates there are.

    Parameters
    ----------
    spreads : (S, 5)
    gram : PathGram
    sums : (rows, U, S), optional
        `sums_at` the ratios of these spreads, where they are at hand.
    """
    h, logs = _line_products(spreads, gram, sums_at(gram, spreads[:, 1]) if sums is None else sums)
    pairs, fixed = _pairs(gram.gram.shape[-1]), gram.gram.shape[-1] - 1
    precision, shift = h[pairs[:fixed, :fixed]].transpose(3, 2, 0, 1), h[pairs[:fixed, fixed]].T
    return UnitEvidence(precision, shift, h[-1].T, logs.T, gram.count)


def _line_products(spreads: Array, gram: PathGram, g: Array) -> tuple[Array, Array]:
    """Products of each unit's columns with its line integrated out, (rows, U, S), and the log determinants, (U, S).

    With S the products of the two line columns and D the covariance of the units' lines, both over the error variance,
    products g of any columns become g - z' K z, where z are the products with the line columns and K = D (1 + S D)^-1;
    those with the line columns themselves become (1 + S D)^-1 z. Neither form cancels when D is large beside the error.
    Arrays are laid out with the draws last, so that each step runs over units and draws at once.
    """
    width = gram.gram.shape[-1]
    error_variance = error_variance_of(spreads)
    sd_level, sd_slope = np.exp(spreads[:, 2]), np.exp(spreads[:, 3])
    d11, d22 = sd_level**2 / error_variance, sd_slope**2 / error_variance
    d12 = np.tanh(spreads[:, 4]) * sd_level * sd_slope / error_variance
    det_spread = d11 * d22 / np.cosh(spreads[:, 4]) ** 2
    s11, s12, s22 = g[0], g[1], g[width]
    det_line = np.maximum(s11 * s22 - s12**2, 0)
    s12_d12 = s12 * d12
    one_s11, one_s22 = 1 + s11 * d11 + s12_d12, 1 + s22 * d22 + s12_d12
    det = one_s11 + one_s22 - 1 + det_line * det_spread
    z1, z2 = g[2:width], g[width + 1 : 2 * width - 1]  # beside the line: parts and the reading
    scale = 1 / error_variance
    h = np.empty_like(g[:-1])
    h[0], h[1], h[width] = s11 + det_line * d22, s12 - det_line * d12, s22 + det_line * d11
    h[2:width] = one_s22 * z1 - (s11 * d12 + s12 * d22) * z2
    h[width + 1 : 2 * width - 1] = one_s11 * z2 - (s12 * d11 + s22 * d12) * z1
    h[: 2 * width - 1] *= scale / det
    k11, k12, k22 = d11 + s22 * det_spread, d12 - s12 * det_spread, d22 + s11 * det_spread
    told1, told2 = (k11 * z1 + k12 * z2) / det, (k12 * z1 + k22 * z2) / det
    row = 2 * width - 1
    for i in range(width - 2):
        rest = slice(row, row + width - 2 - i)
        h[rest] = (g[rest] - told1[i] * z1[i:] - told2[i] * z2[i:]) * scale
        row = rest.stop
    logs = g[-1] + np.log(det) + gram.count[:, None] * np.log(error_variance)
    return h, logs


@cache
def _pairs(width: int) -> NDArray[np.int64]:
    """Row of a gram's table that holds each pair of columns; (C, C)."""
    pairs = np.zeros((width, width), dtype=np.int64)
    above = np.triu_indices(width)
    pairs[above] = pairs.T[above] = np.arange(above[0].size)
    return pairs


def is_identity(design: Array) -> bool:
    """Whether the fixed terms, (U, C - 1, p), are the columns of every unit themselves."""
    return design.shape[1] == design.shape[2] and bool((design == np.eye(design.shape[1])).all())


def log_marginal(evidence: UnitEvidence, prior_precision: Array) -> tuple[Array, Array, Array]:
    """Log density of the readings with the fixed terms integrated out, and their posterior mean and precision.

    `prior_precision` : (p,), (p, p) or (S, p, p); prior mean zero.
    """
    if prior_precision.ndim == 1:
        prior_precision = np.diag(prior_precision)
    prior_log_det = log_det_of(prior_precision)
    precision = evidence.precision + prior_precision
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
    out = np.empty_like(right)
    out[..., 0], out[..., 1] = d * x - b * y, a * y - c * x
    out /= det[..., None]
    return out, np.log(det)


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
