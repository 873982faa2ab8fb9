"""What a chart setting costs in false alarms, what it sees, and which width gives a wanted rate."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from spc.chart.checks import number_in
from spc.chart.markov import ENDLESS
from spc.chart.rules import RULES, RunRule
from spc.chart.run_length import RunLength, ewma_run_length, rule_run_length

__all__ = ["RulePrice", "ewma_width_for", "in_points", "one_in", "points_between", "price", "sees"]

BASE = (RULES["beyond the limit"],)
_RAREST = 1e-6  # chance of one point: what a fitted law says of rarer ones is no knowledge; our own rule
_NARROWEST, _WIDEST = 0.05, 8.0  # widths of a drifting average looked at, standard deviations of it


@dataclass(frozen=True, slots=True)
class RulePrice:
    """Days between false alarms with and without one rule."""

    rule: RunRule
    days_together: float  # with the base rules
    days_base: float  # the base rules by themselves
    sentence: str


def price(
    rules: tuple[RunRule, ...],
    points_per_day: float,
    *,
    limit_z: float = 3.0,
    sides: str = "both",
    base: tuple[RunRule, ...] = BASE,
) -> tuple[RulePrice, ...]:
    """Days between false alarms for each rule added to the base, from exact run lengths.

    Parameters
    ----------
    rules : tuple of RunRule
        Rules to be priced, one at a time.
    points_per_day : float
        Faces charted a day, greater than 0.
    limit_z : float
        Distance from centre to limit, standard deviations.
    sides : {'both', 'upper', 'lower'}
    base : tuple of RunRule
        What is on already.

    Returns
    -------
    tuple of RulePrice

    Raises
    ------
    ValueError
        For settings out of range.
    """
    pace = number_in(points_per_day, "points_per_day", above=0.0)
    before = rule_run_length(base, limit_z=limit_z, sides=sides).average
    priced = []
    for rule in rules:
        together_rules = base if rule in base else (*base, rule)
        together = rule_run_length(together_rules, limit_z=limit_z, sides=sides).average
        sentence = (
            f"{rule.words}: a false alarm every {in_points(together / pace)} days instead of every "
            f"{in_points(before / pace)} days"
        )
        priced.append(RulePrice(rule, together / pace, before / pace, sentence))
    return tuple(priced)


def sees(
    run_length: Callable[[float], RunLength],
    *,
    shifts_sd: tuple[float, ...] = (0.5, 1.0, 2.0),
    sd_in_unit: float = 1.0,
    unit: str = "sd",
) -> str:
    """Say in words how soon a chart sees a lasting shift.

    Parameters
    ----------
    run_length : function of the shift in standard deviations
    shifts_sd : tuple of float
    sd_in_unit, unit : float, str
        One standard deviation in the unit a person reads in, and that unit's name: 0.3, 'band'.

    Returns
    -------
    str
    """
    parts = [
        f"{shift * sd_in_unit:.3g} {unit} after about {in_points(run_length(shift).average)}" for shift in shifts_sd
    ]
    return "sees a lasting shift of " + ", ".join(parts) + " points"


def one_in(chance: float, what: str) -> str:
    """Return a chance as a person would say it: '1 face in 3,820'; of one that no fitted law can tell, so much.

    Parameters
    ----------
    chance : float
        0 to 1.
    what : str
        One of those counted: 'face'.
    """
    said = f"1 {what} in {in_points(1 / max(chance, _RAREST))}"
    return said if chance >= _RAREST else f"fewer than {said}"


def points_between(chance: float) -> str:
    """Return how many points lie between two of such a chance per point, as a person would say it."""
    return in_points(1.0 / chance if chance > 1.0 / ENDLESS else math.inf)


def in_points(value: float) -> str:
    """Return a count as a person would say it: two figures below 100, otherwise three."""
    if not value < ENDLESS:
        return "endlessly many"
    if value < 0.05:
        return f"{value:.1g}"
    if value < 9.95:
        return f"{value:.1f}".rstrip("0").rstrip(".")
    digits = 2 if value < 100 else 3
    scale = 10 ** max(math.floor(math.log10(value)) + 1 - digits, 0)
    return f"{round(value / scale) * scale:,.0f}"


@lru_cache(maxsize=256)
def ewma_width_for(average: float, *, weight: float, sides: str = "both") -> float:
    """Return the width, in standard deviations of the average, that gives a wanted average run length.

    Parameters
    ----------
    average : float
        Points between false alarms, greater than 1.
    weight : float
        Of the newest reading.
    sides : {'both', 'upper', 'lower'}

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If the average cannot be reached with this weight.
    """
    from scipy.optimize import brentq

    def length(width: float) -> float:
        return ewma_run_length(weight, width, sides=sides).average

    wanted = number_in(average, "average", above=1.0)
    low = upper = _NARROWEST
    least = most = length(low)
    while most < wanted and upper < _WIDEST:  # grow step by step: far beyond, the chain is singular in floating point
        low, upper = upper, min(max(1.25 * upper, upper + 0.25), _WIDEST)
        most = length(upper)
    if not least <= wanted <= most:
        raise ValueError(
            f"`average` must be within what `weight` can give ({in_points(least)} to {in_points(most)} points), "
            f"got {average:g}"
        )
    log_wanted = math.log(wanted)
    return float(brentq(lambda width: math.log(length(width)) - log_wanted, low, upper, xtol=1e-7, rtol=1e-8))
