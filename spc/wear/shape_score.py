"""Which shape foresees best: the later half of each unit from its earlier half and the other units."""

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_gram import PathGram
from spc.wear.path_posterior import LineDraws, UnitEvidence, line_evidence, log_marginal

__all__ = ["given_density", "late_scores", "shape_weights"]

Array = NDArray[np.float64]


def late_scores(lines: LineDraws, gram: PathGram, design: Array, prior_precision: Array) -> Array:
    """Log predictive density of each unit's later half, the unit itself left out of the pool; (U,).

    Notes
    -----
    The left-out posterior of the spreads is had by weighting the draws with the inverse of the unit's own density
    (importance sampling, weights capped); the fixed terms are left out exactly.

    References
    ----------
    Vehtari, Gelman and Gabry (2017), Practical Bayesian model evaluation using leave-one-out cross-validation.
    """
    spreads = lines.spreads
    full = line_evidence(spreads, gram.gram, gram.log_det, gram.count, design, each=True)
    early = line_evidence(spreads, gram.early_gram, gram.early_log_det, gram.early_count, design, each=True)
    total = full.precision.sum(axis=1)
    total_shift = full.shift.sum(axis=1)
    units = design.shape[0]
    out = np.empty(units)
    for u in range(units):
        prior_u = total - full.precision[:, u] + np.diag(prior_precision)
        mean_u = np.linalg.solve(prior_u, (total_shift - full.shift[:, u])[..., None])[..., 0]
        whole = _given(full, u, prior_u, mean_u)
        first = _given(early, u, prior_u, mean_u)
        weight = -whole
        weight = np.exp(weight - weight.max())
        weight = np.minimum(weight, weight.mean() * np.sqrt(weight.size))
        weight /= weight.sum()
        top = first.max()
        out[u] = _log_mean(whole, weight) - top - np.log(np.sum(weight * np.exp(first - top)))
    return out


def given_density(lines: LineDraws, gram: PathGram, design: Array) -> Array:
    """Log density of one new unit's readings under each draw; (S,)."""
    evidence = line_evidence(lines.spreads, gram.gram, gram.log_det, gram.count, design, each=True)
    return _given(evidence, 0, np.asarray(np.linalg.inv(lines.covariance), dtype=np.float64), lines.mean)


def _given(evidence: UnitEvidence, u: int, prior: Array, mean: Array) -> Array:
    """Log density of one unit's readings, fixed terms normal with this mean and precision."""
    precision, shift = evidence.precision[:, u], evidence.shift[:, u]
    centred_shift = shift - np.einsum("spq,sq->sp", precision, mean)
    square = evidence.square[:, u] - 2 * (shift * mean).sum(axis=1) + np.einsum("sp,spq,sq->s", mean, precision, mean)
    one = UnitEvidence(precision, centred_shift, square, evidence.log_det[:, u], evidence.count[u])
    return log_marginal(one, prior)[0]


def _log_mean(logs: Array, weight: Array) -> float:
    top = logs.max()
    return float(top + np.log(np.sum(weight * np.exp(logs - top))))


def shape_weights(scores: Array, *, rng: np.random.Generator, resamples: int = 500) -> Array:
    """Share of each shape: softmax of its total score, averaged over a Bayesian bootstrap of the units.

    Parameters
    ----------
    scores : (shapes, units)

    References
    ----------
    Yao, Vehtari, Simpson and Gelman (2018), Using stacking to average Bayesian predictive distributions, section 3.4.
    """
    units = scores.shape[1]
    shares = rng.dirichlet(np.ones(units), resamples) * units  # (B, units)
    totals = shares @ scores.T
    weight = np.exp(totals - totals.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(weight.mean(axis=0), dtype=np.float64)
