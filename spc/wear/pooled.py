"""Wear paths of many cycles pooled: what a group of laps has in common, for every shape that its readings allow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.error_growth import ErrorGrowth, error_growth
from spc.wear.path_gram import PathGram, path_gram
from spc.wear.path_posterior import LineDraws, draw_lines
from spc.wear.path_reading import columns_of, first_working, refined_working
from spc.wear.path_scale import PathScale, PathStack, fit_scale, stack_paths, unzeroed
from spc.wear.path_shape import SHAPES, Shape, halfway_shapes
from spc.wear.path_slips import without_slips
from spc.wear.shape_score import foreseen, leave_out, shape_shares, weighed_scores
from spc.wear.unit_tails import TAILS, new_unit_draws, over_tails, tail_shares, unit_scales
from spc.wear.usual_course import course_of_others, course_on, usual_course
from spc.wear.wear_path import WearPath, half_way_to, thinned, until_limit

__all__ = [
    "ALONE_LEAST",
    "ALONE_SHAPES",
    "NO_PAST",
    "PooledShape",
    "PooledWear",
    "UnitsTold",
    "enough_words",
    "fit_alone",
    "fit_pooled",
    "shared_out",
]

Array = NDArray[np.float64]

NO_PAST = "no past cycle to borrow from"
_FEW = 200  # draws of a first fit
# Our own rules.
_SHARP, _HALVINGS = 3.0, 2  # log score behind the best that shows the steps between shapes to be too coarse; halvings
_HOPELESS = 8.0  # log share behind the best after the first fit, beyond which a shape is not fitted again
_LEAST_SHARE = 0.01  # shapes with less take no part in a forecast
_TAILS_LEAST = 4  # past cycles from which on one that strays can be told from many
ALONE_LEAST = 6  # readings of its own that a cycle without past cycles needs; our own rule
ALONE_SHAPES = tuple(s for s in SHAPES if s.name in ("linear", "square root", "square"))


@dataclass(frozen=True, slots=True)
class UnitsTold:
    """What each of U cycles of a pool says under one shape; kept so that any of them can be left out."""

    gram: PathGram
    design: Array  # (U, C - 1, p)
    weighed: Array  # (U,) score of each when it is left out, readings past half way counting more


@dataclass(frozen=True, slots=True)
class PooledShape:
    """One shape fitted to the group."""

    scale: PathScale
    lines: LineDraws
    share: float  # of the forecast, 0 to 1, by predictive score over left-out units, most as they near their limit
    score: float  # log predictive density of a left-out unit, mean over the units, in the readings' unit
    with_covariates: bool
    log_scales: Array  # (K, 2) how far new units stray from the group, see `unit_tails`; empty = not at all
    units: UnitsTold | None = None  # of the pool; None = not from a pool
    own_way: bool = False  # True: past cycles tell neither its level nor its slope, see `pooled_apart`

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
    left_out: tuple[str, ...]  # cycles and readings not used, and why
    refused: str  # why nothing could be pooled, '' if it could
    alone: bool = False  # True: the spreads come from the very cycle to be forecast
    plain: tuple[PathScale, ...] = ()  # on which these paths are scaled for `ALONE_SHAPES`, those offered
    lacking: str = NO_PAST  # why past cycles do not say how this one wears, where they do not


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
        Beside them, where some are of sizes alone, the course that five cycles or more have in common (`usual_course`).
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
    sound, slipped = without_slips(past)
    cut = [thinned(until_limit(p, p.limit if np.isnan(limit) else limit)) for p in sound]
    used = tuple(p for p in cut if p.age.size >= 2 and np.ptp(p.age) > 0)
    short = tuple(f"{p.label}: readings at fewer than two ages" for p in cut if p.age.size < 2 or not np.ptp(p.age))
    left_out = (*short, *slipped)
    if not used:
        return PooledWear((), used, left_out, "no past cycle with readings at two ages")
    if not any(np.ptp(p.low) for p in used):  # no cycle's readings differ: there is no shape to tell
        shapes = [shape for shape in shapes if shape.straight] or shapes
    limits = np.array([p.limit for p in used])
    half_way = np.array([half_way_to(p, p.limit if np.isnan(limit) else limit) for p in used])
    one_side = (limits > 0).all() or ((limits < 0).all() and all((p.high < 0).all() for p in used))
    by_limit = bool(np.isfinite(limits).all() and one_side and np.ptp(limits) > 0)
    by_covariates = bool(used[0].covariates) and len(used) >= 3
    growth = error_growth(used)
    first: list[_Fit] = []
    plain: list[PathScale] = []
    for shape in shapes:
        for relative in (False, True)[: 1 + by_limit]:
            for with_covariates in (False, True)[: 1 + by_covariates]:
                scale = fit_scale(
                    used, shape, relative=relative, with_covariates=with_covariates, error_power=growth.on(shape)
                )
                if isinstance(scale, str) or (with_covariates and not any(scale.covariate_range)):
                    continue
                if shape in ALONE_SHAPES and not relative and not with_covariates:
                    plain.append(scale)
                first.append(_first_fit(used, scale, with_covariates, half_way, rng))
    if any(shape.needs_positive for shape in shapes):  # sizes: a signed bow goes either way
        first += _of_course(used, half_way, by_limit, by_covariates, growth, rng)
    if not first:
        return PooledWear((), used, left_out, "no shape fits these readings")
    share = _shares_of(first, first)
    behind = np.array([_SHARP if f.scale.shape.course else _HOPELESS for f in first])  # a course has no neighbours
    likely = share > share.max() * np.exp(-behind)
    kept = [_second_fit(used, f, draws, rng) for f, may_be in zip(first, likely, strict=True) if may_be]
    for _ in range(_HALVINGS):
        between = _between(used, kept, first, half_way, growth, rng)
        first += between
        kept += [_second_fit(used, f, draws, rng) for f in between]
    shares = _shares_of(kept, first)
    fitted = [
        PooledShape(
            f.scale, f.lines, 0.0, float(f.score.mean()), f.with_covariates, f.log_scales,
            UnitsTold(f.gram, f.stack.design, f.weighed),
        )
        for f in kept
    ]  # fmt: skip
    return PooledWear(shared_out(fitted, shares), used, left_out, "", plain=tuple(plain))


def fit_alone(own: WearPath, *, lacking: str = NO_PAST, draws: int = 500, rng: np.random.Generator) -> PooledWear:
    """Draw the spreads from one cycle only, for a lap that has no past cycle: wide, as it must be.

    Several shapes take part with equal shares, since one path cannot tell its shape. `lacking` says why past cycles
    have no say where there are some.
    """
    if own.age.size > 1 and not np.ptp(own.age):
        stand = "both readings" if own.age.size == 2 else f"all {own.age.size} readings"
        why = f"{lacking}, and {stand} of its own stand at one clock value, {own.age[0]:g}: they show no course of wear"
        return PooledWear((), (), (), why, alone=True)
    if own.age.size < ALONE_LEAST:
        own_words = {0: "no reading", 1: "1 reading"}.get(own.age.size, f"{own.age.size} readings")
        why = f"{lacking}, and {own_words} of its own where {ALONE_LEAST} are needed"
        return PooledWear((), (), (), why, alone=True)
    fitted, own = [], thinned(own)
    growth = error_growth([own])
    for shape in ALONE_SHAPES:
        scale = fit_scale([own], shape, relative=False, with_covariates=False, error_power=growth.on(shape))
        if isinstance(scale, str):
            continue
        lines = _second_fit([own], _first_fit([own], scale, False, np.array([np.nan]), rng), draws, rng).lines
        prior = scale.prior_precision()
        unread = replace(lines, mean=np.zeros_like(lines.mean), covariance=np.tile(np.diag(1 / prior), (draws, 1, 1)))
        fitted.append(PooledShape(scale, unread, 1 / len(ALONE_SHAPES), float("nan"), False, np.empty((0, 2))))
    return PooledWear(tuple(fitted), (), (), "", alone=True, lacking=lacking)


def enough_words(pooled: PooledWear, own: WearPath) -> str:
    """Say what to log where nothing could be pooled, so that it can be told when `own` reaches its limit."""
    if not pooled.alone:
        return "log one cycle from its beginning to its end"
    at_one_age = own.age.size > 1 and not np.ptp(own.age)
    return "log one at another" if at_one_age else f"log {ALONE_LEAST - own.age.size} more"


def shared_out(fitted: Sequence[PooledShape], shares: Array) -> tuple[PooledShape, ...]:
    """Give each shape its share, (shapes,) adding to 1; the greatest first, those with hardly any left out."""
    shares = np.where(shares >= _LEAST_SHARE, shares, 0.0)
    shares = shares / shares.sum()
    order = np.argsort(-shares, kind="stable")
    return tuple(replace(fitted[i], share=float(shares[i])) for i in order if shares[i] > 0)


def _log_slopes(paths: Sequence[WearPath], scale: PathScale, begun: NDArray[np.int64]) -> Array:
    """Log slopes of the scale summed over all readings of each unit, and over the first `begun` of them; (2, U)."""
    sums = []
    for whole, count in zip(paths, begun, strict=True):
        path = unzeroed(whole, scale.zeroed_at, scale.zeroed_value)
        middle = middle_of(path.low, path.high)
        slopes = scale.log_slope(middle, path.limit)
        sums.append((slopes.sum(), slopes[:count].sum()))
    return np.array(sums, dtype=np.float64).T


@dataclass(frozen=True, slots=True)
class _Fit:
    scale: PathScale
    stack: PathStack
    working: Array
    multiplier: Array
    lines: LineDraws
    gram: PathGram
    half_way: Array  # (U,) age at which each path was half way to its limit
    begun: PathGram  # of the readings up to there
    score: Array  # (U,) of all readings of a unit left out
    weighed: Array  # (U,) the same, readings past half way counting more
    log_slopes: Array  # (2, U) that carry these scores to the readings' unit
    with_covariates: bool
    log_scales: Array
    apart: PathStack | None = None  # where the shape is a course: the ages of each unit on that of others


def _of_course(
    paths: Sequence[WearPath],
    half_way: Array,
    by_limit: bool,
    by_covariates: bool,
    growth: ErrorGrowth,
    rng: np.random.Generator,
) -> list[_Fit]:
    """Fit the course that the paths have in common; each is foreseen along the course of others."""
    found = []
    for relative in (False, True)[: 1 + by_limit]:
        course, others = usual_course(paths, relative=relative), course_of_others(paths, relative=relative)
        if course is None or others is None:
            continue
        for with_covariates in (False, True)[: 1 + by_covariates]:
            scale = fit_scale(
                paths, course, relative=relative, with_covariates=with_covariates, error_power=growth.on(course)
            )
            if isinstance(scale, str) or (with_covariates and not any(scale.covariate_range)):
                continue
            found.append(_first_fit(paths, scale, with_covariates, half_way, rng, _apart(paths, scale, others)))
    return found


def _apart(paths: Sequence[WearPath], scale: PathScale, others: Sequence[Shape]) -> PathStack:
    """Stack the units, the ages of each on the course of others; (U, N)."""
    stack, oldest = stack_paths(paths, scale), max(float(path.age[-1]) for path in paths)
    age = stack.age_scaled.copy()
    for row, path, course in zip(age, paths, others, strict=True):
        read = unzeroed(path, scale.zeroed_at, scale.zeroed_value)
        row[: read.age.size] = course_on(scale, course, oldest).age_scaled(read.age)
    return replace(stack, age_scaled=age)


def _first_fit(
    paths: Sequence[WearPath],
    scale: PathScale,
    with_covariates: bool,
    half_way: Array,
    rng: np.random.Generator,
    apart: PathStack | None = None,
) -> _Fit:
    """Fit one shape to the middles of the readings with few draws, enough to tell the hopeless shapes."""
    stack = stack_paths(paths, scale)
    working, multiplier = first_working(stack)
    read = [unzeroed(p, scale.zeroed_at, scale.zeroed_value) for p in paths]
    count = np.array([np.searchsorted(p.age, at, side="right") for p, at in zip(read, half_way, strict=True)])
    gram, begun = _grams(stack, working, multiplier, len(scale.parts), count)
    lines = draw_lines(gram, stack.design, scale.prior_precision(), draws=_FEW, rng=rng)
    refined = refined_working(scale, stack, working, multiplier, lines) if scale.error_power else None
    if refined is not None:
        working, multiplier = refined
        gram, begun = _grams(stack, working, multiplier, len(scale.parts), count)
        lines = draw_lines(gram, stack.design, scale.prior_precision(), draws=_FEW, near=lines, rng=rng)
    slopes = _log_slopes(paths, scale, count)
    left = leave_out(lines, gram, stack.design)
    usual = unit_scales(TAILS[0], _FEW, rng)[None]
    whole = left.score
    if apart is not None:
        told, begun = _grams(apart, working, multiplier, len(scale.parts), count)
        whole = foreseen(left, told, usual)[0]
    score = whole + slopes[0]
    first = foreseen(left, begun, usual)[0] + slopes[1]
    return _Fit(
        scale, stack, working, multiplier, lines, gram, half_way, begun, score,
        weighed_scores(score, first, half_way), slopes, with_covariates, np.empty((0, 2)), apart,
    )  # fmt: skip


def _shares_of(fits: Sequence[_Fit], tried: Sequence[_Fit]) -> Array:
    straight = sum(f.scale.shape.straight for f in tried)
    return shape_shares(
        np.array([f.weighed for f in fits]),
        np.array([f.scale.shape.straight for f in fits]),
        (straight, len(tried) - straight),
    )


def _between(
    paths: Sequence[WearPath],
    kept: Sequence[_Fit],
    tried: Sequence[_Fit],
    half_way: Array,
    growth: ErrorGrowth,
    rng: np.random.Generator,
) -> list[_Fit]:
    """Fit the shapes half way from the best one to its neighbours, where the readings tell it from them.

    Where a straight line does nearly as well nothing is added: what lies beside it is told from it only with many
    cycles, and until then by the luck of the draws.
    """
    kept, tried = ([f for f in fits if not f.scale.shape.course] for fits in (kept, tried))
    if not kept:
        return []
    top = kept[int(_shares_of(kept, tried).argmax())]
    best = float(top.weighed.sum())
    if any(f.scale.shape.straight and best - float(f.weighed.sum()) < _SHARP for f in kept):
        return []

    def alike(fit: _Fit) -> bool:
        return fit.with_covariates == top.with_covariates and fit.scale.relative == top.scale.relative

    near = {f.scale.shape for f in kept if alike(f) and best - float(f.weighed.sum()) < _SHARP}
    fitted = []
    offered = [f.scale.shape for f in tried if alike(f)]
    hopeless = set(offered) - {f.scale.shape for f in kept if alike(f)}
    for shape in halfway_shapes(top.scale.shape, offered, near, hopeless):
        scale = fit_scale(
            paths, shape, relative=top.scale.relative, with_covariates=top.with_covariates, error_power=growth.on(shape)
        )
        if not isinstance(scale, str):
            fitted.append(_first_fit(paths, scale, top.with_covariates, half_way, rng))
    return fitted


def _grams(
    stack: PathStack, working: Array, multiplier: Array, parts: int, begun: NDArray[np.int64]
) -> tuple[PathGram, PathGram]:
    """Whiten the readings of each unit: all of them, and the first `begun`."""
    columns = columns_of(stack, working, parts)
    end = int(begun.max(initial=1))
    first = path_gram(stack.age_scaled[:, :end], columns[:, :end], multiplier[:, :end], begun)
    return path_gram(stack.age_scaled, columns, multiplier, stack.count), first


def _second_fit(paths: Sequence[WearPath], fit: _Fit, draws: int, rng: np.random.Generator) -> _Fit:
    """Fit again to the readings as intervals, outliers weighed down, with all draws."""
    scale, stack, parts = fit.scale, fit.stack, len(fit.scale.parts)
    refined = refined_working(scale, stack, fit.working, fit.multiplier, fit.lines)
    gram, begun = (fit.gram, fit.begun) if refined is None else _grams(stack, *refined, parts, fit.begun.count)
    lines = draw_lines(gram, stack.design, scale.prior_precision(), draws=draws, near=fit.lines, rng=rng)
    left = leave_out(lines, gram, stack.design)
    tails = TAILS if len(paths) >= _TAILS_LEAST else TAILS[:1]
    scales = np.array([unit_scales(tail, draws, rng) for tail in tails])
    told = gram
    if fit.apart is not None:
        told, begun = _grams(fit.apart, *(refined or (fit.working, fit.multiplier)), parts, fit.begun.count)
    usual = left.score[None] if fit.apart is None else foreseen(left, told, scales[:1])
    whole = np.vstack([usual, foreseen(left, told, scales[1:])]) if len(tails) > 1 else usual
    shares = tail_shares(whole)
    first = over_tails(foreseen(left, begun, scales[shares > 0]), shares[shares > 0]) + fit.log_slopes[1]
    score = over_tails(whole, shares) + fit.log_slopes[0]
    weighed = weighed_scores(score, first, fit.half_way)
    straying = new_unit_draws(lines, shares, rng)
    return replace(fit, lines=lines, gram=gram, score=score, weighed=weighed, log_scales=straying)
