"""Which shape foresees best: the whole path of each unit from the other units alone."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import UnitEvidence, line_evidence, log_marginal, solved, sums_at
from spc.wear.path_gram import PathGram
from spc.wear.path_posterior import LineDraws
from spc.wear.unit_tails import scale_spreads

__all__ = ["given_density", "left_out_scores", "shape_shares"]

Array = NDArray[np.float64]


def left_out_scores(
    lines: LineDraws, gram: PathGram, design: Array, prior_precision: Array, log_scales: Sequence[Array] = ()
) -> Array:
    """Log predictive density of each unit's readings, the unit itself left out of the pool; (1 + tails, U).

    Parameters
    ----------
    lines, gram, design, prior_precision : as in `draw_lines`
    log_scales : sequence of (S, 2)
        Scales of a unit's own (`unit_tails.unit_scales`), one set for each further row of the answer.

    Notes
    -----
    The fixed terms are left out exactly. The left-out posterior of the spreads is had by weighting their draws with the
    inverse of the unit's own density (importance sampling, weights cut at the root of their number times their mean).

    References
    ----------
    Vehtari, Gelman and Gabry (2017), Practical Bayesian model evaluation using leave-one-out cross-validation,
    Statistics and Computing 27; cut weights: Ionides (2008), J. Computational and Graphical Statistics 17.
    """
    sums = sums_at(gram, lines.spreads[:, 1])  # the scales of a unit leave the ratio as it is
    each = line_evidence(lines.spreads, gram, design, each=True, sums=sums)
    total = each.precision.sum(axis=1) + np.diag(prior_precision)
    total_shift = each.shift.sum(axis=1)
    prior = total[:, None] - each.precision
    mean = solved(prior, total_shift[:, None] - each.shift)[0]
    own = _given(each, prior, mean)
    top = (-own).max(axis=0)
    weight = np.exp(-own - top)
    weight = np.minimum(weight, weight.mean(axis=0) * np.sqrt(weight.shape[0]))
    scores = [-(top + np.log(weight.mean(axis=0)))]
    for scales in log_scales:
        wide = line_evidence(scale_spreads(lines.spreads, scales), gram, design, each=True, sums=sums)
        log = _given(wide, prior, mean)
        most = log.max(axis=0)
        scores.append(most + np.log((weight * np.exp(log - most)).sum(axis=0) / weight.sum(axis=0)))
    return np.array(scores, dtype=np.float64)


def given_density(lines: LineDraws, gram: PathGram, design: Array) -> Array:
    """Log density of one new unit's readings under each draw; (S,).

    Out of the covariance C of the fixed terms: with information E on them, |E + 1/C| |C| = |1 + C E|.
    """
    evidence = line_evidence(lines.spreads, gram, design, each=True)
    about = _centred(evidence, lines.mean[:, None])
    shift, spread = about.shift[:, 0], lines.covariance
    both = np.eye(shift.shape[-1]) + spread @ about.precision[:, 0]
    taken, log_det = solved(both, np.einsum("spq,sq->sp", spread, shift))
    fit = (shift * taken).sum(axis=-1)
    rest = about.count * np.log(2 * np.pi) + about.log_det[:, 0] + about.square[:, 0]
    return np.asarray(-0.5 * (rest - fit + log_det), dtype=np.float64)


def _given(evidence: UnitEvidence, prior: Array, mean: Array) -> Array:
    """Log density of each unit's readings, its fixed terms normal with this precision and mean; (S, U)."""
    return log_marginal(_centred(evidence, mean), prior)[0]


def _centred(evidence: UnitEvidence, mean: Array) -> UnitEvidence:
    """Evidence of each unit on what its fixed terms are beside a mean of theirs, (S, U, p)."""
    known = (evidence.precision * mean[..., None]).sum(axis=-2)  # the precision is symmetric
    square = evidence.square - 2 * (evidence.shift * mean).sum(axis=-1) + (known * mean).sum(axis=-1)
    return UnitEvidence(evidence.precision, evidence.shift - known, square, evidence.log_det, evidence.count)


def shape_shares(scores: Array, straight: NDArray[np.bool_], tried: tuple[int, int]) -> Array:
    """Share of each fit from its log score summed over the units, (fits, units), and how likely it was before.

    Before any reading one half goes to the straight line (removal in proportion to the way rubbed, Preston 1927) and
    one half to all other shapes: a bend must be shown by the readings.

    Parameters
    ----------
    scores : (fits, units)
    straight : (fits,)
        Whether a fit is a straight line in age.
    tried : tuple of int
        Fits that were tried with the straight line, and with any other shape.
    """
    total = scores.sum(axis=1) - np.log(np.maximum(np.where(straight, *tried), 1))
    share = np.exp(total - total.max())
    return np.asarray(share / share.sum(), dtype=np.float64)
