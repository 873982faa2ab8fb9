"""A cycle that goes its own way: past cycles still tell how readings scatter about a path, not where this one goes."""

from dataclasses import replace

import numpy as np

from spc.wear.path_posterior import LineDraws
from spc.wear.path_scale import PathScale, fit_scale, stack_paths
from spc.wear.pooled import ALONE_LEAST, ALONE_SHAPES, PooledShape, PooledWear, fit_alone
from spc.wear.wear_path import WearPath

__all__ = ["fit_apart"]

_WIDE = (4.0, 10.0)  # spread of level and slope in units of what the cycle reads: the readings alone place its line
_LEAST_PAST = 3  # past cycles from which on their scatter is taken over; our own rule


def fit_apart(pooled: PooledWear, own: WearPath, *, lacking: str, rng: np.random.Generator) -> PooledWear:
    """Take over from a pool how readings scatter and paths wander, with any level and any slope.

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
        The shapes of `fit_alone` with equal shares. From too few past cycles, or too few own readings, what `fit_alone`
        says.

    Notes
    -----
    Assumes that a reading of this cycle errs as those of the past ones do, whatever the form does.
    """
    if len(pooled.past) < _LEAST_PAST or not pooled.shapes or own.age.size < ALONE_LEAST or not np.ptp(own.age):
        return fit_alone(own, lacking=lacking, rng=rng)
    best = pooled.shapes[0]
    fitted = []
    for shape in ALONE_SHAPES:
        scale = fit_scale(pooled.past, shape, relative=False, with_covariates=False)
        if not isinstance(scale, str):
            lines = _any_line(best.lines, scale, own)
            fitted.append(PooledShape(scale, lines, 1 / len(ALONE_SHAPES), float("nan"), False, np.empty((0, 2))))
    return PooledWear(tuple(fitted), pooled.past, (), "", apart=True, lacking=lacking)


def _any_line(lines: LineDraws, scale: PathScale, own: WearPath) -> LineDraws:
    """Lines of any level and any slope; the offsets of parts stay as they are."""
    stack = stack_paths([own], scale)
    middle = np.where(np.isfinite(stack.high), (stack.low + stack.high) / 2, stack.low)
    unit = max(float(np.sqrt(np.mean(middle**2))), 1.0)
    mean, covariance = lines.mean.copy(), lines.covariance.copy()
    mean[:, :2] = 0.0
    covariance[:, :2] = covariance[:, :, :2] = 0.0
    for at, wide in enumerate(_WIDE):
        covariance[:, at, at] = (wide * unit) ** 2
    return replace(lines, mean=mean, covariance=covariance)
