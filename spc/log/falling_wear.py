"""A quantity that falls to a lower limit, turned round: below zero it rises to an upper one."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.log.wear_table import WearUnit
from spc.measure.interval import middle_of

__all__ = ["WayToLimit", "turned_round", "way_to_limit"]

_PLAIN = 0.5  # rank correlation with the clock, in the middle unit; our own rule
_BEYOND_CHANCE = 1.64  # standard deviations of the sum over units: one in twenty where nothing falls; our own rule
_MOST_READINGS = 200  # of one unit whose pairs are counted
_SAY = "say --falls if it falls to the limit, --rises if it rises to it"


@dataclass(frozen=True, slots=True)
class WayToLimit:
    """Whether readings fall to a lower limit, as the units of a file tell it together."""

    falls: bool
    remark: str  # what a person should know of how it was told; '' = nothing speaks against it


def way_to_limit(units: Sequence[WearUnit]) -> WayToLimit:
    """Tell from the readings whether they rise to their limits or fall to them.

    Parameters
    ----------
    units : sequence of WearUnit
        From `spc.log.wear_table.read_wear_table`.

    Returns
    -------
    WayToLimit
        Falling where most units with a limit begin above it, the middle one falls plainly and all together fall by more
        than chance: a unit that was at its end already, or one of few readings, does not turn the others. Else rising.

    Raises
    ------
    ValueError
        If the readings fall, but are too few to build on, or fall where others begin under their limits.

    Notes
    -----
    A unit's fall is the rank correlation of its readings with the clock. That of all together is the sum of Kendall's
    S over the units in standard deviations it has where no reading hangs on the clock; readings of one unit that
    wander make it look surer than it is.

    References
    ----------
    Kendall (1938), A new measure of rank correlation, Biometrika 30(1/2).
    """
    limited = [u for u in units if np.isfinite(u.limit) and u.clock.size]
    above = [u for u in limited if float(u.low[int(np.argmin(u.clock))]) > u.limit]
    trend, together = _trend(limited)
    begin = f"{len(above)} of {len(limited)} units begin above their limit"
    most = 2 * len(above) > len(limited)
    if not limited or trend >= _PLAIN:
        return WayToLimit(False, "")
    if most and trend <= -_PLAIN:
        if together <= -_BEYOND_CHANCE:
            told = "the readings begin above it and" if len(above) == len(limited) else f"{begin}, and most"
            return WayToLimit(True, f"taken as falling to a lower limit: {told} fall (--rises says otherwise)")
        raise ValueError(f"{begin} and seem to fall to it, but their readings are too few to tell: {_SAY}")
    if above and (trend <= -_PLAIN or (2 * len(above) == len(limited) and _trend(above)[0] <= -_PLAIN)):
        raise ValueError(
            f"whether the wear rises or falls to its limit cannot be told: {begin} and fall, the others begin under "
            f"theirs: {_SAY}"
        )
    if most:
        return WayToLimit(False, f"taken as rising, though {begin} and do not plainly rise: {_SAY}")
    if trend <= -_PLAIN and together <= -_BEYOND_CHANCE:
        return WayToLimit(False, f"taken as rising, though the readings begin under their limits and fall: {_SAY}")
    return WayToLimit(False, "")


def turned_round(units: Sequence[WearUnit]) -> tuple[tuple[WearUnit, ...], tuple[int, ...]]:
    """Turn readings and limits round, below zero: what falls to a lower limit rises to an upper one.

    Parameters
    ----------
    units : sequence of WearUnit

    Returns
    -------
    tuple of (tuple of WearUnit, tuple of int)
        The same units on the same clock, and the rows left out because their reading is open above: turned round it
        has no least value.
    """
    turned, left_out = [], []
    for u in units:
        closed = np.isfinite(u.high)
        left_out += u.row_number[~closed].tolist()
        turned.append(
            replace(
                u, clock=u.clock[closed], low=-u.high[closed], high=-u.low[closed], row_number=u.row_number[closed],
                limit=-u.limit,
            )
        )  # fmt: skip
    return tuple(turned), tuple(sorted(left_out))


def _trend(units: Sequence[WearUnit]) -> tuple[float, float]:
    """Rank correlation with the clock in the middle unit, and Kendall's S of all in its standard deviations."""
    ties, score, variance = [], 0.0, 0.0
    for u in units:
        if u.clock.size < 2 or not np.ptp(u.clock):
            continue
        middle = middle_of(u.low, u.high)
        ties.append(_rank_correlation(u.clock, middle))
        some = np.unique(np.linspace(0, u.clock.size - 1, min(u.clock.size, _MOST_READINGS)).astype(np.int64))
        n, clock, reading = some.size, u.clock[some], middle[some]
        signs = np.sign(clock[:, None] - clock) * np.sign(reading[:, None] - reading)
        score += float(signs.sum()) / 2
        variance += n * (n - 1) * (2 * n + 5) / 18
    return (float(np.median(ties)), score / variance**0.5) if ties else (0.0, 0.0)


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    from scipy.stats import rankdata

    x, y = rankdata(a) - (a.size + 1) / 2, rankdata(b) - (b.size + 1) / 2
    both = float(np.sqrt(x @ x) * np.sqrt(y @ y))
    return float(x @ y) / both if both > 0 else 0.0
