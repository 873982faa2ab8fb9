"""Wear paths of many cycles pooled: what a group of laps has in common, for every shape that its readings allow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_gram import PathGram, path_gram
from spc.wear.path_posterior import LineDraws, draw_lines
from spc.wear.path_reading import columns_of, first_working, refined_working
from spc.wear.path_scale import PathScale, fit_scale, stack_paths, unzeroed
from spc.wear.path_shape import SHAPES, Shape
from spc.wear.shape_score import late_scores, shape_weights
from spc.wear.wear_path import WearPath

__all__ = ["PooledShape", "PooledWear", "fit_pooled"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PooledShape:
    """One shape fitted to the group."""

    scale: PathScale
    draws: LineDraws
    weight: float  # share of the forecast, 0 to 1, by predictive score over left-out units
    score: float  # log score of the later halves, each unit left out; per unit
    with_covariates: bool

    @property
    def name(self) -> str:
        """The shape in short words."""
        return (
            self.scale.shape.name
            + (", relative to the limit" if self.scale.relative else "")
            + (", with covariates" if self.with_covariates else "")
        )


@dataclass(frozen=True, slots=True)
class PooledWear:
    """What past cycles of a group say; reused for every forecast of the group."""

    shapes: tuple[PooledShape, ...]  # best first
    past: tuple[WearPath, ...]  # the cycles used
    left_out: tuple[str, ...]  # cycles not used, and why
    refused: str  # why nothing could be pooled, '' if it could


def fit_pooled(
    past: Sequence[WearPath],
    *,
    limit: float = float("nan"),
    shapes: Sequence[Shape] = SHAPES,
    draws: int = 600,
    rng: np.random.Generator,
) -> PooledWear:
    """Fit every shape to the past cycles and weigh the shapes by how well they foresee cycles left out."""
    past = [_until_limit(p, p.limit if np.isnan(limit) else limit) for p in past]
    used = tuple(p for p in past if p.age.size >= 2 and np.ptp(p.age) > 0)
    left_out = tuple(f"{p.label}: fewer than two ages read" for p in past if p not in used)
    if not used:
        return PooledWear((), used, left_out, "no past cycle with readings at two ages")
    fitted: list[PooledShape] = []
    scores: list[Array] = []
    limits = np.array([p.limit for p in used])
    relatives = [False]
    if np.isfinite(limits).all() and (limits > 0).all() and np.ptp(limits) > 0:
        relatives.append(True)
    covariates = bool(used[0].covariates) and len(used) >= 3
    for shape in shapes:
        for relative in relatives:
            for with_covariates in (False, True) if covariates else (False,):
                scale = fit_scale(used, shape, relative=relative, with_covariates=with_covariates)
                if isinstance(scale, str) or (with_covariates and not any(scale.covariate_range)):
                    continue
                lines, gram, working = _fit_one(used, scale, draws=draws, rng=rng)
                stack = stack_paths(used, scale)
                jacobian = np.array([_late_log_slope(p, scale) for p in used])
                score = late_scores(lines, gram, stack.design, scale.prior_precision()) + jacobian
                fitted.append(PooledShape(scale, lines, 0.0, float(score.mean()), with_covariates))
                scores.append(score)
    if not fitted:
        return PooledWear((), used, left_out, "no shape fits these readings")
    weights = shape_weights(np.array(scores), rng=rng)
    order = np.argsort(-weights, kind="stable")
    chosen = tuple(
        PooledShape(fitted[i].scale, fitted[i].draws, float(weights[i]), fitted[i].score, fitted[i].with_covariates)
        for i in order
    )
    return PooledWear(chosen, used, left_out, "")


def _until_limit(path: WearPath, limit: float) -> WearPath:
    """Cut the path after its second reading at or over the limit: the rest says nothing about the crossing."""
    if not np.isfinite(limit):
        return path
    over = np.flatnonzero(path.low >= limit)
    end = int(over[1]) + 1 if over.size > 1 else path.age.size
    return replace(
        path, age=path.age[:end], low=path.low[:end], high=path.high[:end], sign_known=path.sign_known[:end],
        parts=path.parts[:end],
    )  # fmt: skip


def _late_log_slope(path: WearPath, scale: PathScale) -> float:
    path = unzeroed(path, scale.zeroed_at, scale.zeroed_value)
    middle = (path.low + np.where(np.isfinite(path.high), path.high, path.low)) / 2
    slopes = scale.log_slope(np.maximum(middle, 1e-300), path.limit)
    return float(slopes[(path.age.size + 1) // 2 :].sum())


def _fit_one(
    paths: Sequence[WearPath], scale: PathScale, *, draws: int, rng: np.random.Generator
) -> tuple[LineDraws, PathGram, Array]:
    stack = stack_paths(paths, scale)
    parts = len(scale.parts)
    prior = scale.prior_precision()
    working, multiplier = first_working(stack)
    gram = path_gram(stack.age_scaled, columns_of(stack, working, parts), multiplier, stack.count)
    lines = draw_lines(gram, stack.design, prior, draws=draws, rng=rng)
    refined = refined_working(stack, working, lines, parts)
    if refined is not None:
        working, multiplier = refined
        gram = path_gram(stack.age_scaled, columns_of(stack, working, parts), multiplier, stack.count)
        lines = draw_lines(gram, stack.design, prior, draws=draws, rng=rng)
    return lines, gram, working
