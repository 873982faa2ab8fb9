"""The one-sided index of bounded, skewed, stepped readings, with the bound that the readings carry.

Flatness has a natural limit at zero and one limit that can be missed, so there is one index, towards that limit:
C = (limit - x50) / (x99.865 - x50), computed after the published quantile method from the law fitted to the
readings as intervals. No lower limit at zero, no two-sided index.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.capability.refusal import Refusal
from spc.model.bounds import INDEX_TAIL, Bound, bound, index_target, tail_share_target
from spc.model.interval_fit import FamilyChoice, IntervalFit

__all__ = ["MixtureIndex", "NearIndex", "QuantileIndex", "mixture_index", "quantile_index"]


@dataclass(frozen=True, slots=True)
class NearIndex:
    """What one of the laws that fit about equally well says."""

    family: str
    index: float
    index_lower_bound: float
    beyond_ppm: float
    beyond_upper_bound_ppm: float


@dataclass(frozen=True, slots=True)
class QuantileIndex:
    """Index with its calibrated lower bound, and the share beyond the limit with its upper bound."""

    status: str  # 'computed' or 'refused'
    reason: str  # why refused; '' when computed
    word: str  # 'capability', or 'performance' where capability is refused; '' when refused
    refusals: tuple[Refusal, ...]  # why the word is not 'capability'
    index: float
    index_lower_bound: float  # under the best law, one-sided at `level`
    cautious_lower_bound: float  # the smallest over all laws not ruled out: quote this one
    beyond_ppm: float  # expected share over the limit, parts per million
    beyond_upper_bound_ppm: float
    cautious_upper_bound_ppm: float  # the largest over all laws not ruled out
    near: tuple[NearIndex, ...]  # laws that fit about as well, the best first
    others: tuple[NearIndex, ...]  # laws that fit less well but are not ruled out
    counted_beyond: int  # readings wholly beyond the limit
    counted_upper_bound_ppm: float  # model-free: Clopper-Pearson, one-sided at `level`
    limit_um: float
    median_um: float
    high_um: float  # x at 99.865 %
    family: str
    n: int
    largest_um: float  # largest reading (its lower end): beyond it the law is a claim
    level: float
    repetitions: int
    method: str
    sentence: str


@dataclass(frozen=True, slots=True)
class MixtureIndex:
    """Index of the mixture of several laws, each weighted by the faces made under it."""

    index: float
    beyond_ppm: float
    median_um: float
    high_um: float
    limit_um: float
    weights: tuple[float, ...]  # shares, adding to 1
    method: str


def quantile_index(
    model: FamilyChoice | IntervalFit,
    limit_um: float,
    *,
    refusals: Sequence[Refusal] = (),
    level: float = 0.95,
    repetitions: int = 400,
    rng: np.random.Generator | None = None,
) -> QuantileIndex:
    """Compute the one-sided index and the share beyond the limit from a fitted law.

    Parameters
    ----------
    model : FamilyChoice or IntervalFit
        Law of the readings; a choice also gives what every near law says.
    limit_um : float
        Upper limit, greater than 0, on true flatness.
    refusals : sequence of Refusal, optional
        From `refusals`: with any of them the word is 'performance', and one that bars any index refuses it.
    level : float, default 0.95
        One-sided confidence of the bounds.
    repetitions : int, default 400
        Simulated samples per calibration round.
    rng : numpy.random.Generator, optional
        Default: a fixed seed, so that a report repeats to the digit.

    Returns
    -------
    QuantileIndex

    References
    ----------
    Quantile method after ISO 22514-2 (formula from memory; computed after the published method, no claim of
    conformity). Bounds: see `spc.model.bounds.bound`. Counted share: Clopper and Pearson (1934), Biometrika 26.
    """
    if not (math.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")
    fit = model.best if isinstance(model, FamilyChoice) else model
    possible = model.possible if isinstance(model, FamilyChoice) else (model,)
    barred = [r.sentence for r in refusals if r.bars == "any index"]
    if fit is None or fit.status != "fitted" or barred:
        reason = "; ".join(barred) if barred else model.reason
        return _refused(model, limit_um, tuple(refusals), level, reason)
    rng = np.random.default_rng(1) if rng is None else rng
    said = tuple(_near(other, limit_um, level, repetitions, rng) for other in possible)
    split = len(model.near) if isinstance(model, FamilyChoice) else 1
    near, others, best = said[:split], said[split:], said[0]
    counted, counted_ppm = _counted(fit, limit_um, level)
    word = "performance" if refusals else "capability"
    cautious = min(item.index_lower_bound for item in said)
    cautious_ppm = max(item.beyond_upper_bound_ppm for item in said)
    spread = ""
    if len(near) > 1:
        low, high = min(item.index for item in near), max(item.index for item in near)
        spread = f"; laws that fit about as well say {low:.2f} to {high:.2f}"
    sentence = (
        f"{word} index {best.index:.2f}, {_at_least(cautious, level)}; expected over "
        f"the limit {_ppm(best.beyond_ppm)}, at most {_ppm(cautious_ppm)}{spread}; {fit.n:,} readings, the largest at "
        f"least {fit.readings.largest_um:.3g} um"
    )
    return QuantileIndex(
        status="computed",
        reason="",
        word=word,
        refusals=tuple(refusals),
        index=best.index,
        index_lower_bound=best.index_lower_bound,
        cautious_lower_bound=cautious,
        beyond_ppm=best.beyond_ppm,
        beyond_upper_bound_ppm=best.beyond_upper_bound_ppm,
        cautious_upper_bound_ppm=cautious_ppm,
        near=near,
        others=others,
        counted_beyond=counted,
        counted_upper_bound_ppm=counted_ppm,
        limit_um=float(limit_um),
        median_um=float(fit.ppf(0.5)),
        high_um=float(fit.isf(INDEX_TAIL)),
        family=fit.family,
        n=fit.n,
        largest_um=fit.readings.largest_um,
        level=level,
        repetitions=repetitions,
        method=f"one-sided, computed after the published quantile method from the {fit.family} law fitted to the "
        "readings as intervals; bounds calibrated by parametric bootstrap",
        sentence=sentence,
    )


def mixture_index(fits: Sequence[IntervalFit], weights: Sequence[float], limit_um: float) -> MixtureIndex:
    """Index over whole cycles: the laws at each age (or lap, or lot) mixed as their faces were produced.

    Parameters
    ----------
    fits : sequence of IntervalFit
    weights : sequence of float
        Faces made under each law, zero or more, not all zero.
    limit_um : float

    Returns
    -------
    MixtureIndex
        A performance figure: a mixture over a trend is never capability.
    """
    share = np.asarray(weights, dtype=float)
    if len(fits) == 0 or share.shape != (len(fits),):
        raise ValueError(f"`weights` must have one number per law, got {share.size} for {len(fits)} laws")
    if not (np.isfinite(share).all() and (share >= 0).all() and share.sum() > 0):
        raise ValueError(f"`weights` must be zero or more and not all zero, got {list(weights)}")
    if not (math.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")
    from scipy import optimize

    share = share / share.sum()

    def quantile(tail: float) -> float:
        ends = [float(fit.isf(tail)) for fit, w in zip(fits, share, strict=True) if w > 0]
        low, high = min(ends), max(ends)
        if high <= low * (1 + 1e-12):
            return low

        def excess(x: float) -> float:
            return float(sum(w * float(fit.sf(x)) for fit, w in zip(fits, share, strict=True))) - tail

        return float(optimize.brentq(excess, low, high, xtol=1e-12 * high, rtol=1e-12))

    median, high = quantile(0.5), quantile(INDEX_TAIL)
    beyond = sum(w * float(fit.sf(limit_um)) for fit, w in zip(fits, share, strict=True))
    return MixtureIndex(
        index=(limit_um - median) / (high - median),
        beyond_ppm=1e6 * float(beyond),
        median_um=median,
        high_um=high,
        limit_um=float(limit_um),
        weights=tuple(float(w) for w in share),
        method="quantile method on the mixture of the fitted laws, each weighted by the faces made under it",
    )


def _near(fit: IntervalFit, limit_um: float, level: float, repetitions: int, rng: np.random.Generator) -> NearIndex:
    index: Bound = bound(fit, index_target(limit_um), side="lower", level=level, repetitions=repetitions, rng=rng)
    share = bound(fit, tail_share_target(limit_um), side="upper", level=level, repetitions=repetitions, rng=rng)
    return NearIndex(fit.family, index.estimate, index.low, 1e6 * share.estimate, 1e6 * share.high)


def _counted(fit: IntervalFit, limit_um: float, level: float) -> tuple[int, float]:
    """Count readings wholly beyond the limit, with the upper bound of their share in ppm, without any law."""
    from scipy import special

    readings, limit = fit.readings, limit_um / fit.readings.scale_um
    beyond = readings.count[readings.low >= limit * (1 - 1e-9)].sum()
    beyond += readings.exact_count[readings.exact > limit * (1 + 1e-9)].sum()
    k, n = int(beyond), fit.n
    upper = 1.0 if k >= n else float(special.betaincinv(k + 1, n - k, level))
    return k, 1e6 * upper


def _at_least(bound: float, level: float) -> str:
    if not math.isfinite(bound):
        return "with no lower bound from these readings"
    return f"at least {bound:.2f} with {100 * level:.0f}% confidence"


def _ppm(value: float) -> str:
    """Share in words: under 1 ppm is no longer worth digits."""
    if value < 1:
        return "under 1 ppm"
    digits = 10 ** max(int(math.floor(math.log10(value))) - 1, 0)
    return f"{round(value / digits) * digits:,.0f} ppm"


def _refused(
    model: FamilyChoice | IntervalFit, limit_um: float, refusals: tuple[Refusal, ...], level: float, reason: str
) -> QuantileIndex:
    nan = float("nan")
    fit = model.best if isinstance(model, FamilyChoice) else model
    fitted = fit is not None and fit.status != "refused"
    counted, counted_ppm = _counted(fit, limit_um, level) if fit is not None and fitted else (0, nan)
    return QuantileIndex(
        status="refused",
        reason=reason,
        word="",
        refusals=refusals,
        index=nan,
        index_lower_bound=nan,
        cautious_lower_bound=nan,
        beyond_ppm=nan,
        beyond_upper_bound_ppm=nan,
        cautious_upper_bound_ppm=nan,
        near=(),
        others=(),
        counted_beyond=counted,
        counted_upper_bound_ppm=counted_ppm,
        limit_um=float(limit_um),
        median_um=nan,
        high_um=nan,
        family="",
        n=model.n,
        largest_um=fit.readings.largest_um if fit is not None else nan,
        level=level,
        repetitions=0,
        method="",
        sentence=f"no index: {reason}",
    )
