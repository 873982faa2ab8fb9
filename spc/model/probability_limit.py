"""A one-sided control limit that leaves a stated share of good faces beyond it, and what that share really is.

The limit is a quantile of the fitted law. On steps the share is attained only at step edges, and a limit set from
a few faces has a false-alarm rate that is itself a matter of luck: both are worked out and said in words.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.bounds import bound, quantile_target
from spc.model.families import Array
from spc.model.interval_fit import FamilyChoice, IntervalFit
from spc.model.likelihood import Cells, fit_cells
from spc.model.simulate import draw_counts, reading_rule

__all__ = ["GUARANTEE_LEVEL", "GUARANTEE_RATIO", "ProbabilityLimit", "attained_rate", "probability_limit"]

GUARANTEE_RATIO = 1.2  # widened limits keep the true rate within this multiple of the nominal one ...
GUARANTEE_LEVEL = 0.9  # ... for this share of baselines


@dataclass(frozen=True, slots=True)
class ProbabilityLimit:
    """An upper limit with its false-alarm rate; rates are per face, under the fitted law."""

    status: str  # 'set' or 'refused'
    reason: str  # why refused, or what to know; '' if nothing
    limit_um: float
    signal_from_um: float  # lower edge of the first stretch that counts as beyond; the limit itself if exact
    centre_um: float  # median of the law
    family: str
    near_limits: tuple[tuple[str, float], ...]  # (law, limit um) of the laws that fit about as well
    n: int  # faces in the baseline
    nominal_rate: float
    attained_rate: float  # on the reading's steps
    step_um: float  # 0 = readings are exact
    rule: str  # 'whole' (the whole reading beyond) or 'middle' (its written value beyond)
    guaranteed: bool
    false_calls_per_week: float  # NaN if the faces per week are not known
    rate_low: float  # 10 % and 90 % of baselines of this length have a true rate below; NaN if not asked
    rate_high: float
    baseline_sentence: str
    method: str
    sentence: str

    def beyond(self, low_um: ArrayLike, high_um: ArrayLike | None = None) -> NDArray[np.bool_]:
        """Say which readings lie beyond the limit, by the same rule the attained rate was worked out for."""
        low = np.asarray(low_um, dtype=float)
        high = low if high_um is None else np.asarray(high_um, dtype=float)
        exact = high <= low * (1 + 1e-9)
        value = np.where(np.isfinite(high), 0.5 * (low + high), low) if self.rule == "middle" else low
        slack = 1e-9 * self.limit_um
        return np.asarray(np.where(exact, low > self.limit_um, value >= self.limit_um - slack))


def attained_rate(fit: IntervalFit, limit_um: float, *, step_um: float, rule: str = "whole") -> tuple[float, float]:
    """Share of good faces whose reading lies beyond a limit, and the lower edge of the first such reading.

    Parameters
    ----------
    fit : IntervalFit
    limit_um : float
    step_um : float
        Readings are rounded to the nearest multiple of this; 0 = exact.
    rule : str, default 'whole'
        'whole': a reading is beyond when all it stands for is; the attained rate then never exceeds the nominal one.
        'middle': a reading is beyond when its written value is.

    Returns
    -------
    (rate, edge_um)
    """
    if rule not in ("whole", "middle"):
        raise ValueError(f"`rule` must be 'whole' or 'middle', got {rule!r}")
    edge = _signal_edge(np.asarray(limit_um), step_um, rule)
    return float(_kept_tail(fit, edge)), float(edge)


def probability_limit(
    model: FamilyChoice | IntervalFit,
    *,
    rate: float = 0.0027,
    step_um: float | None = None,
    faces_per_week: float | None = None,
    guarantee: bool = False,
    rule: str = "whole",
    repetitions: int = 300,
    rng: np.random.Generator | None = None,
) -> ProbabilityLimit:
    """Set the upper limit that a share `rate` of good faces exceeds.

    Parameters
    ----------
    model : FamilyChoice or IntervalFit
        The baseline's law; a choice also gives the limits of the laws that fit about as well.
    rate : float, default 0.0027
        Nominal false-alarm rate per face, between 0 and 0.5.
    step_um : float, optional
        Reading step; default: the step of the baseline's readings.
    faces_per_week : float, optional
        For the expected false calls per week.
    guarantee : bool, default False
        Widen the limit so that for 9 of 10 baselines the true rate is at most 1.2 times the nominal one.
    rule : str, default 'whole'
        See `attained_rate`.
    repetitions : int, default 300
        Baselines drawn for the range of the true rate; 0 = leave it out.
    rng : numpy.random.Generator, optional
        Default: a fixed seed.

    Returns
    -------
    ProbabilityLimit

    References
    ----------
    True rate given estimated limits: Quesenberry (1993), J. Quality Technology 25. Guarantee: exceedance criterion,
    Albers and Kallenberg (2004), Statistics 38; here an upper confidence bound of the quantile at 1 - 1.2 rate.
    """
    if not 0 < rate < 0.5:
        raise ValueError(f"`rate` must lie between 0 and 0.5, got {rate}; 0.0027 is usual")
    if rule not in ("whole", "middle"):
        raise ValueError(f"`rule` must be 'whole' or 'middle', got {rule!r}")
    if faces_per_week is not None and not (np.isfinite(faces_per_week) and faces_per_week >= 0):
        raise ValueError(f"`faces_per_week` must be zero or more, got {faces_per_week}")
    if step_um is not None and not (np.isfinite(step_um) and step_um >= 0):
        raise ValueError(f"`step_um` must be zero or more, got {step_um}; 0 means exact readings")
    fit = model.best if isinstance(model, FamilyChoice) else model
    near = model.near if isinstance(model, FamilyChoice) else (model,)
    if fit is None or fit.status == "refused":
        return _refused(model, rate, rule, guarantee)
    step = _common_step_um(fit) if step_um is None else float(step_um)
    rng = np.random.default_rng(1) if rng is None else rng
    remark = fit.reason
    if guarantee:
        limit = _guaranteed(fit, rate, rng)
        if not np.isfinite(limit):
            guarantee, limit = False, _limit(fit, rate)
            remark = "the baseline is too short or too coarse to guarantee a rate; the limit is the plain one"
    else:
        limit = _limit(fit, rate)
    attained, edge = attained_rate(fit, limit, step_um=step, rule=rule)
    low = high = float("nan")
    words = ""
    if repetitions:
        low, high = _rate_range(fit, rate, limit, guarantee, step, rule, repetitions, rng)
        words = (
            f"with {fit.n} baseline faces the true rate lies between {_one_in(high)} and {_one_in(low)} "
            "(10 to 90% of baselines)"
        )
    weekly = float("nan") if faces_per_week is None else attained * faces_per_week
    sentence = f"limit {limit:.4g} um: {_one_in(attained)} good faces reads beyond it"
    if step > 0:
        sentence += f" on a step of {step:.3g} um (set for {_one_in(rate)})"
    if faces_per_week is not None:
        sentence += f", about {weekly:.2g} false calls a week"
    return ProbabilityLimit(
        status="set",
        reason=remark,
        limit_um=limit,
        signal_from_um=edge,
        centre_um=float(fit.ppf(0.5 * float(fit.cdf(fit.cut_um)))),
        family=fit.family,
        near_limits=tuple((other.family, _limit(other, rate)) for other in near if other.family != fit.family),
        n=fit.n,
        nominal_rate=rate,
        attained_rate=attained,
        step_um=step,
        rule=rule,
        guaranteed=guarantee,
        false_calls_per_week=weekly,
        rate_low=low,
        rate_high=high,
        baseline_sentence=words,
        method=f"quantile of the {fit.family} law by interval likelihood"
        + (f", widened: true rate at most {GUARANTEE_RATIO} x {rate:g} for 9 of 10 baselines" if guarantee else ""),
        sentence=sentence,
    )


def _kept_tail(fit: IntervalFit, x_um: Array) -> Array:
    """P(kept reading beyond x): the tail of the law, or of the law as cut off."""
    kept = float(fit.cdf(fit.cut_um))
    return np.asarray(np.maximum(fit.sf(x_um) - (1 - kept), 0.0) / kept if kept < 1 else fit.sf(x_um))


def _limit(fit: IntervalFit, rate: float) -> float:
    kept = float(fit.cdf(fit.cut_um))
    return float(fit.isf(rate * kept + (1 - kept)))


def _guaranteed(fit: IntervalFit, rate: float, rng: np.random.Generator) -> float:
    if np.isfinite(fit.cut_um):
        return float("inf")  # beyond the cut nothing is ever read: no tail to bound
    target = quantile_target(GUARANTEE_RATIO * rate)
    return bound(fit, target, level=GUARANTEE_LEVEL, rng=rng).high


def _signal_edge(limit_um: Array, step_um: float, rule: str) -> Array:
    """Lower edge of the first reading beyond each limit; readings are multiples of the step."""
    if step_um == 0:
        return np.asarray(limit_um)
    shift = 0.5 if rule == "whole" else 0.0
    first = np.ceil(limit_um / step_um + shift - 1e-9)
    return np.asarray((first - 0.5) * step_um)


def _common_step_um(fit: IntervalFit) -> float:
    """Commonest reading step of the baseline; 0 if most readings are exact."""
    readings = fit.readings
    stepped = np.isfinite(readings.high) & (readings.low > 0)
    if readings.count[stepped].sum() <= readings.exact_count.sum():
        return 0.0
    width = (readings.high - readings.low)[stepped]
    _, first, at = np.unique(np.round(width, 9), return_index=True, return_inverse=True)
    commonest = first[np.argmax(np.bincount(at, weights=readings.count[stepped]))]
    return float(width[commonest]) * readings.scale_um


def _rate_range(
    fit: IntervalFit,
    rate: float,
    limit_um: float,
    guaranteed: bool,
    step_um: float,
    rule: str,
    repetitions: int,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """10 % and 90 % points of the true rate over baselines of the same length and reading, the law as fitted."""
    law, unit, cut = fit.law, fit.readings.scale_um, fit.cut_um / fit.readings.scale_um
    rule_of_reading = reading_rule(fit.readings, law, fit.log_scale, fit.shape)
    low, high, count = draw_counts(
        rule_of_reading, law, fit.log_scale, fit.shape, repetitions=repetitions, rng=rng, cut=cut
    )
    log_scale, shape, _ = fit_cells(law, Cells(low, high, count), start=(fit.log_scale, fit.shape), reach=8.0, cut=cut)
    with np.errstate(all="ignore"):
        kept = law.cdf(cut / np.exp(log_scale), shape) if np.isfinite(cut) else np.ones_like(log_scale)
        limits = law.isf(rate * kept + (1 - kept), shape) * np.exp(log_scale) * unit
    if guaranteed:  # the widening is taken as one factor, that of the baseline at hand
        limits = limits * (limit_um / _limit(fit, rate))
    rates = _kept_tail(fit, _signal_edge(limits, step_um, rule))
    low_rate, high_rate = np.quantile(rates, [0.1, 0.9])
    return float(low_rate), float(high_rate)


def _one_in(rate: float) -> str:
    """Rate in words: '1 in 370'."""
    if not rate > 1e-6:
        return "fewer than 1 in 1,000,000"
    turns = 1 / rate
    digits = 10 ** max(int(np.floor(np.log10(turns))) - 1, 0)
    return f"1 in {round(turns / digits) * digits:,.0f}" if turns >= 2 else f"{100 * rate:.0f} in 100"


def _refused(model: FamilyChoice | IntervalFit, rate: float, rule: str, guarantee: bool) -> ProbabilityLimit:
    nan = float("nan")
    return ProbabilityLimit(
        status="refused",
        reason=model.reason,
        limit_um=nan,
        signal_from_um=nan,
        centre_um=nan,
        family="",
        near_limits=(),
        n=model.n,
        nominal_rate=rate,
        attained_rate=nan,
        step_um=nan,
        rule=rule,
        guaranteed=guarantee,
        false_calls_per_week=nan,
        rate_low=nan,
        rate_high=nan,
        baseline_sentence="",
        method="",
        sentence=f"no limit: {model.reason}",
    )
