"""How many points a chart plots before it signals, truly or falsely, for the very settings in use."""

import math
from dataclasses import dataclass
from functools import lru_cache

from spc.chart.checks import choice, finite, number_in
from spc.chart.markov import Chain, ChainLaw, average_from, chain_law, law_of_both
from spc.chart.recursion_chain import Recursion, recursion_chain
from spc.chart.rule_chain import rule_chain
from spc.chart.rules import SIDES, RunRule

__all__ = ["RunLength", "cusum_run_length", "ewma_run_length", "rule_run_length", "run_length_of"]


@dataclass(frozen=True, slots=True)
class RunLength:
    """Run length of one chart at one shift; points count from 1, the signalling point included."""

    average: float  # points, from a fresh start
    steady_average: float  # points, when the shift comes upon a chart that has run for long
    deviation: float  # standard deviation of the run length, points
    percentile_5: float  # points by which 5 % of runs have signalled
    percentile_10: float
    median: float
    percentile_90: float
    percentile_95: float
    shift_sd: float  # as asked
    chart: str  # the settings in words
    method: str  # the route taken


def rule_run_length(
    rules: tuple[RunRule, ...],
    *,
    limit_z: float = 3.0,
    sides: str = "both",
    shift_sd: float = 0.0,
    spread_ratio: float = 1.0,
) -> RunLength:
    """Run length of a set of run rules working together, by their exact Markov chain.

    Parameters
    ----------
    rules : tuple of RunRule
        At least one.
    limit_z : float, default 3
        Distance from centre to limit, standard deviations, greater than 0.
    sides : {'both', 'upper', 'lower'}
    shift_sd : float, default 0
        Shift of the mean, standard deviations; either sign.
    spread_ratio : float, default 1
        True spread over the spread the chart was set with, greater than 0.

    Returns
    -------
    RunLength

    Raises
    ------
    ValueError
        For an empty set of rules, or settings out of range.

    Notes
    -----
    Independent normal z-scores. On stepped readings the rules see z-scores that are not quite normal.

    References
    ----------
    Champ and Woodall (1987), Technometrics 29(4), 393-399.
    """
    if not rules:
        raise ValueError("`rules` must hold at least one rule, got none")
    limit = number_in(limit_z, "limit_z", above=0.0)
    choice(sides, "sides", SIDES)
    shift = finite(shift_sd, "shift_sd")
    spread = number_in(spread_ratio, "spread_ratio", above=0.0)
    return _rule_run_length(tuple(rules), limit, sides, shift, spread)


@lru_cache(maxsize=512)
def _rule_run_length(rules: tuple[RunRule, ...], limit: float, sides: str, shift: float, spread: float) -> RunLength:
    calm = rule_chain(rules, limit_z=limit, sides=sides)
    moved = rule_chain(rules, limit_z=limit, sides=sides, shift_sd=shift, spread_ratio=spread)
    words = "; ".join(rule.words for rule in rules)
    return run_length_of(
        moved,
        calm,
        shift_sd=shift,
        chart=f"limit at {limit:g} sd ({sides if sides != 'both' else 'both sides'}): {words}",
        method="Markov chain generated from the rules (Champ and Woodall 1987), independent normal points",
    )


