"""Faces left by how long past cycles lasted, where the readings of past cycles did not foretell it.

A lap that runs flat and turns steep at an age that nobody knows shows nothing before it does: its readings say "many
left" until few are. How long the cycles before it lasted says more then.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.lifetime_fit import LifetimeFit, choose_lifetime, draw_remaining
from spc.wear.past_forecasts import SAME
from spc.wear.path_slips import without_slips
from spc.wear.time_to_limit import TimeToLimit, range_words
from spc.wear.wear_path import WearPath

__all__ = ["PastLives", "draws_left", "past_lives", "taken_in"]

Array = NDArray[np.float64]

_FIRST = 0.5  # life of a cycle whose first reading is at the limit, on its clock: at most; our own rule


class PastLives(NamedTuple):
    """How long past cycles were good for one part number, and the law of it."""

    low: Array  # each life lies in (low, high], on the cycles' clock
    high: Array  # inf = good at its last reading
    law: LifetimeFit  # fitted


def past_lives(paths: Sequence[WearPath], limit: float, *, part: str = "") -> PastLives | None:
    """Tell how long past cycles were good: up to their first reading at the limit.

    Parameters
    ----------
    paths : sequence of WearPath
        Ended cycles of a group, sizes.
    limit : float
        Of the part number, in the readings' unit.
    part : str, default ''
        Part number whose readings count, in cycles that name any; '' = all.

    Returns
    -------
    PastLives or None
        None where fewer than five cycles came to the limit, or they lasted too much alike for a law.

    Notes
    -----
    The limit was reached between a reading and the one before. A cycle that ended before it is censored at its last
    reading: an end by plan must tell nothing of the life to come.
    """
    lives = [life for path in without_slips(paths)[0] if (life := _life(path, limit, part)) is not None]
    low, high = np.array(lives, dtype=np.float64).reshape(-1, 2).T
    law = choose_lifetime(low, high)[0]
    return PastLives(low, high, law) if law.status == "fitted" else None


def draws_left(lives: PastLives, answer: TimeToLimit, *, age: float, rng: np.random.Generator) -> Array:
    """Draw what is left of a cycle by how long past cycles lasted; as `TimeToLimit.draws`, (S,).

    Parameters
    ----------
    lives : PastLives
        Of past cycles of its group, on the same clock.
    answer : TimeToLimit
        Says from where it counts, and how far it looks.
    age : float
        Of the newest reading: the cycle was good until then.
    rng : numpy.random.Generator
    """
    left = draw_remaining(lives.law, lives.low, lives.high, age=age, draws=answer.draws.size, rng=rng)
    left = np.maximum(left + age - answer.now, 0.0)
    return np.where(left > answer.horizon, np.inf, left)


def taken_in(answer: TimeToLimit, others: Array, missed: Collection[str]) -> TimeToLimit:
    """Take other draws of what is left into a range.

    Parameters
    ----------
    answer : TimeToLimit
        A range.
    others : (S,)
        As many as its own draws.
    missed : collection of str
        Of `spc.wear.past_forecasts.OUTCOMES`: how past cycles came out where such ranges held too few. With 'faster'
        the sooner counts, of the two at every share of the draws, with 'slower' the later, with both the sooner of the
        near half and the later of the far half.

    Returns
    -------
    TimeToLimit
        Without its fan: how the wear goes there is not known.

    Notes
    -----
    Our own rule; what such ranges hold is simulated in tests/honesty/test_past_lives.py.
    """
    mine, theirs = np.sort(answer.draws), np.sort(others)
    sooner, later = np.minimum(mine, theirs), np.maximum(mine, theirs)
    near = sooner if "faster" in missed else later if "slower" in missed else mine
    far = later if "slower" in missed else sooner if "faster" in missed else mine
    draws = np.where(np.arange(mine.size) < mine.size / 2, near, far)
    tail = (1 - answer.level) / 2
    low, median, high = (float(q) for q in np.quantile(draws, [tail, 0.5, 1 - tail], method="inverted_cdf"))
    return replace(
        answer,
        low=low if np.isfinite(low) else None,
        median=median if np.isfinite(median) else None,
        high=high if np.isfinite(high) else None,
        sentence=range_words(low, high, answer.horizon, answer.unit, answer.crossing),
        fan=None,
        draws=draws,
    )


def _life(path: WearPath, limit: float, part: str) -> tuple[float, float] | None:
    """Between which two readings a path came to the limit; None where it has no reading that counts."""
    counts = np.array([name == part for name in path.parts]) if part and path.parts else np.ones(path.age.size, bool)
    age, middle = path.age[counts], middle_of(path.low, path.high)[counts]
    if not age.size:
        return None
    over = np.flatnonzero(middle >= limit * (1 - SAME))
    if not over.size:
        return float(age[-1]), np.inf
    at = int(over[0])
    return (float(age[at - 1]) if at else 0.0), max(float(age[at]), _FIRST)
