"""Which shape foresees best: the path of each unit from the other units alone, most as it nears its limit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import UnitEvidence, inverted, is_identity, log_marginal, solved, sums_at, unit_evidence
from spc.wear.path_gram import PathGram
from spc.wear.path_posterior import LineDraws
from spc.wear.unit_tails import scale_spreads

__all__ = ["LeftOut", "foreseen", "given_density", "leave_out", "shape_shares", "weighed_scores"]

Array = NDArray[np.float64]

# What a reading of the first half of the way counts, and a later one; one in the mean [our choice].
_EARLY, _LATER = 0.5, 1.5


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the other units say of each unit; S draws, U units, k columns of a unit: its line and its parts."""

    lines: LineDraws
    precision: Array  # (S, U, k, k) of what the unit has in the mean
    mean: Array  # (S, U, k)
    weight: Array  # (S, U) of the draws of the spreads
    score: Array  # (U,) log predictive density of all readings of the unit


def weighed_scores(whole: Array, first: Array, half_way: Array) -> Array:
    """Scores of whole paths, readings after half way to the limit counting more than those before; all (U,).

    A forecast goes on from readings at hand: a shape that only tells how a new lap beds in must not outweigh one that
    tells how it wears from there. What a reading counts rests on those before it alone, never on where its path ended:
    it ends because of what it read.

    Parameters
    ----------
    whole, first : (U,)
        Log predictive densities of all readings of a unit left out, and of those up to half way.
    half_way : (U,)
        Age of the last of these; inf = not reached, NaN = no limit is known, then all readings count one.

    References
    ----------
    Hu and Zidek (2002), The weighted likelihood, Canadian J. of Statistics 30(3): weights by relevance; Buerkner, Gabry
    and Vehtari (2020), Approximate leave-future-out cross-validation, J. Statistical Computation and Simulation 90(14):
    later readings scored given earlier ones.
    """
    weighed = _EARLY * first + _LATER * (whole - first)
    return np.where(np.isnan(half_way), whole, weighed)


def leave_out(lines: LineDraws, gram: PathGram, design: Array) -> LeftOut:
    """Leave each unit out of the pool in turn.

    Parameters
    ----------
    lines : LineDraws
        Of these very readings.
    gram, design : as in `draw_lines`

    Notes
    -----
    The fixed terms are left out exactly. The left-out posterior of the spreads is had by weighting their draws with the
    inverse of the unit's own density (importance sampling, weights cut at the root of their number times their mean).

    References
    ----------
    Vehtari, Gelman and Gabry (2017), Practical Bayesian model evaluation using leave-one-out cross-validation,
    Statistics and Computing 27; cut weights: Ionides (2008), J. Computational and Graphical Statistics 17.
    """
    each = unit_evidence(lines.spreads, gram)
    mean, covariance = _in_the_mean(lines, design)
    total = inverted(covariance)
    precision = total - each.precision
    shift = (total * mean[..., None, :]).sum(axis=-1) - each.shift
    mean = solved(precision, shift)[0]
    own = _given(each, precision, mean)
    top = (-own).max(axis=0)
    weight = np.exp(-own - top)
    weight = np.minimum(weight, weight.mean(axis=0) * np.sqrt(weight.shape[0]))
    return LeftOut(lines, precision, mean, weight, -(top + np.log(weight.mean(axis=0))))


def foreseen(left: LeftOut, gram: PathGram, log_scales: Array) -> Array:
    """Log predictive density of readings of each unit from the other units alone; (tails, U).

    Parameters
    ----------
    left : LeftOut
    gram : PathGram
        The same units; all their readings, or a first part of each.
    log_scales : (tails, S, 2)
        Scales of a unit's own (`unit_tails.unit_scales`), one set for each row of the answer; zero = the group's own.
    """
    sums = sums_at(gram, left.lines.spreads[:, 1])  # the scales of a unit leave the ratio as it is
    with np.errstate(divide="ignore"):
        log_weight = np.log(left.weight)
    scores = []
    for scales in log_scales:
        spreads = scale_spreads(left.lines.spreads, scales)
        evidence = unit_evidence(spreads, gram, sums=sums)
        log = _given(evidence, left.precision, left.mean) + log_weight  # the draw that fits best may weigh nothing
        most = log.max(axis=0)
        scores.append(most + np.log(np.exp(log - most).sum(axis=0) / left.weight.sum(axis=0)))
    return np.array(scores, dtype=np.float64)


def given_density(lines: LineDraws, gram: PathGram, design: Array) -> Array:
    """Log density of one new unit's readings under each draw; (S,).

    Out of the covariance C of what it has in the mean: with information E on that, |E + 1/C| |C| = |1 + C E|.
    """
    mean, covariance = _in_the_mean(lines, design)
    about = _centred(unit_evidence(lines.spreads, gram), mean)
    shift, spread = about.shift[:, 0], covariance[:, 0]
    both = np.eye(shift.shape[-1]) + spread @ about.precision[:, 0]
    taken, log_det = solved(both, np.einsum("spq,sq->sp", spread, shift))
    fit = (shift * taken).sum(axis=-1)
    rest = about.count * np.log(2 * np.pi) + about.log_det[:, 0] + about.square[:, 0]
    return np.asarray(-0.5 * (rest - fit + log_det), dtype=np.float64)


def _in_the_mean(lines: LineDraws, design: Array) -> tuple[Array, Array]:
    """Law of the columns of each unit as the fixed terms have them: mean (S, U, k) and covariance (S, U, k, k).

    Units of one design have it in common: their axis is then 1 long.
    """
    some = design[:1] if (design == design[0]).all() else design
    if is_identity(some):  # nothing but a line of its own: the usual case
        mean, covariance = lines.mean[:, None], lines.covariance[:, None]
    else:
        mean = (some @ lines.mean[:, None, :, None])[..., 0]
        covariance = some @ lines.covariance[:, None] @ some.swapaxes(-1, -2)
    return np.asfortranarray(mean), np.asfortranarray(covariance)  # the draws last in memory, as the evidence has them


def _given(evidence: UnitEvidence, prior: Array, mean: Array) -> Array:
    """Log density of each unit's readings, its columns in the mean normal with this precision and mean; (S, U)."""
    return log_marginal(_centred(evidence, mean), prior)[0]


def _centred(evidence: UnitEvidence, mean: Array) -> UnitEvidence:
    """Evidence of each unit on what its columns are beside a mean of theirs, (S, U, k)."""
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
