"""One unit's forecast from the other units of its file, the same however it is asked for.

The draws hang on the seed and on the unit's place among all units alone: not on which units are asked for, nor on
whether a forecast or a backtest asks.
"""

from collections.abc import Sequence

import numpy as np

from spc.wear.pooled import PooledWear, fit_alone, fit_pooled
from spc.wear.time_to_limit import TimeToLimit, time_to_limit
from spc.wear.wear_path import WearPath

__all__ = ["newest_others", "pool_for", "unit_forecast"]

_OWN = 1  # the draws of the unit's own path, beside those of the fit to the others


def newest_others(paths: Sequence[WearPath], place: int, *, most: int) -> list[WearPath]:
    """Give the newest others of a unit, in their order, `most` of them at most; the last of a file is its newest."""
    after = paths[max(place + 1, len(paths) - most) :]
    return [*paths[max(0, place - most + len(after)) : place], *after]


def pool_for(others: Sequence[WearPath], *, place: int, seed: int) -> PooledWear:
    """Pool the other units for the one at a place.

    Parameters
    ----------
    others : sequence of WearPath
        The units it borrows from, itself not among them.
    place : int
        Of the unit among all units, counted from 0.
    seed : int
    """
    return fit_pooled(others, rng=np.random.default_rng([seed, place]))


def unit_forecast(
    pooled: PooledWear,
    own: WearPath,
    *,
    place: int,
    seed: int,
    level: float = 0.9,
    crossing: str = "reading",
    unit: str = "faces",
) -> TimeToLimit:
    """Forecast when a unit reaches its own limit; where the others tell nothing, from its readings alone.

    Parameters
    ----------
    pooled : PooledWear
        From `pool_for`, of the same place and seed.
    own : WearPath
        The unit's readings so far, with its limit.
    place : int
    seed : int
    level, crossing, unit
        As in `spc.wear.time_to_limit`.
    """
    rng = np.random.default_rng([seed, place, _OWN])
    if pooled.refused:
        pooled = fit_alone(own, rng=rng)
    return time_to_limit(pooled, own, limit=own.limit, level=level, crossing=crossing, unit=unit, rng=rng)