def ewma_run_length(
    weight: float,
    width_sd: float,
    *,
    sides: str = "both",
    exact_limits: bool = False,
    shift_sd: float = 0.0,
    spread_ratio: float = 1.0,
    start_sd: float = 0.0,
    limit_z: float | None = None,
    route: str = "integral",
) -> RunLength:
    """Run length of a drifting average (EWMA) of standardised points.

    Parameters
    ----------
    weight : float
        Weight of the newest point, greater than 0 and at most 1.
    width_sd : float
        Limits in standard deviations of the average, greater than 0.
    sides : {'both', 'upper', 'lower'}
        A one-sided average is held back at the centre (reflection), so a good spell cannot hide a bad one.
    exact_limits : bool
        Narrower limits while the average is young; otherwise the settled limits from the first point.
    shift_sd, spread_ratio : float
        Mean and spread of the standardised points.
    start_sd : float
        Where the average starts, standard deviations of a point.
    limit_z : float, optional
        A single point beyond this signals too; the chain is then cut into cells.
    route : {'integral', 'markov'}

    Returns
    -------
    RunLength

    Raises
    ------
    ValueError
        For settings out of range.

    References
    ----------
    Lucas and Saccucci (1990), Technometrics 32(1), 1-29; Crowder (1987), Technometrics 29(4).
    """
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    single = _single_limit(limit_z)
    path = _route(route, single)
    sign = -1.0 if sides == "lower" else 1.0
    chart = Recursion(
        carry=1.0 - lam,
        gain=lam,
        drain=0.0,
        limit=width * math.sqrt(lam / (2.0 - lam)),
        both=sides == "both",
        early=(1.0 - lam) ** 2 if exact_limits else 0.0,
    )
    shift = finite(shift_sd, "shift_sd")
    moved, calm = _pair(chart, sign * finite(start_sd, "start_sd"), sign * shift, spread_ratio, path, single)
    early = "exact early limits" if exact_limits else "settled limits from the start"
    words = f"drifting average, newest point weighs {lam:g}, limits at {width:g} sd of the average, {early}"
    return run_length_of(
        moved, calm, shift_sd=shift, chart=_with_sides(words, sides, single), method=_route_words(path)
    )


def cusum_run_length(
    reference_sd: float,
    decision_sd: float,
    *,
    sides: str = "both",
    head_start: float = 0.0,
    shift_sd: float = 0.0,
    spread_ratio: float = 1.0,
    limit_z: float | None = None,
    route: str = "integral",
) -> RunLength:
    """Run length of a cumulative sum (CUSUM) of standardised points.

    Parameters
    ----------
    reference_sd : float
        What each point must exceed to add to the sum, standard deviations, 0 or more.
    decision_sd : float
        The sum that signals, standard deviations, greater than 0.
    sides : {'both', 'upper', 'lower'}
    head_start : float
        Share of the decision at which the sum starts (fast start), 0 to below 1.
    shift_sd, spread_ratio : float
        Mean and spread of the standardised points.
    limit_z : float, optional
        A single point beyond this signals too; the chain is then cut into cells.
    route : {'integral', 'markov'}

    Returns
    -------
    RunLength

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    Both sides together: 1/L = 1/L_high + 1/L_low, with the extension to a fast start of Lucas and Crosier; the
    percentiles and the spread come from the two sums taken as independent, stretched to the exact average (within
    about 2 % of counting). With a limit for single points each sum watches the single points of its own side.

    References
    ----------
    Brook and Evans (1972), Biometrika 59(3); Lucas and Crosier (1982), Technometrics 24(3), 199-205.
    """
    reference = number_in(reference_sd, "reference_sd", least=0.0)
    decision = number_in(decision_sd, "decision_sd", above=0.0)
    choice(sides, "sides", SIDES)
    share = number_in(head_start, "head_start", least=0.0)
    if share >= 1.0:
        raise ValueError(f"`head_start` must be a share of the decision below 1, got {head_start}; 0.5 is usual")
    single = _single_limit(limit_z)
    path = _route(route, single)
    shift = finite(shift_sd, "shift_sd")
    chart = Recursion(carry=1.0, gain=1.0, drain=reference, limit=decision, both=False)
    fast = f", fast start at {share:g} of it" if share else ""
    words = _with_sides(f"cumulative sum, reference {reference:g} sd, decision at {decision:g} sd{fast}", sides, single)
    ways = {"both": (1.0, -1.0), "upper": (1.0,), "lower": (-1.0,)}[sides]
    pairs = [_pair(chart, share * decision, sign * shift, spread_ratio, path, single) for sign in ways]
    if len(pairs) == 1:
        return run_length_of(*pairs[0], shift_sd=shift, chart=words, method=_route_words(path))
    fast_laws = [chain_law(moved) for moved, _ in pairs]
    settled = fast_laws
    if share:
        settled = [chain_law(_pair(chart, 0.0, sign * shift, spread_ratio, path, single)[0]) for sign in ways]
    steady = [average_from(moved, chain_law(calm).steady) for moved, calm in pairs]
    (high, low), (high_0, low_0) = (law.average for law in fast_laws), (law.average for law in settled)
    average = min(high, low)
    if math.isfinite(high) and math.isfinite(low):
        average = (high * low_0 + low * high_0 - high_0 * low_0) / (high_0 + low_0)
    joint = law_of_both(fast_laws[0], fast_laws[1])
    return _worded(
        joint,
        scale=average / joint.average if math.isfinite(joint.average) else 1.0,
        average=average,
        steady_average=_first_of(steady[0], steady[1]),
        shift_sd=shift,
        chart=words,
        method=_route_words(path),
    )


