"""From the cycles of one group of laps to how long they last and when to recondition, in one go."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.wear.lifetime import Lifetimes, cycle_lifetimes
from spc.wear.lifetime_fit import LifetimeFit, choose_lifetime
from spc.wear.recondition_age import ReconditionAge, ages_words, no_costs, recondition_age
from spc.wear.survival import SurvivalCurve, survival_curve

__all__ = ["ReconditionPlan", "plan_recondition"]

_ALIKE = 2.0  # laws closer than this by corrected information criterion are both told: a rule of thumb [our rule]


@dataclass(frozen=True, slots=True)
class ReconditionPlan:
    """Lives of one group of laps and the age at which reconditioning costs least."""

    lifetimes: Lifetimes
    curve: SurvivalCurve
    fit: LifetimeFit
    age: ReconditionAge
    other: ReconditionAge | None  # by the other law of life, where the lives cannot tell which is right
    sentence: str


def plan_recondition(
    cycles: pd.DataFrame,
    *,
    planned_cost: float | None,
    worn_cost: float | None,
    rng: np.random.Generator,
    clock: str = "faces",
) -> ReconditionPlan:
    """Plan the reconditioning of one group of laps.

    Parameters
    ----------
    cycles : DataFrame, shape (n_cycles, ...)
        Rows of `spc.wear.cycle_table.list_cycles`, of laps of one material and grit.
    planned_cost, worn_cost : float or None
        Costs of one cycle: reconditioned by plan, and worn out in use; any unit. Without both there is no age.
    rng : numpy.random.Generator
    clock : {'faces', 'minutes'}, default 'faces'

    Returns
    -------
    ReconditionPlan

    Raises
    ------
    ValueError
        If the costs or the clock do not fit.
    """
    lives = cycle_lifetimes(cycles, clock=clock)
    curve = survival_curve(lives.low, lives.high, rng=rng)
    fits = choose_lifetime(lives.low, lives.high)
    ages = [
        no_costs(clock=clock)
        if planned_cost is None or worn_cost is None
        else recondition_age(
            fit, lives.low, lives.high, planned_cost=planned_cost, worn_cost=worn_cost, rng=rng, clock=clock,
            one_face=lives.one_face,
        )
        for fit in fits
    ]  # fmt: skip
    alike = all(fit.status == "fitted" for fit in fits) and fits[1].aicc - fits[0].aicc < _ALIKE
    sentence = f"{ages[0].sentence} ({lives.sentence}.)"
    if alike and ages[0].status != ages[1].status:
        sentence += f" The lives do not tell which law is right; by the other: {ages[1].sentence}"
    elif alike and ages[1].status == "range":
        name = "Weibull" if fits[1].family == "weibull" else fits[1].family
        sentence += f" By the {name} law, as likely: {ages_words(ages[1].flat_low, ages[1].flat_high, clock)}."
    sentence += _by_the_law_alone(lives, ages[0])
    return ReconditionPlan(lives, curve, fits[0], ages[0], ages[1] if alike else None, sentence)


def _by_the_law_alone(lives: Lifetimes, age: ReconditionAge) -> str:
    """Say so where the age of least cost is lower than any at which a cycle was found worn."""
    worn = lives.high[np.isfinite(lives.high)]
    if not np.isfinite(age.age) or worn.min() <= age.age:
        return ""
    first = f"{worn.min():.0f} {lives.clock}"
    return f" No cycle was found worn before {first}: what an earlier age costs is the word of the law of life alone."
