"""A cycle that goes its own way: past cycles still tell how readings scatter about a path, not where this one goes."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.path_posterior import LEAST_LOG_SCATTER, LineDraws
from spc.wear.path_scale import PathScale, stack_paths
from spc.wear.pooled import ALONE_LEAST, PooledShape, PooledWear, fit_alone
from spc.wear.wear_path import WearPath

__all__ = ["fit_apart", "with_own_way"]

_BEFORE = 0.05  # how likely a cycle goes its own way before it is read; our own rule
_WIDE = 4.0  # spread of level and rise, in units of what the cycle reads: the readings alone place its line [our rule]
_LEAST_PAST = 3  # past cycles from which on their scatter is taken over; our own rule
_OTHER_SCATTER = np.log(30.0)  # that a cycle of its own way may scatter so many times more, or less [our rule]
_TIMES = 3  # draws of it for every draw of the group: one with the group's scatter, the others with any


def fit_apart(pooled: PooledWear, own: WearPath, *, lacking: str, rng: np.random.Generator) -> PooledWear:
    """Take over from a pool its shapes and how readings scatter, with any level and any slope.

    Parameters
    ----------
    pooled : PooledWear
        From `fit_pooled` on the past cycles.
    own : WearPath
        The cycle that goes its own way; at least six readings.
    lacking : str
        Why past cycles do not say how this one wears, in words.
    rng : numpy.random.Generator

    Returns
    -------
    PooledWear
        Half of the shares as in the pool, half even over the shapes of `fit_alone`. From too few past cycles, or too
        few own readings, what `fit_alone` says.

    Notes
    -----
    A reading errs as those of the past cycles do, or up to thirty times more or less: its own readings weigh it.
    """
    shapes = _own_ways(pooled, own, rng)
    if not shapes:
        return fit_alone(own, lacking=lacking, rng=rng)
    return PooledWear(shapes, pooled.past, (), "", lacking=lacking)


def with_own_way(pooled: PooledWear, own: WearPath, *, rng: np.random.Generator) -> PooledWear:
    """Allow that a cycle goes its own way, one in twenty before it is read; its readings weigh that.

    Without it the readings of a cycle unlike all past ones choose among the few draws that miss them least, and its
    range is as sure as it is wrong.

    Parameters
    ----------
    pooled : PooledWear
        From `fit_pooled` on the past cycles.
    own : WearPath
    rng : numpy.random.Generator

    Returns
    -------
    PooledWear
        The shapes of the pool and those of `fit_apart` beside them; the pool itself from too few past cycles, or too
        few own readings.

    References
    ----------
    Box and Tiao (1968), A Bayesian approach to some outlier problems, Biometrika 55(1): what strays as a second
    component of a mixture, here a whole unit (from memory).
    """
    shapes = _own_ways(pooled, own, rng)
    if not shapes:
        return pooled
    usual = tuple(replace(s, share=s.share * (1 - _BEFORE)) for s in pooled.shapes)
    return replace(
        pooled,
        shapes=usual + tuple(replace(s, share=s.share * _BEFORE) for s in shapes),
        lacking="its readings do not go as theirs",
    )


def _own_ways(pooled: PooledWear, own: WearPath, rng: np.random.Generator) -> tuple[PooledShape, ...]:
    """Give every shape with any line, shares adding to 1; none from too few past cycles or own readings."""
    if len(pooled.past) < _LEAST_PAST or not pooled.shapes or own.age.size < ALONE_LEAST:
        return ()
    best = pooled.shapes[0]
    ways: dict[PathScale, PooledShape] = {s.scale: replace(s, share=s.share / 2) for s in pooled.shapes}
    for scale in pooled.plain:
        beside = PooledShape(scale, _without_covariates(best, scale), 0.0, float("nan"), False, best.log_scales)
        way = ways.get(scale, beside)
        ways[scale] = replace(way, share=way.share + 0.5 / len(pooled.plain))
    wide = {scale: _any_line(way.lines, scale, own) for scale, way in ways.items()}
    total = sum(ways[scale].share for scale, lines in wide.items() if lines is not None)
    return tuple(
        replace(way, lines=lines, share=way.share / total, log_scales=_any_scatter(lines, rng), own_way=True)
        for scale, way in ways.items()
        if (lines := wide[scale]) is not None
    )


def _without_covariates(fitted: PooledShape, scale: PathScale) -> LineDraws:
    """Draws of a fitted shape for a scale of the same parts that knows no covariates."""
    parts = len(scale.parts)
    size = fitted.lines.mean.shape[1]
    terms = np.array([0, (size - parts) // 2, *range(size - parts, size)])
    lines = fitted.lines
    return replace(lines, mean=lines.mean[:, terms], covariance=lines.covariance[:, terms[:, None], terms])


def _any_line(lines: LineDraws, scale: PathScale, own: WearPath) -> LineDraws | None:
    """Lines of any level and any slope; the offsets of parts stay as they are. None: no two ages on this scale."""
    if not scale.takes(own):
        return None
    stack = stack_paths([own], scale)
    across = float(np.ptp(stack.age_scaled))
    if not across > 0:
        return None
    middle = middle_of(stack.low, stack.high)
    unit = _WIDE * max(float(np.sqrt(np.mean(middle**2))), 1.0)
    slope = (lines.mean.shape[1] - len(scale.parts)) // 2
    mean, covariance = lines.mean.copy(), lines.covariance.copy()
    for term, sd in ((0, unit), (slope, unit / across)):
        mean[:, term] = 0.0
        covariance[:, term] = covariance[:, :, term] = 0.0
        covariance[:, term, term] = sd**2
    return replace(lines, mean=mean, covariance=covariance)


def _any_scatter(lines: LineDraws, rng: np.random.Generator) -> NDArray[np.float64]:
    """Log scales of `_TIMES` units for every draw, as `unit_tails.new_unit_draws` gives them."""
    size = lines.spreads.shape[0]
    scatter = np.concatenate([np.zeros(size), np.linspace(-_OTHER_SCATTER, _OTHER_SCATTER, (_TIMES - 1) * size)])
    least = LEAST_LOG_SCATTER - np.tile(lines.spreads[:, 0], _TIMES)  # no scatter at all is no way of its own
    return np.column_stack([np.zeros_like(scatter), np.maximum(rng.permutation(scatter), np.minimum(least, 0.0))])
