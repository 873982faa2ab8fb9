"""Does the law fit the readings? A test that stays honest when readings fall on steps.

Readings on steps repeat, and the usual tests reject for the repeats alone. Here every reading is spread evenly over
the stretch of probability it stands for, the pooled curve is compared with the straight line, and the verdict
comes from samples drawn from the fitted law, read on the same steps and fitted again.
"""

from dataclasses import dataclass

import numpy as np

from spc.model.families import Array, Family
from spc.model.interval_fit import IntervalFit
from spc.model.likelihood import Cells, fit_cells
from spc.model.simulate import draw_counts, reading_rule

__all__ = ["FitCheck", "check_fit"]

_ODDS = np.linspace(-7.5, 7.5, 61)  # where the curves are compared, log odds; even spacing = Anderson-Darling weights


@dataclass(frozen=True, slots=True)
class FitCheck:
    """Verdict on one law."""

    status: str  # 'agrees', 'rejected', 'cannot say'
    sentence: str
    family: str
    n: int
    statistic: float  # Anderson-Darling distance of the pooled probability curve; NaN when it cannot say
    p_value: float
    p_error: float  # Monte Carlo standard error of the p-value
    repetitions: int
    level: float


def check_fit(
    fit: IntervalFit, *, level: float = 0.05, repetitions: int = 400, rng: np.random.Generator | None = None
) -> FitCheck:
    """Test a fitted law against its own readings by parametric bootstrap.

    Parameters
    ----------
    fit : IntervalFit
    level : float, default 0.05
        Share of good laws rejected by chance.
    repetitions : int, default 400
        Samples drawn, at least 100.
    rng : numpy.random.Generator, optional
        Default: a fixed seed, so that a report repeats to the digit.

    Returns
    -------
    FitCheck
        'cannot say' when no law was fitted or the readings fill no more stretches than the law has parameters.

    Notes
    -----
    Valid for ties, 'less than' and 'or more' readings; a law that passes is not proven, it is not contradicted.

    References
    ----------
    Pooled probability curve: Czado, Gneiting and Held (2009), Biometrics 65 (nonrandomised PIT).
    Weights: Anderson and Darling (1954), JASA 49. Bootstrap p-value: Stute, Gonzalez Manteiga and Presedo Quindimil
    (1993), Metrika 40; (1 + hits) / (1 + repetitions), Davison and Hinkley (1997), section 4.2.
    """
    if repetitions < 100:
        raise ValueError(f"`repetitions` must be at least 100, got {repetitions}; 400 is usual")
    if not 0 < level < 0.5:
        raise ValueError(f"`level` must lie between 0 and 0.5, got {level}; 0.05 is usual")
    nan = float("nan")
    if fit.status == "refused":
        return FitCheck("cannot say", fit.reason, fit.family, fit.n, nan, nan, nan, 0, level)
    readings, law, cut = fit.readings, fit.law, fit.cut_um / fit.readings.scale_um
    places = readings.count.size + readings.exact.size
    if places <= law.free:
        sentence = f"the readings fill only {places} steps: too few to check a law with {law.free} free numbers"
        return FitCheck("cannot say", sentence, fit.family, fit.n, nan, nan, nan, 0, level)
    rng = np.random.default_rng(1) if rng is None else rng
    rule = reading_rule(readings, law, fit.log_scale, fit.shape)
    low, high = np.concatenate([rule.low, rule.claim_low]), np.concatenate([rule.high, rule.claim_high])
    used = (rule.observed > 0) & (low < cut)  # the readings on the very stretches the samples are drawn on
    here = np.array([fit.log_scale]), np.array([fit.shape])
    seen = rule.observed[used][None, :]
    statistic = float(_distance(law, *here, low[used], np.minimum(high[used], cut), seen, cut)[0])
    low, high, drawn = draw_counts(rule, law, fit.log_scale, fit.shape, repetitions=repetitions, rng=rng, cut=cut)
    log_scale, shape, _ = fit_cells(law, Cells(low, high, drawn), start=(fit.log_scale, fit.shape), reach=8.0, cut=cut)
    simulated = _distance(law, log_scale, shape, low, high, drawn, cut)
    p = float((1 + (simulated >= statistic * (1 - 1e-9)).sum()) / (repetitions + 1))
    error = float(np.sqrt(p * (1 - p) / repetitions))
    status = "rejected" if p < level else "agrees"
    verb = "do not follow" if p < level else "do not contradict"
    sentence = f"the {fit.n:,} readings {verb} the {fit.family} law (p {p:.3f}, {repetitions:,} simulated samples)"
    return FitCheck(status, sentence, fit.family, fit.n, statistic, p, error, repetitions, level)


def _distance(law: Family, log_scale: Array, shape: Array, low: Array, high: Array, count: Array, cut: float) -> Array:
    """Weighted squared distance between the pooled probability curve and the straight line, per repetition."""
    result = np.empty(count.shape[0])
    u = 1 / (1 + np.exp(-_ODDS))
    block = max(1, int(2_000_000 / (u.size * low.size)))
    with np.errstate(all="ignore"):
        for first in range(0, count.shape[0], block):
            rows = slice(first, first + block)
            scale, curve = np.exp(log_scale[rows])[:, None], shape[rows][:, None]
            kept = law.cdf(cut / scale, curve) if np.isfinite(cut) else np.ones_like(scale)
            below = law.cdf(low / scale, curve) / kept
            width = np.maximum(law.cdf(high / scale, curve) / kept - below, 1e-12)
            part = np.clip((u[:, None] - below[:, None, :]) / width[:, None, :], 0.0, 1.0)
            n = count[rows].sum(axis=1)
            pooled = np.einsum("bjk,bk->bj", part, count[rows]) / n[:, None]
            result[rows] = n * ((pooled - u) ** 2).sum(axis=1) * (_ODDS[1] - _ODDS[0])
    return result
