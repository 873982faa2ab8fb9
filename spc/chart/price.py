"""What a chart setting costs in false alarms, what it sees, and which setting gives a wanted rate."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from spc.chart.checks import choice, number_in
from spc.chart.rules import RULES, SIDES, RunRule
from spc.chart.run_length import RunLength, cusum_run_length, ewma_run_length, rule_run_length

__all__ = [
    "RulePrice",
    "cusum_decision_for",
    "ewma_width_for",
    "in_points",
    "limit_for",
    "price",
    "sees",
]

BASE = (RULES["beyond the limit"],)


@dataclass(frozen=True, slots=True)
class RulePrice:
    """Days between false alarms with and without one rule."""

    rule: RunRule
    points_alone: float  # average points between its own false alarms
    days_alone: float
    points_together: float  # together with the base rules
    days_together: float
    points_base: float  # the base rules by themselves
    days_base: float
    sentence: str


def price(
    rules: tuple[RunRule, ...],
    points_per_day: float,
    *,
    limit_z: float = 3.0,
    sides: str = "both",
    base: tuple[RunRule, ...] = BASE,
) -> tuple[RulePrice, ...]:
    """Days between false alarms for each rule, alone and added to the base, from exact run lengths.

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
        alone = rule_run_length((rule,), limit_z=limit_z, sides=sides).average
        together_rules = base if rule in base else (*base, rule)
        together = rule_run_length(together_rules, limit_z=limit_z, sides=sides).average
        sentence = (
            f"{rule.words}: a false alarm every {in_points(together / pace)} days instead of every "
            f"{in_points(before / pace)} days"
        )
        priced.append(RulePrice(rule, alone, alone / pace, together, together / pace, before, before / pace, sentence))
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


def in_points(value: float) -> str:
    """Return a count as a person would say it: two figures below 100, otherwise three."""
    if not math.isfinite(value):
        return "endlessly many"
    if value < 9.95:
        return f"{value:.1f}".rstrip("0").rstrip(".")
    digits = 2 if value < 100 else 3
    scale = 10 ** max(math.floor(math.log10(value)) + 1 - digits, 0)
    return f"{round(value / scale) * scale:,.0f}"


@lru_cache(maxsize=256)
def limit_for(average: float, *, rules: tuple[RunRule, ...] = BASE, sides: str = "both") -> float:
    """Return the limit distance, in standard deviations, at which the rules have a wanted average run length.

    Parameters
    ----------
    average : float
        Points between false alarms, greater than 1.
    rules : tuple of RunRule
        All thresholds move with the limit. A rule that looks at the centre only puts a ceiling on the average.
    sides : {'both', 'upper', 'lower'}

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If the average cannot be reached by these rules.
    """
    choice(sides, "sides", SIDES)
    return _solve(average, lambda z: rule_run_length(rules, limit_z=z, sides=sides).average, 0.05, 8.0, "rules")


@lru_cache(maxsize=256)
def ewma_width_for(
    average: float, *, weight: float, sides: str = "both", exact_limits: bool = False, limit_z: float | None = None
) -> float:
    """Return the width, in standard deviations of the average, that gives a wanted average run length."""
    return _solve(
        average,
        lambda w: ewma_run_length(weight, w, sides=sides, exact_limits=exact_limits, limit_z=limit_z).average,
        0.05,
        8.0,
        "weight",
    )


@lru_cache(maxsize=256)
def cusum_decision_for(
    average: float, *, reference_sd: float, sides: str = "both", head_start: float = 0.0, limit_z: float | None = None
) -> float:
    """Return the decision, in standard deviations, that gives a wanted average run length."""
    return _solve(
        average,
        lambda h: cusum_run_length(reference_sd, h, sides=sides, head_start=head_start, limit_z=limit_z).average,
        0.05,
        12.0 / max(reference_sd, 0.1),
        "reference_sd",
    )


def _solve(average: float, run_length: Callable[[float], float], low: float, high: float, name: str) -> float:
    """Find the setting at which the run length is the one wanted; the run length grows with the setting."""
    from scipy.optimize import brentq

    wanted = number_in(average, "average", above=1.0)
    least = run_length(low)
    upper, most = low, least
    while most < wanted and upper < high:  # grow step by step: far beyond, the chain is singular in floating point
        low, upper = upper, min(max(1.25 * upper, upper + 0.25), high)
        most = run_length(upper)
    if not least <= wanted <= most:
        raise ValueError(
            f"`average` must be within what `{name}` can give ({in_points(least)} to {in_points(most)} points), "
            f"got {average:g}"
        )
    log_wanted = math.log(wanted)
    return float(brentq(lambda s: math.log(run_length(s)) - log_wanted, low, upper, xtol=1e-7, rtol=1e-8))
