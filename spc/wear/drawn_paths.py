"""Paths that one cycle may take from here on: drawn under every shape of a pool, each as often as its share says."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_forecast import FuturePaths, future_paths, update_own
from spc.wear.pooled import PooledWear
from spc.wear.wear_path import WearPath

__all__ = ["DrawnPaths", "draw_paths"]

_LEAST_SHARE = 0.005  # of a shape that is drawn from; our own rule


@dataclass(frozen=True, slots=True)
class DrawnPaths:
    """Draws of the future path of one cycle."""

    futures: tuple[FuturePaths, ...]  # one of each shape drawn from, all at the same ages
    shape: str  # the likeliest
    shape_share: float
    own_way_share: float  # of the draws, that past cycles tell neither level nor slope of this one


def draw_paths(
    pooled: PooledWear,
    own: WearPath,
    ages: NDArray[np.float64],
    *,
    signed: bool,
    draws: int,
    parts: Sequence[str],
    rng: np.random.Generator,
) -> DrawnPaths | None:
    """Draw the future of one cycle from what is pooled and its own readings.

    Parameters
    ----------
    pooled : PooledWear
        Not refused.
    own : WearPath
        The cycle's readings so far; none is allowed.
    ages : (J,)
        Rising, the first not before the last reading.
    signed : bool
        Whether the paths are of the signed bow.
    draws : int
        Of all shapes together; a few more come of rounding.
    parts : sequence of str
        Part numbers that will be asked; the paths are those of the first, see `path_forecast.of_part`.
    rng : numpy.random.Generator

    Returns
    -------
    DrawnPaths or None
        None where the readings go with no shape of the pool.
    """
    updates = [
        (update_own(s.scale, s.lines, own, parts=parts, log_scales=s.log_scales, alone=pooled.alone), s)
        for s in pooled.shapes
        if s.scale.takes(own) and not (signed and s.scale.shape.needs_positive)
    ]
    if not updates:
        return None
    log_density = np.array([0.0 if pooled.alone else u.log_density for u, _ in updates])
    share = np.array([s.share for _, s in updates]) * np.exp(log_density - log_density.max())
    share = share / share.sum()
    futures = tuple(
        future_paths(u, ages, draws=int(np.ceil(draws * part_of)), part=parts[0], rng=rng)
        for (u, _), part_of in zip(updates, share, strict=True)
        if part_of >= _LEAST_SHARE
    )
    own_way = float(sum(part_of for (_, s), part_of in zip(updates, share, strict=True) if s.own_way))
    best = int(share.argmax())
    return DrawnPaths(futures, updates[best][1].name, float(share[best]), own_way)
