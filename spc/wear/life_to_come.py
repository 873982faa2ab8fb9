"""How long a running cycle lasts yet, by how long past ones of its lap and its sisters lasted until they wore out."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.wear.lifetime import check_lifetimes
from spc.wear.lifetime_fit import choose_lifetime, draw_remaining
from spc.wear.lives_apart import UNLIKE_P, lives_apart_p

__all__ = ["LifeToCome", "life_to_come"]

Array = NDArray[np.float64]

_LOOKED_AHEAD = 3.0  # times the longest life, as forecasts by readings look; our own rule


@dataclass(frozen=True, slots=True)
class LifeToCome:
    """Range of what is left of a cycle, on the clock of the lives."""

    low: float
    median: float
    high: float  # inf = beyond the horizon
    horizon: float
    used: NDArray[np.bool_] = field(compare=False)  # (n,) the lives that it rests on: of all laps, or its own alone


def life_to_come(
    low: ArrayLike,
    high: ArrayLike,
    laps: Sequence[str],
    *,
    lap: str,
    age: float,
    level: float = 0.9,
    draws: int = 1500,
    rng: np.random.Generator,
) -> LifeToCome | None:
    """Forecast what is left of one cycle from the lives of others.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Each life lies in (low, high]; high inf = good when it was taken off, or still running.
    laps : sequence of str, length n
        Lap that each is of.
    lap : str
        That of the cycle.
    age : float
        It has come to, not worn; 0 or more.
    level : float, default 0.9
        Coverage of the range.
    draws : int, default 1500
    rng : numpy.random.Generator

    Returns
    -------
    LifeToCome or None
        None where too few wore out for a law of life, or they lasted too much alike.

    Raises
    ------
    ValueError
        If the lives or the age do not fit.

    Notes
    -----
    The law of life is drawn, not plugged in, given the age reached (`draw_remaining`). Where the laps do not last alike
    (`lives_apart_p`) and the lap has lives enough of its own, these alone count. What such ranges hold is simulated in
    tests/honesty/test_life_to_come.py.
    """
    a, b = check_lifetimes(low, high)
    used = np.ones(a.size, dtype=bool)
    law = choose_lifetime(a, b)[0]
    if lives_apart_p(law, a, b, laps) < UNLIKE_P:
        own = np.array([name == lap for name in laps])
        alone = choose_lifetime(a[own], b[own])[0]
        law, used = (alone, own) if alone.status == "fitted" else (law, used)
    if law.status != "fitted":
        return None
    left = draw_remaining(law, a[used], b[used], age=age, draws=draws, rng=rng)
    horizon = _LOOKED_AHEAD * max(age, float(a[used].max()))
    ends = np.quantile(left, [(1 - level) / 2, 0.5, (1 + level) / 2], method="inverted_cdf")
    near, middle, far = (float(end) for end in ends)
    return LifeToCome(min(near, horizon), min(middle, horizon), far if far <= horizon else np.inf, horizon, used)