def run_length_of(moved: Chain, calm: Chain, *, shift_sd: float, chart: str, method: str) -> RunLength:
    """Return the run length of a chain; `calm` is the same chain without shift, for the steady state."""
    law = chain_law(moved)
    steady = law.steady if moved is calm else chain_law(calm).steady
    steady_average = average_from(moved, steady) if steady.sum() > 0 else law.average
    return _worded(
        law, average=law.average, steady_average=steady_average, shift_sd=shift_sd, chart=chart, method=method
    )


def _first_of(one: float, other: float) -> float:
    """Average wait for the first of two signals, each coming at its own steady rate."""
    rate = 1.0 / one + 1.0 / other
    return 1.0 / rate if rate > 0.0 else math.inf


def _worded(
    law: ChainLaw,
    *,
    average: float,
    steady_average: float,
    shift_sd: float,
    chart: str,
    method: str,
    scale: float = 1.0,
) -> RunLength:
    """Put a law into its figures; `scale` stretches its spread and percentiles."""

    def point(share: float) -> float:
        value = law.percentile(share)
        return value if scale == 1.0 or not math.isfinite(value) else max(1.0, float(round(scale * value)))

    return RunLength(
        average=average,
        steady_average=steady_average,
        deviation=scale * law.deviation,
        percentile_5=point(0.05),
        percentile_10=point(0.1),
        median=point(0.5),
        percentile_90=point(0.9),
        percentile_95=point(0.95),
        shift_sd=shift_sd,
        chart=chart,
        method=method,
    )


def _pair(
    chart: Recursion, start: float, shift: float, spread_ratio: float, route: str, single: float
) -> tuple[Chain, Chain]:
    """Return the chain at the shift and the chain without it."""
    spread = number_in(spread_ratio, "spread_ratio", above=0.0)
    calm = recursion_chain(chart, start=start, route=route, limit_z=single)
    if shift == 0.0 and spread == 1.0:
        return calm, calm
    moved = recursion_chain(chart, start=start, shift_sd=shift, spread_ratio=spread, route=route, limit_z=single)
    return moved, calm


def _single_limit(limit_z: float | None) -> float:
    return math.inf if limit_z is None else number_in(limit_z, "limit_z", above=0.0)


def _route(route: str, single: float) -> str:
    """Return the route to take: a limit for single points needs the cells."""
    choice(route, "route", ("integral", "markov"))
    return "markov" if math.isfinite(single) else route


def _route_words(route: str) -> str:
    if route == "integral":
        return "integral equation on Gauss-Legendre nodes (Crowder 1987), independent normal points"
    return "Markov chain of cells (Brook and Evans 1972), independent normal points"


def _with_sides(words: str, sides: str, single: float) -> str:
    where = {"both": "both sides", "upper": "upper side only", "lower": "lower side only"}[sides]
    extra = f", and single points beyond {single:g} sd" if math.isfinite(single) else ""
    return f"{words}, {where}{extra}"
