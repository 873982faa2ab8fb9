"""How long a running cycle lasts yet, by how long past ones of its lap and its sisters lasted until they wore out.

A sign of wear that is logged says beside that how far it has come.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.measure.interval import middle_of
from spc.wear.life_by_sign import SignPath, log_likelihood_of_lives
from spc.wear.lifetime import check_lifetimes
from spc.wear.lifetime_fit import choose_lifetime, draw_remaining
from spc.wear.lives_apart import UNLIKE_P, lives_apart_p

__all__ = ["LifeToCome", "life_to_come"]

Array = NDArray[np.float64]

_LOOKED_AHEAD = 3.0  # times the longest life, as forecasts by readings look; our own rule
_MORE = 4  # times as many lives are drawn where a sign tells them apart
_LIVES = 60  # of them it is asked of, evenly spaced in logarithms; those between lie on straight lines
_UNLIKE_PAST = 0.02  # of the draws are left where a sign goes as in no past cycle: then it is not asked; our own rule


@dataclass(frozen=True, slots=True)
class LifeToCome:
    """Range of what is left of a cycle, on the clock of the lives."""

    low: float
    median: float
    high: float  # inf = beyond the horizon
    horizon: float
    used: NDArray[np.bool_] = field(compare=False)  # (n,) the lives that it rests on: of all laps, or its own alone
    by_sign: bool = False  # True: how far a sign of wear has gone is taken in


def life_to_come(
    low: ArrayLike,
    high: ArrayLike,
    laps: Sequence[str],
    *,
    lap: str,
    age: float,
    signs: Sequence[SignPath] = (),
    now: SignPath | None = None,
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
    signs : sequence of SignPath, length n, optional
        A sign of wear through each of the lives; of those that did not wear out it is not asked.
    now : SignPath, optional
        The same sign through this cycle, up to its age.
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
    (`lives_apart_p`) and the lap has lives enough of its own, these alone count. Where a sign of wear is given, each
    life drawn counts as its readings make it likely (`spc.wear.life_by_sign`); a life found late is taken at the middle
    of what it may be. What such ranges hold is simulated in tests/honesty (test_life_to_come.py, test_life_by_sign.py).
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
    many = draws if now is None else _MORE * draws
    left = draw_remaining(law, a[used], b[used], age=age, draws=many, rng=rng)
    weight = None if now is None else _by_sign(left, age, signs, now, used & np.isfinite(b), middle_of(a, b))
    if weight is not None:
        left = rng.choice(left, many, p=weight)
    horizon = _LOOKED_AHEAD * max(age, float(a[used].max()))
    ends = np.quantile(left, [(1 - level) / 2, 0.5, (1 + level) / 2], method="inverted_cdf")
    near, middle, far = (float(end) for end in ends)
    far = far if far <= horizon else np.inf
    return LifeToCome(min(near, horizon), min(middle, horizon), far, horizon, used, weight is not None)


def _by_sign(
    left: Array, age: float, signs: Sequence[SignPath], now: SignPath, worn: NDArray[np.bool_], lives: Array
) -> Array | None:
    """Share that each life drawn counts for; None where the sign says nothing of it."""
    if not now.level.size:
        return None
    life = np.log(age + left)
    at = np.linspace(float(life.min()), float(life.max()), _LIVES)
    past = [signs[one] for one in np.flatnonzero(worn).tolist()]
    likely = log_likelihood_of_lives(past, lives[worn], now, np.exp(at))
    if likely is None:
        return None
    weight = np.exp(np.interp(life, at, likely - likely.max()))
    share = weight / weight.sum()
    return share if 1 / float(share @ share) > _UNLIKE_PAST * left.size else None
