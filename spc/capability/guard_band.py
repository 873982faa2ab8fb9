"""Conformity of a reading to a limit: the chance that a face conforms, and what an acceptance limit costs.

A reading is not the face. The reader adds an error, and the step folds a stretch of true values into one reading;
"2 bands" against a limit of 2 bands may be either side of it. Here the process law is the prior, the reader's spread
and the step are the likelihood, and every rule of acceptance is priced in both coins: bad faces accepted, good faces
rejected.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.model.interval_fit import IntervalFit

__all__ = ["AcceptanceRule", "AcceptanceTrade", "acceptance_trade", "conformance_probability", "guarded_limit"]

Array = NDArray[np.float64]

Bools = NDArray[np.bool_]

_SLICES = 2000  # equal shares of the process law; the integrals are sums over their middles
_TAIL = 300  # cells of the tail over the limit, each as much thinner in mass than the one before
_THINNEST = 1e-300  # share over the limit below which there is none
_REACH, _AROUND = 6.0, 121  # standard deviations of the reader cut finely around an end, and into how many
_NEAR = 40  # ends that are so surrounded, the highest ones
_MOST_RULES = 200
_SAME = 1e-9  # share of the limit by which a sum of steps may miss it
_FAR_OFF, _SURELY_MADE = 9.0, 1e-9  # standard deviations; share of the law


@dataclass(frozen=True, slots=True)
class AcceptanceRule:
    """One rule 'accept when the reading is at most `accept_um`' and what it costs."""

    accept_um: float  # largest accepted reading, nominal
    bad_accepted: float  # share of the bad faces that are accepted, 0 to 1; NaN when no face is bad
    good_rejected: float  # share of the good faces that are rejected
    bad_among_accepted: float  # share of the accepted faces that are bad (the consumer's global risk, relative)
    accepted: float  # share of all faces accepted


@dataclass(frozen=True, slots=True)
class AcceptanceTrade:
    """All rules a stepped reading allows, narrow to wide, and the one chosen for a risk."""

    rules: tuple[AcceptanceRule, ...]
    chosen: AcceptanceRule | None  # widest rule whose accepted faces are bad at most as often as `risk`
    risk: float
    upper_um: float
    step_um: float
    reader_sd_um: float
    bad_share: float  # share of all faces truly over the limit, by the process law
    family: str
    sentence: str  # the decision rule in words, to be printed with every verdict

    def near_limit(self, most: int) -> tuple[AcceptanceRule, ...]:
        """Give the rules nearest to the limit that accept any face, and the chosen one, narrow to wide."""
        live = sorted((r for r in self.rules if r.accepted > 0), key=lambda r: abs(r.accept_um - self.upper_um))
        taken = {r.accept_um: r for r in (*live[:most], *([self.chosen] if self.chosen is not None else []))}
        return tuple(taken[at] for at in sorted(taken))


def guarded_limit(upper_um: float, *, u_um: float, confidence: float = 0.95) -> float:
    """Give the acceptance limit that keeps every accepted reading's conformance probability at `confidence`.

    Parameters
    ----------
    upper_um : float
        Limit on the drawing, micrometres.
    u_um : float
        Standard uncertainty of one reading, micrometres, 0 or more.
    confidence : float, default 0.95
        Between 0.5 and 1.

    Returns
    -------
    float
        upper_um - z u_um, micrometres; 0 or less means that no reading can be accepted.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    ISO 14253-1:2017 sets 95 % one-sided as its default rule (from memory of the standard).
    """
    if not (math.isfinite(upper_um) and upper_um > 0):
        raise ValueError(f"`upper_um` must be a finite number greater than 0, got {upper_um}")
    if not (math.isfinite(u_um) and u_um >= 0):
        raise ValueError(f"`u_um` must be a finite number, 0 or more, got {u_um}")
    if not 0.5 <= confidence < 1:
        raise ValueError(f"`confidence` must be from 0.5 to below 1, got {confidence}")
    return upper_um - float(special.ndtri(confidence)) * u_um


def conformance_probability(
    low_um: ArrayLike, high_um: ArrayLike, *, process: IntervalFit, upper_um: float, reader_sd_um: float
) -> Array:
    """Chance that faces read as intervals truly meet their limit.

    Parameters
    ----------
    low_um, high_um : array-like (n,)
        The readings as intervals, micrometres; `high_um` may be infinite.
    process : IntervalFit
        Law of the true flatness (the prior), status other than 'refused'.
    upper_um : float
        Limit, micrometres, greater than 0.
    reader_sd_um : float
        Standard deviation of the reader's error before the step rounds it, micrometres, 0 or more.

    Returns
    -------
    ndarray (n,)
        P(true <= upper | reading), 0 to 1; NaN when the law gives the reading no chance at all.

    Notes
    -----
    Posterior = process law x chance of the reading given the true value; bounded at zero by the law itself. It is as
    good as the law is where readings are few, which is the tail.

    References
    ----------
    JCGM 106:2012, clause 6 (prior, likelihood, posterior), for a stepped reading.
    """
    _check_limit(upper_um, reader_sd_um)
    low, high = (np.atleast_1d(np.asarray(end, dtype=np.float64)) for end in (low_um, high_um))
    ends = np.concatenate([low, high])
    true, mass, bad = _cells(process, upper_um, reader_sd_um, ends[np.isfinite(ends)])
    chance = np.full(low.size, math.nan)
    # So far under the limit the reader would have to be nine standard deviations off for the face to be bad.
    likely = process.cdf(np.maximum(high, 0.0)) - process.cdf(np.maximum(low, 0.0)) > _SURELY_MADE
    sure = likely & (high + _FAR_OFF * reader_sd_um <= upper_um)
    chance[sure] = 1.0
    for at in np.flatnonzero(~sure).tolist():
        weight = mass * _read_within(true, low[at : at + 1], high[at : at + 1], reader_sd_um)[0]
        total = float(weight.sum())
        if total > 0:
            chance[at] = min(float(weight[~bad].sum() / total), 1.0)
    return chance


def acceptance_trade(
    process: IntervalFit, *, upper_um: float, step_um: float, reader_sd_um: float, risk: float = 0.005
) -> AcceptanceTrade:
    """Price every rule 'accept up to this reading' that the reading's steps allow.

    Parameters
    ----------
    process : IntervalFit
        Law of the true flatness, status other than 'refused'.
    upper_um : float
        Limit, micrometres, greater than 0.
    step_um : float
        Step of the readings, micrometres, greater than 0.
    reader_sd_um : float
        Standard deviation of the reader's error, micrometres, 0 or more.
    risk : float, default 0.005
        Largest share of bad faces among the accepted ones that the site allows, between 0 and 1.

    Returns
    -------
    AcceptanceTrade

    Raises
    ------
    ValueError
        If an argument is out of range or the law was refused.

    Notes
    -----
    A reading r stands for true value plus error in (r - step/2, r + step/2], and 0 for everything below step/2.
    """
    _check_limit(upper_um, reader_sd_um)
    if not (math.isfinite(step_um) and step_um > 0):
        raise ValueError(f"`step_um` must be a finite number greater than 0, got {step_um}")
    if not 0 < risk < 1:
        raise ValueError(f"`risk` must be between 0 and 1, got {risk}")
    highest = int(math.ceil(upper_um / step_um)) + 2
    fine = np.arange(max(0, highest - _MOST_RULES // 2), highest + 1)  # every step near the limit, fewer far below it
    steps = np.union1d(np.arange(0, highest, max(1, -(-2 * highest // _MOST_RULES))), fine)
    accepts = np.asarray(step_um * steps, dtype=np.float64)
    true, mass, bad = _cells(process, upper_um, reader_sd_um, accepts[-40:] + step_um / 2)
    below = _read_within(true, np.full(accepts.size, -np.inf), accepts + step_um / 2, reader_sd_um)
    rules = tuple(_priced(float(a), row, mass, bad) for a, row in zip(accepts, below, strict=True))
    highest_um = upper_um * (1 + _SAME)
    allowed = [r for r in rules if r.accepted > 0 and r.bad_among_accepted <= risk and r.accept_um <= highest_um]
    chosen = allowed[-1] if allowed else None
    bad_share = float(process.sf(upper_um))
    return AcceptanceTrade(
        rules=rules,
        chosen=chosen,
        risk=risk,
        upper_um=upper_um,
        step_um=step_um,
        reader_sd_um=reader_sd_um,
        bad_share=bad_share,
        family=process.family,
        sentence=_in_words(chosen, upper_um, step_um, reader_sd_um, risk, process.family),
    )


def _priced(accept_um: float, accepted: Array, mass: Array, bad: NDArray[np.bool_]) -> AcceptanceRule:
    good_total, bad_total = float(mass[~bad].sum()), float(mass[bad].sum())
    bad_accepted = float((accepted * mass)[bad].sum())
    total = bad_accepted + float((accepted * mass)[~bad].sum())
    return AcceptanceRule(
        accept_um=accept_um,
        bad_accepted=bad_accepted / bad_total if bad_total > 0 else math.nan,
        good_rejected=float(((1 - accepted) * mass)[~bad].sum()) / good_total if good_total > 0 else math.nan,
        bad_among_accepted=bad_accepted / total if total > 0 else 0.0,
        accepted=total,
    )


def _cells(process: IntervalFit, upper_um: float, reader_sd_um: float, near_um: Array) -> tuple[Array, Array, Bools]:
    """Cut the law into cells: their middles, their masses, and which lie over the limit.

    Cells are equal shares of the law, equal shares of ever thinner parts of its tail, and narrow beside the reader's
    spread around the limit and the ends `near_um`; the limit is itself an end of cells.
    """
    if process.status == "refused":
        raise ValueError(f"`process` must be a fitted law; it was refused: {process.reason}")
    over = float(process.sf(upper_um))
    tail = process.isf(np.geomspace(max(over, _THINNEST), max(over, _THINNEST) * 1e-9, _TAIL))
    ends = process.ppf(np.arange(_SLICES) / _SLICES)
    reach = reader_sd_um * np.linspace(-_REACH, _REACH, _AROUND)
    close = (np.append(np.unique(near_um)[-_NEAR:], upper_um)[:, None] + reach).ravel()
    edges = np.unique(np.concatenate([[0.0, upper_um], ends, tail, close]))
    edges = edges[np.isfinite(edges) & (edges >= 0)]
    at = int(np.searchsorted(edges, upper_um))
    mass = np.concatenate([np.diff(process.cdf(edges[: at + 1])), -np.diff(process.sf(edges[at:]))])
    mass[-1] += float(process.sf(edges[-1]))
    middle = (edges[1:] + edges[:-1]) / 2
    return middle, np.maximum(mass, 0.0), middle > upper_um


def _read_within(true: Array, low: Array, high: Array, reader_sd: float) -> Array:
    """P(reading falls in (low, high] | true), shape (rules, true); a reading of zero takes all errors below it."""
    bottom = np.where(low <= 0, -np.inf, low)[:, None]
    if reader_sd == 0:
        return ((true > bottom) & (true <= high[:, None])).astype(float)
    return np.asarray(special.ndtr((high[:, None] - true) / reader_sd) - special.ndtr((bottom - true) / reader_sd))


def _check_limit(upper_um: float, reader_sd_um: float) -> None:
    if not (math.isfinite(upper_um) and upper_um > 0):
        raise ValueError(f"`upper_um` must be a finite number greater than 0, got {upper_um}")
    if not (math.isfinite(reader_sd_um) and reader_sd_um >= 0):
        raise ValueError(f"`reader_sd_um` must be a finite number, 0 or more, got {reader_sd_um}")


def _in_words(
    chosen: AcceptanceRule | None, upper_um: float, step_um: float, reader_sd_um: float, risk: float, family: str
) -> str:
    terms = (
        f"limit {upper_um:.3g} um, step {step_um:.3g} um, reader's standard deviation {reader_sd_um:.3g} um, "
        f"{family} process law"
    )
    if chosen is None:
        return f"No reading can be accepted at a risk of {risk:.2%} bad among the accepted ({terms})."
    return (
        f"Accept readings up to {chosen.accept_um:.3g} um: {_share(chosen.bad_among_accepted)} of the accepted faces "
        f"are bad (allowed {risk:.2%}), {_share(chosen.good_rejected)} of the good ones are turned away ({terms})."
    )


def _share(value: float) -> str:
    """Write a share as per cent: one below what the law can tell is not written as none."""
    return "none" if not value > 0 else "under 0.01%" if value < 1e-4 else f"{100 * value:.2g}%"
