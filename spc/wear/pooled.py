"""Wear paths of many cycles pooled: what a group of laps has in common, for every shape that its readings allow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_gram import PathGram, path_gram
from spc.wear.path_posterior import LineDraws, draw_lines
from spc.wear.path_reading import columns_of, first_working, refined_working
from spc.wear.path_scale import PathScale, PathStack, fit_scale, stack_paths, unzeroed
from spc.wear.path_shape import SHAPES, Shape
from spc.wear.shape_score import left_out_scores, shape_shares
from spc.wear.unit_tails import TAILS, new_unit_draws, tail_shares, unit_scales
from spc.wear.wear_path import WearPath, taken, thinned

__all__ = ["PooledShape", "PooledWear", "fit_alone", "fit_pooled", "until_limit"]

Array = NDArray[np.float64]

_FEW = 200  # draws of a first fit
_HOPELESS = 7.0  # log score behind the best after the first fit, beyond which a shape is not fitted again
_LEAST_SHARE = 0.01  # shapes with less take no part in a forecast
_TAILS_LEAST = 4  # past cycles from which on one that strays can be told from many
_ALONE_LEAST = 6  # readings of its own that a cycle without past cycles needs
_ALONE_SHAPES = ("linear", "square root", "square")  # one path cannot tell its shape: all three take part


@dataclass(frozen=True, slots=True)
class PooledShape:
    """One shape fitted to the group."""

    scale: PathScale
    lines: LineDraws
    share: float  # of the forecast, 0 to 1, by predictive score over left-out units
    score: float  # log predictive density of a left-out unit, mean over the units, in the readings' unit
    with_covariates: bool
    log_scales: Array  # (K, 2) how far new units stray from the group, see `unit_tails`; empty = not at all

    @property
    def name(self) -> str:
        """The shape in short words."""
        relative = ", relative to the limit" if self.scale.relative else ""
        return self.scale.shape.name + relative + (", with covariates" if self.with_covariates else "")


@dataclass(frozen=True, slots=True)
class PooledWear:
    """What past cycles of a group say; made once and used for every forecast of the group."""

    shapes: tuple[PooledShape, ...]  # greatest share first; shares add to 1
    past: tuple[WearPath, ...]  # the cycles used
    left_out: tuple[str, ...]  # cycles not used, and why
    refused: str  # why nothing could be pooled, '' if it could
    alone: bool = False  # True: no past cycles, the spreads come from the very cycle to be forecast


def fit_pooled(
    past: Sequence[WearPath],
    *,
    limit: float = float("nan"),
    shapes: Sequence[Shape] = SHAPES,
    draws: int = 500,
    rng: np.random.Generator,
) -> PooledWear:
    """Fit every shape to the past cycles and give each its share by how well it foresees cycles left out.

    Parameters
    ----------
    past : sequence of WearPath
        Past cycles of the group. A path needs readings at two ages or more.
    limit : float, optional
        Where each path is cut, see `until_limit`. NaN = each path's own limit.
    shapes : sequence of Shape
    draws : int
        Draws of the spreads kept for each shape.
    rng : numpy.random.Generator

    Notes
    -----
    Readings, offsets of parts, covariates and limits that differ between units (the reading then also taken as a share
    of its limit) are treated in `path_scale`; the spreads are drawn in `path_posterior`. A path cut off because its
    readings reached the limit needs no correction (the cut depends on readings that are in the fit); one cut off for
    what a person saw and did not log does.
    """
    cut = [thinned(until_limit(p, p.limit if np.isnan(limit) else limit)) for p in past]
    used = tuple(p for p in cut if p.age.size >= 2 and np.ptp(p.age) > 0)
    left_out = tuple(f"{p.label}: readings at fewer than two ages" for p in cut if p.age.size < 2 or not np.ptp(p.age))
    if not used:
        return PooledWear((), used, left_out, "no past cycle with readings at two ages")
    limits = np.array([p.limit for p in used])
    by_limit = bool(np.isfinite(limits).all() and (limits > 0).all() and np.ptp(limits) > 0)
    by_covariates = bool(used[0].covariates) and len(used) >= 3
    first = []
    for shape in shapes:
        for relative in (False, True)[: 1 + by_limit]:
            for with_covariates in (False, True)[: 1 + by_covariates]:
                scale = fit_scale(used, shape, relative=relative, with_covariates=with_covariates)
                if isinstance(scale, str) or (with_covariates and not any(scale.covariate_range)):
                    continue
                first.append(_first_fit(used, scale, with_covariates, rng))
    if not first:
        return PooledWear((), used, left_out, "no shape fits these readings")
    best = max(float(f.score.sum()) for f in first)
    kept = [_second_fit(used, f, draws, rng) for f in first if float(f.score.sum()) > best - _HOPELESS]
    straight = [f.scale.shape.straight for f in first]
    shares = shape_shares(
        np.array([f.score for f in kept]),
        np.array([f.scale.shape.straight for f in kept]),
        (sum(straight), len(straight) - sum(straight)),
    )
    fitted = [PooledShape(f.scale, f.lines, 0.0, float(f.score.mean()), f.with_covariates, f.log_scales) for f in kept]
    return PooledWear(_shared(fitted, shares), used, left_out, "")


def fit_alone(own: WearPath, *, draws: int = 500, rng: np.random.Generator) -> PooledWear:
    """Draw the spreads from one cycle only, for a lap that has no past cycle: wide, as it must be.

    Several shapes take part with equal shares, since one path cannot tell its shape.
    """
    if own.age.size < _ALONE_LEAST or not np.ptp(own.age):
        own_words = {0: "no reading", 1: "1 reading"}.get(own.age.size, f"{own.age.size} readings")
        why = f"no past cycle to borrow from, and {own_words} of its own where {_ALONE_LEAST} are needed"
        return PooledWear((), (), (), why, alone=True)
    fitted, own = [], thinned(own)
    for shape in SHAPES:
        if shape.name in _ALONE_SHAPES:
            scale = fit_scale([own], shape, relative=False, with_covariates=False)
            if isinstance(scale, str):
                continue
            lines = _second_fit([own], _first_fit([own], scale, False, rng), draws, rng).lines
            prior = scale.prior_precision()
            unread = replace(
                lines, mean=np.zeros_like(lines.mean), covariance=np.tile(np.diag(1 / prior), (draws, 1, 1))
            )
            fitted.append(PooledShape(scale, unread, 1 / len(_ALONE_SHAPES), float("nan"), False, np.empty((0, 2))))
    return PooledWear(tuple(fitted), (), (), "", alone=True)


def until_limit(path: WearPath, limit: float) -> WearPath:
    """Cut the path after the first two readings in a row at or over the limit.

    The rest says nothing about the crossing; one reading alone may be there by its error.
    """
    over = path.low >= limit
    twice = np.flatnonzero(over[1:] & over[:-1])
    if not twice.size:
        return path
    return taken(path, slice(None, int(twice[0]) + 2))


def _shared(fitted: Sequence[PooledShape], shares: Array) -> tuple[PooledShape, ...]:
    shares = np.where(shares >= _LEAST_SHARE, shares, 0.0)
    shares = shares / shares.sum()
    order = np.argsort(-shares, kind="stable")
    return tuple(replace(fitted[i], share=float(shares[i])) for i in order if shares[i] > 0)


def _log_slope(path: WearPath, scale: PathScale) -> float:
    path = unzeroed(path, scale.zeroed_at, scale.zeroed_value)
    middle = (path.low + np.where(np.isfinite(path.high), path.high, path.low)) / 2
    return float(scale.log_slope(np.maximum(middle, 1e-300), path.limit).sum())


@dataclass(frozen=True, slots=True)
class _Fit:
    scale: PathScale
    stack: PathStack
    working: Array
    multiplier: Array
    lines: LineDraws
    gram: PathGram
    score: Array  # (U,)
    log_slopes: Array  # (U,) that carry a score to the readings' unit
    with_covariates: bool
    log_scales: Array


def _first_fit(paths: Sequence[WearPath], scale: PathScale, with_covariates: bool, rng: np.random.Generator) -> _Fit:
    """Fit one shape to the middles of the readings with few draws, enough to tell the hopeless shapes."""
    stack = stack_paths(paths, scale)
    working, multiplier = first_working(stack)
    gram = path_gram(stack.age_scaled, columns_of(stack, working, len(scale.parts)), multiplier, stack.count)
    lines = draw_lines(gram, stack.design, scale.prior_precision(), draws=_FEW, rng=rng)
    slopes = np.array([_log_slope(p, scale) for p in paths])
    score = left_out_scores(lines, gram, stack.design, scale.prior_precision())[0] + slopes
    return _Fit(scale, stack, working, multiplier, lines, gram, score, slopes, with_covariates, np.empty((0, 2)))


def _second_fit(paths: Sequence[WearPath], fit: _Fit, draws: int, rng: np.random.Generator) -> _Fit:
    """Fit again to the readings as intervals, outliers weighed down, with all draws."""
    scale, stack, parts = fit.scale, fit.stack, len(fit.scale.parts)
    refined = refined_working(stack, fit.working, fit.multiplier, fit.lines, parts)
    gram = fit.gram
    if refined is not None:
        working, multiplier = refined
        gram = path_gram(stack.age_scaled, columns_of(stack, working, parts), multiplier, stack.count)
    lines = draw_lines(gram, stack.design, scale.prior_precision(), draws=draws, near=fit.lines, rng=rng)
    scales = [unit_scales(tail, draws, rng) for tail in TAILS[1:]] if len(paths) >= _TAILS_LEAST else []
    scores = left_out_scores(lines, gram, stack.design, scale.prior_precision(), scales) + fit.log_slopes
    if not scales:
        return replace(fit, lines=lines, score=scores[0])
    shares, score = tail_shares(scores)
    return replace(fit, lines=lines, score=score, log_scales=new_unit_draws(lines, shares, rng))
