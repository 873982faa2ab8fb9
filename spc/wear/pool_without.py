"""What a pool would say without one of its cycles: its draws weighed anew, nothing drawn again."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import inverted, unit_evidence
from spc.wear.path_gram import PathGram
from spc.wear.path_posterior import LineDraws, picked_evenly
from spc.wear.path_scale import PathScale
from spc.wear.pooled import PooledWear, UnitsTold, shared_out
from spc.wear.shape_score import leave_out
from spc.wear.usual_course import LEAST_CYCLES, course_on, usual_course
from spc.wear.wear_path import WearPath

__all__ = ["pool_without"]

Array = NDArray[np.float64]

_LEAST_OTHERS = 4  # cycles that stay in, below which one that leaves moves the rest too far; our own rule
_LEAST_EFFECTIVE = 50.0  # draws that still count, of the shape where they are fewest; our own rule


def pool_without(pooled: PooledWear, *, rng: np.random.Generator) -> tuple[PooledWear | None, ...]:
    """Take each cycle out of a pool in turn.

    Parameters
    ----------
    pooled : PooledWear
        From `fit_pooled`.
    rng : numpy.random.Generator

    Returns
    -------
    tuple of PooledWear or None
        One for each of `pooled.past`. None where too few draws would count: fit the others anew.

    Raises
    ------
    ValueError
        If a shape of the pool is not of past cycles.

    Notes
    -----
    The mean line is left out exactly, given the spreads; these are drawn again from the draws at hand, weighed with the
    inverse of the density of what leaves. The shares of the shapes are those of the scores of the cycles that stay. The
    scale of each shape, weights of outliers and tails stay those of the whole pool; the course that cycles have in
    common, where it is one of the shapes, is that of the cycles that stay.

    References
    ----------
    Vehtari, Gelman and Gabry (2017), Practical Bayesian model evaluation using leave-one-out cross-validation,
    Statistics and Computing 27: leave out by weights, fit anew where these fail.
    """
    told = [shape.units for shape in pooled.shapes if shape.units is not None]
    if len(told) < len(pooled.shapes):
        raise ValueError("`pooled` must come from `fit_pooled` of past cycles, got one with shapes of its own")
    if len(pooled.past) <= _LEAST_OTHERS:
        return (None,) * len(pooled.past)
    lines = [_lines_without(shape.lines, units, rng) for shape, units in zip(pooled.shapes, told, strict=True)]
    weighed = np.array([units.weighed for units in told])
    return tuple(
        _one_out(pooled, [of_shape[unit] for of_shape in lines], weighed[:, unit], unit)
        for unit in range(len(pooled.past))
    )


def _one_out(pooled: PooledWear, lines: list[LineDraws], weighed: Array, unit: int) -> PooledWear | None:
    """Put together what is left when one unit, with these scores, is taken out of every shape."""
    if min(of_shape.effective for of_shape in lines) < _LEAST_EFFECTIVE:
        return None
    log_share = np.log([shape.share for shape in pooled.shapes]) - weighed
    share = np.exp(log_share - log_share.max())
    past = tuple(path for at, path in enumerate(pooled.past) if at != unit)
    shapes = []
    for shape, drawn in zip(pooled.shapes, lines, strict=True):
        scale = _of_others(shape.scale, past, pooled.past)
        if scale is None:
            return None
        shapes.append(replace(shape, scale=scale, lines=drawn))
    return replace(pooled, shapes=shared_out(shapes, share / share.sum()), past=past)


def _of_others(scale: PathScale, others: Sequence[WearPath], past: Sequence[WearPath]) -> PathScale | None:
    """Scale of a shape without the cycle that leaves: the course that cycles have in common is that of the others."""
    if not scale.shape.course:
        return scale
    course = usual_course(others, relative=scale.relative, least=LEAST_CYCLES - 1)
    return None if course is None else course_on(scale, course, max(float(path.age[-1]) for path in past))


def _lines_without(lines: LineDraws, units: UnitsTold, rng: np.random.Generator) -> list[LineDraws]:
    """Draws of one shape without each unit in turn, and how many of them count."""
    gram, design = units.gram, units.design
    weight = leave_out(lines, gram, design).weight
    precision = inverted(lines.covariance)
    shift = np.einsum("spq,sq->sp", precision, lines.mean)
    out = []
    for unit, columns in enumerate(design):
        share = weight[:, unit] / weight[:, unit].sum()
        picked = picked_evenly(share, len(share), rng)
        told = unit_evidence(lines.spreads[picked], _of_unit(gram, unit))
        covariance = inverted(precision[picked] - columns.T @ told.precision[:, 0] @ columns)
        mean = np.einsum("spq,sq->sp", covariance, shift[picked] - told.shift[:, 0] @ columns)
        effective = float(1 / (share**2).sum())
        out.append(LineDraws(lines.spreads[picked], mean, covariance, effective))
    return out


def _of_unit(gram: PathGram, unit: int) -> PathGram:
    one = slice(unit, unit + 1)
    return PathGram(
        gram.gram[:, one], gram.log_det[:, one], gram.count[one], gram.state[:, one], gram.state_variance[:, one],
        gram.table[:, one],
    )  # fmt: skip
