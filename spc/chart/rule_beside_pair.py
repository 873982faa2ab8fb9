"""What one run rule costs beside the two rules that are always on: the limit and the drifting average."""

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.chart.checks import choice, number_in
from spc.chart.markov import Chain, average_from
from spc.chart.price import in_points
from spc.chart.recursion_chain import Recursion, recursion_chain
from spc.chart.rule_chain import rule_automaton
from spc.chart.rules import SIDES, RunRule

__all__ = ["pair_run_length", "price_beside_pair", "rule_and_pair_run_length"]

CELLS = 61  # of the average in the joint chain, odd; its small error is taken out by that of the pair alone


def pair_run_length(
    *, limit_z: float, weight: float, average_limit_z: float, sides: str, shift_sd: float = 0.0
) -> float:
    """Average points until the limit or the drifting average signals, from a fresh start.

    Parameters
    ----------
    limit_z, average_limit_z : float
        Standard deviations of a point, greater than 0.
    weight : float
        Of the newest point in the average, greater than 0 and at most 1.
    sides : {'both', 'upper', 'lower'}
        One-sided averages are held back at the centre.
    shift_sd : float
        Towards the watched side.
    """
    choice(sides, "sides", SIDES)
    both = sides == "both"
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    edge = number_in(average_limit_z, "average_limit_z", above=0.0)
    chart = Recursion(carry=1.0 - lam, gain=lam, drain=0.0, limit=edge, both=both)
    single = number_in(limit_z, "limit_z", above=0.0)
    chain = recursion_chain(chart, shift_sd=shift_sd, route="markov", limit_z=single)
    start = np.zeros(chain.start.size)
    start[start.size // 2 if both else 0] = 1.0
    return average_from(chain, start)


def rule_and_pair_run_length(
    rule: RunRule, *, limit_z: float, weight: float, average_limit_z: float, sides: str, shift_sd: float = 0.0
) -> float:
    """Average points until the limit, the drifting average or one run rule signals, from a fresh start.

    Parameters
    ----------
    rule : RunRule
    limit_z, weight, average_limit_z, sides, shift_sd
        As for `pair_run_length`.

    Notes
    -----
    One chain of both memories: what the rule remembers (Champ and Woodall 1987) with the cell the average lies in
    (Brook and Evans 1972). The error of the cells, under 1 %, is taken out by the same cells without the rule.
    """
    choice(sides, "sides", SIDES)
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    edge = number_in(average_limit_z, "average_limit_z", above=0.0)
    single = number_in(limit_z, "limit_z", above=0.0)
    both = sides == "both"
    fine = pair_run_length(limit_z=single, weight=lam, average_limit_z=edge, sides=sides, shift_sd=shift_sd)
    with_rule, without = _joint(rule, single, lam, edge, both, float(shift_sd))
    return min(fine, fine * with_rule / without)


def price_beside_pair(
    rule: RunRule, points_per_day: float, *, limit_z: float, weight: float, average_limit_z: float, sides: str
) -> str:
    """Say in days what a rule costs beside the limit and the drifting average.

    Parameters
    ----------
    rule : RunRule
    points_per_day : float
        Faces charted a day, greater than 0.
    limit_z, weight, average_limit_z, sides
        As for `pair_run_length`.
    """
    pace = number_in(points_per_day, "points_per_day", above=0.0)
    before = pair_run_length(limit_z=limit_z, weight=weight, average_limit_z=average_limit_z, sides=sides) / pace
    after = (
        rule_and_pair_run_length(rule, limit_z=limit_z, weight=weight, average_limit_z=average_limit_z, sides=sides)
        / pace
    )
    return (
        f"{rule.words}: with the limit and the drifting average a false alarm every {in_points(after)} days instead of "
        f"every {in_points(before)} days"
    )


@lru_cache(maxsize=256)
def _joint(rule: RunRule, limit_z: float, weight: float, edge: float, both: bool, shift: float) -> tuple[float, float]:
    """Average run length on the coarse cells with the rule, and without it."""
    automaton = rule_automaton((rule,), "both" if both else "upper")
    place = np.arange(CELLS, dtype=np.float64)
    if both:
        cell = edge * (2.0 * place + 1.0 - CELLS) / CELLS
        rims = np.append(cell - edge / CELLS, edge)
    else:
        cell = place * (2.0 * edge / (2 * CELLS - 1))
        rims = np.concatenate(([-math.inf], cell[1:] - cell[1] / 2, [edge]))
    reach = (rims[None, :] - (1.0 - weight) * cell[:, None]) / weight
    reach = np.clip(reach, -limit_z if both else -math.inf, limit_z)
    cuts = np.concatenate(([-math.inf], automaton.cuts * limit_z, [math.inf]))
    low = np.maximum(reach[:, None, :-1], cuts[None, :-1, None])
    high = np.minimum(reach[:, None, 1:], cuts[None, 1:, None])
    law = np.maximum(ndtr(high - shift) - ndtr(low - shift), 0.0)  # (cell, region, new cell)
    states, letters = automaton.step.shape
    joint = np.zeros((states, CELLS, states, CELLS))
    for state in range(states):
        for letter in range(letters):
            after = int(automaton.step[state, letter])
            if after >= 0:
                joint[state, :, after, :] += law[:, letter, :]
    size = states * CELLS
    middle = CELLS // 2 if both else 0
    start, alone = np.zeros(size), np.zeros(CELLS)
    start[middle], alone[middle] = 1.0, 1.0  # state 0 of the rule: nothing remembered yet
    with_rule = average_from(Chain(start=start, matrix=joint.reshape(size, size)), start)
    return with_rule, average_from(Chain(start=alone, matrix=law.sum(axis=1)), alone)
