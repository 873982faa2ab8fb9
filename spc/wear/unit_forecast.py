"""Each unit's forecast from the other units of its file, the same however it is asked for and in whatever order.

The draws hang on the seed and on the unit's place among all units by covariates, limit and name: not on the order of
the file, nor on which units are asked for, nor on whether a forecast or a backtest asks.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spc.measure.interval import middle_of
from spc.wear.pooled import NO_PAST, PooledWear, fit_alone, fit_pooled
from spc.wear.pooled_apart import with_own_way
from spc.wear.time_to_limit import TimeToLimit, time_to_limit
from spc.wear.wear_path import WearPath

__all__ = ["MOST_BORROWED", "UnitPools"]

MOST_BORROWED = 200  # units; so many tell how units differ, and more would only take longer; our own rule
_MOST_POOLS = 20  # where there are more units, some share what they borrow from; our own rule
_DRAWS, _DRAWS_OF_MANY = 6000, 1500  # of a unit's path, the end of its range then moves by 3 or 6 % of it with the seed
_OWN, _LENT = 1, 2  # the draws of the unit's own path, and of whom it borrows from, beside those of the fit to them


class UnitPools:
    """What the units of a file borrow from: each from others than itself, fitted when first asked for.

    Up to `_MOST_POOLS` units have a pool each, of all the others. More are dealt into so many hands, and a hand shares
    one pool, which holds none of it: nothing foresees itself, at no more fits than these. Units of like covariates and
    limits go to hands of their own as far as there are hands; from a pool of more than `MOST_BORROWED` one unit is
    drawn out of each of so many equal stretches of them.

    Parameters
    ----------
    paths : sequence of WearPath
        All units of the file, on the file's clock; a covariate that is above 0 in all of them counts by its logarithm.
    seed : int
    origins : sequence of float, optional
        Clock value of each unit from which its age counts; left out, 0.
    """

    def __init__(self, paths: Sequence[WearPath], *, seed: int, origins: Sequence[float] = ()) -> None:
        self._origins, self._seed = origins or [0.0] * len(paths), seed
        aged = [_aged(path, origin) for path, origin in zip(paths, self._origins, strict=True)]
        self._paths = _covariates_by_their_logarithm(aged)
        self._order = sorted(range(len(paths)), key=lambda at: _sorting(paths[at]))
        self._place = {at: place for place, at in enumerate(self._order)}
        self._pools: dict[int, PooledWear] = {}

    def others(self, at: int) -> list[WearPath]:
        """Give the units that the one at a place of the file borrows from, on their ages."""
        hand = self._place[at] % _MOST_POOLS
        beside = [other for place, other in enumerate(self._order) if place % _MOST_POOLS != hand]
        if len(beside) > MOST_BORROWED:
            ends = np.linspace(0, len(beside), MOST_BORROWED + 1).round().astype(np.int64)
            drawn = np.random.default_rng([self._seed, hand, _LENT]).integers(ends[:-1], ends[1:])
            beside = [beside[i] for i in drawn]
        return [self._paths[other] for other in beside]

    def pool(self, at: int) -> PooledWear:
        """Pool what the unit at a place of the file borrows from."""
        hand = self._place[at] % _MOST_POOLS
        if hand not in self._pools:
            self._pools[hand] = fit_pooled(self.others(at), rng=np.random.default_rng([self._seed, hand]))
        return self._pools[hand]

    def forecast(
        self, at: int, own: WearPath, *, level: float = 0.9, crossing: str = "reading", unit: str = "faces"
    ) -> TimeToLimit:
        """Forecast when a unit reaches its own limit; where the others tell nothing, from its readings alone.

        Nothing is fitted for a unit that has no limit, or whose last reading is there already and decides.

        Parameters
        ----------
        at : int
            Of the unit among `paths`.
        own : WearPath
            The unit's readings so far on the file's clock, with its limit.
        level, crossing, unit
            As in `spc.wear.time_to_limit`.

        Returns
        -------
        TimeToLimit
            On the file's clock; without its fan, which is on the unit's age.
        """
        own = replace(_aged(own, self._origins[at]), covariates=self._paths[at].covariates)
        rng = np.random.default_rng([self._seed, self._place[at], _OWN])
        there = crossing == "reading" and own.age.size > 0 and middle_of(own.low[-1], own.high[-1]) >= own.limit
        told = there or not np.isfinite(own.limit)
        pooled = PooledWear((), (), (), "", alone=True) if told else self.pool(at)
        if pooled.refused:
            pooled = fit_alone(own, lacking=pooled.refused if len(self._paths) > 1 else NO_PAST, rng=rng)
        elif not told:
            pooled = with_own_way(pooled, own, rng=rng)
        answer = time_to_limit(
            pooled, own, limit=own.limit, level=level, crossing=crossing, unit=unit, rng=rng,
            draws=_DRAWS if len(self._paths) <= _MOST_POOLS else _DRAWS_OF_MANY,
        )  # fmt: skip
        return replace(
            answer, now=answer.now + self._origins[at], borrowed="" if told else answer.borrowed, fan=None
        )  # fmt: skip


def _aged(path: WearPath, origin: float) -> WearPath:
    return replace(path, age=path.age - origin) if origin else path


def _covariates_by_their_logarithm(paths: Sequence[WearPath]) -> list[WearPath]:
    """Take the logarithm of each covariate that is above 0 in every path: those to be foreseen are among them."""
    if not paths:
        return []
    table = np.array([path.covariates for path in paths], dtype=np.float64)
    above = (table > 0).all(axis=0)
    table[:, above] = np.log(table[:, above])
    return [replace(path, covariates=tuple(row)) for path, row in zip(paths, table.tolist(), strict=True)]


def _sorting(path: WearPath) -> tuple[tuple[float, ...], bool, float, str]:
    limitless = bool(np.isnan(path.limit))
    return path.covariates, limitless, 0.0 if limitless else path.limit, path.label
