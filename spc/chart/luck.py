"""Limits from few readings call falsely oftener than asked: widened for the luck of the list they rest on.

The middle and the spread of a law fitted to n readings are off by chance, and so is every limit set from them. Averaged
over such lists the two rules then call falsely several times too often: with 24 readings about four to nine times. A
width that allows for the luck of the list keeps the rate on average; it tends to the plain width as readings gather.
"""

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from spc.chart.rule_beside_pair import pair_run_length

if TYPE_CHECKING:
    from spc.chart.baseline import RulesInUse

__all__ = ["LEAST_FREEDOM", "widened_for_luck"]

LEAST_FREEDOM = 5  # of the spread, whatever else was fitted [our rule]


def widened_for_luck(rules: "RulesInUse", readings: int, *, fitted: int = 1) -> "RulesInUse":
    """Widths of both rules that keep their rate on average over lists of so many readings.

    Parameters
    ----------
    rules : RulesInUse
        Widths for a law that is known.
    readings : int
        The law rests on so many.
    fitted : int, default 1
        Numbers fitted to the middle: the middle itself, a growth with age, factors of part numbers. What they are off
        lasts, since parts come in lots.

    Returns
    -------
    RulesInUse
        `points_between` stays as it was asked for; what a shift takes is that of the wider rules.

    Raises
    ------
    ValueError
        If there are no readings.

    Notes
    -----
    In scores of a normal law the next reading less the fitted middle, over the fitted spread, is Student-t with a
    variance of 1 + fitted / readings, and the drifting average of weight L has a variance of L / (2 - L) + fitted /
    readings about the fitted middle, which is off by the same amount at every face. Taken for other laws too, their
    readings turned into normal scores; held against simulation for those.

    References
    ----------
    Quesenberry (1993), Journal of Quality Technology 25(4), 237-247 (the effect of the list on the rate); prediction
    interval of one more reading, Hahn and Meeker (1991), Statistical Intervals, section 4.6.
    """
    if readings < 1:
        raise ValueError(f"`readings` must be at least 1, got {readings}")
    return _widened(rules, readings, fitted)


@lru_cache(maxsize=512)  # grown laps rest on as many readings each
def _widened(rules: "RulesInUse", readings: int, fitted: int) -> "RulesInUse":
    from scipy.special import ndtr, ndtri, stdtrit

    freedom = max(readings - fitted, LEAST_FREEDOM)
    settled = rules.weight / (2.0 - rules.weight)
    plain = -float(ndtri(rules.alpha))
    limit_z = float(stdtrit(freedom, 1.0 - rules.alpha)) * math.sqrt(1.0 + fitted / readings)
    tail = float(ndtr(rules.average_limit_z / math.sqrt(settled)))
    average = float(stdtrit(freedom, tail)) * math.sqrt(settled + fitted / readings)
    limit_z, average = max(limit_z, plain), max(average, rules.average_limit_z)

    def run(shift: float) -> float:
        return pair_run_length(
            limit_z=limit_z, weight=rules.weight, average_limit_z=average, sides="upper", shift_sd=shift
        )

    return replace(
        rules, alpha=float(ndtr(-limit_z)), average_limit_z=average, sees_one_sd=run(1.0), sees_two_sd=run(2.0)
    )  # fmt: skip
