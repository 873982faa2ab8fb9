"""A law fitted to readings as intervals, and the choice among six laws.

A reading written on steps is not a number: it says only that the truth lies in a stretch. The likelihood here is
the product of the probabilities of those stretches, log L = sum log[F(high) - F(low)], with the density where a
reading is exact; readings cut off above a limit divide by F(limit).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.families import FAMILIES, Array, Family, family_named
from spc.model.grouping import Readings, capped, group_readings
from spc.model.likelihood import difference_step, log_likelihood_readings
from spc.model.maximise import maximise_rows

__all__ = ["FamilyChoice", "IntervalFit", "choose_family", "fit_intervals", "z_scores"]

NEAR_AICC = 2.0  # laws closer than this to the best are reported beside it (Burnham and Anderson 2002, common usage)
POSSIBLE_AICC = 4.0  # laws closer than this still bind a cautious bound: by simulation, 2 alone covers too little


@dataclass(frozen=True, slots=True)
class IntervalFit:
    """One law fitted to interval readings; its functions speak micrometres and raise if `status` is 'refused'."""

    status: str  # 'fitted', 'edge' (the step hides the spread; the law is a limiting case), 'refused'
    reason: str  # in words; '' when fitted
    family: str
    parameters: tuple[tuple[str, float], ...]  # textbook names, micrometres where `_um`
    log_likelihood: float  # densities per micrometre where readings are exact
    aicc: float
    n: int
    cut_um: float  # readings above this were never kept (inf = none cut off)
    log_scale: float  # search coordinates, in units of readings.scale_um
    shape: float
    readings: Readings

    @property
    def law(self) -> Family:
        """The family's functions."""
        return FAMILIES[self.family]

    @property
    def scale_um(self) -> float:
        """Scale of the law in micrometres."""
        self._ready()
        return self.readings.scale_um * math.exp(self.log_scale)

    def cdf(self, x_um: ArrayLike) -> Array:
        """P(X <= x), the law before any cutting off."""
        with np.errstate(all="ignore"):
            return np.asarray(self.law.cdf(np.asarray(x_um, dtype=float) / self.scale_um, np.asarray(self.shape)))

    def sf(self, x_um: ArrayLike) -> Array:
        """P(X > x), the law before any cutting off."""
        with np.errstate(all="ignore"):
            return np.asarray(self.law.sf(np.asarray(x_um, dtype=float) / self.scale_um, np.asarray(self.shape)))

    def ppf(self, p: ArrayLike) -> Array:
        """Flatness below which a share `p` falls, micrometres."""
        with np.errstate(all="ignore"):
            return np.asarray(self.law.ppf(np.asarray(p, dtype=float), np.asarray(self.shape)) * self.scale_um)

    def isf(self, p: ArrayLike) -> Array:
        """Flatness above which a share `p` falls, micrometres."""
        with np.errstate(all="ignore"):
            return np.asarray(self.law.isf(np.asarray(p, dtype=float), np.asarray(self.shape)) * self.scale_um)

    def density(self, x_um: ArrayLike) -> Array:
        """Density per micrometre."""
        with np.errstate(all="ignore"):
            z = np.asarray(x_um, dtype=float) / self.scale_um
            return np.asarray(np.exp(self.law.log_density(z, np.asarray(self.shape))) / self.scale_um)

    def _ready(self) -> None:
        if self.status == "refused":
            raise ValueError(f"no law was fitted: {self.reason}")


@dataclass(frozen=True, slots=True)
class FamilyChoice:
    """All laws tried, best first; `near` holds every law within 2 AICc of the best."""

    status: str  # 'fitted', 'edge' or 'refused', of the best law
    reason: str
    best: IntervalFit | None
    near: tuple[IntervalFit, ...]  # within 2, best first, the best included
    possible: tuple[IntervalFit, ...]  # within 4: not ruled out, so a cautious bound looks at them too
    fits: tuple[IntervalFit, ...]  # every law, by AICc
    n: int
    missing: int
    sentence: str  # which law and how sure, in words


def fit_intervals(
    low_um: ArrayLike, high_um: ArrayLike | None = None, *, family: str = "lognormal", cut_um: float = np.inf
) -> IntervalFit:
    """Fit one law to interval readings by maximum likelihood.

    Parameters
    ----------
    low_um, high_um : array-like (n,), micrometres
        Each reading as the interval it stands for; see `group_readings`.
    family : str, default 'lognormal'
        'lognormal', 'gamma', 'Weibull', 'Rayleigh', 'folded normal' or 'half-normal'.
    cut_um : float, default inf
        Faces above this were never kept ("lapped until good"): the likelihood divides by F(cut_um).

    Returns
    -------
    IntervalFit
        Status 'refused' with its reason when the readings carry no law.

    Raises
    ------
    ValueError
        For an unknown family, malformed readings, or a `cut_um` below a reading.

    Notes
    -----
    Readings are taken as independent, of one stream, with their step known.

    References
    ----------
    Interval likelihood: Lawless (2003), Statistical Models and Methods for Lifetime Data, ch. 2.
    AICc: Hurvich and Tsai (1989), Biometrika 76.
    """
    law = family_named(family)
    return _fit(law, group_readings(low_um, high_um), cut_um)


def choose_family(
    low_um: ArrayLike,
    high_um: ArrayLike | None = None,
    *,
    families: tuple[str, ...] = tuple(FAMILIES),
    cut_um: float = np.inf,
) -> FamilyChoice:
    """Fit several laws and order them by AICc; laws within 2 of the best are named beside it, none is crowned.

    Parameters
    ----------
    low_um, high_um, cut_um
        As in `fit_intervals`.
    families : tuple of str
        Which laws to try; all six by default.

    Returns
    -------
    FamilyChoice
    """
    laws = [family_named(name) for name in families]
    if not laws:
        raise ValueError(f"`families` must name at least one of {', '.join(FAMILIES)}, got none")
    readings = group_readings(low_um, high_um)
    fits = tuple(sorted((_fit(law, readings, cut_um) for law in laws), key=lambda fit: fit.aicc))
    if readings.blank:
        return FamilyChoice("refused", readings.blank, None, (), (), fits, readings.n, readings.missing, readings.blank)
    best = fits[0]
    near = tuple(fit for fit in fits if fit.aicc - best.aicc <= NEAR_AICC)
    possible = tuple(fit for fit in fits if fit.aicc - best.aicc <= POSSIBLE_AICC)
    sentence = f"{best.family} law from {best.n:,} readings"
    if len(near) > 1:
        sentence += f"; {', '.join(fit.family for fit in near[1:])} fit{'s' if len(near) == 2 else ''} about as well"
    return FamilyChoice(best.status, best.reason, best, near, possible, fits, readings.n, readings.missing, sentence)


def z_scores(
    low_um: ArrayLike, high_um: ArrayLike | None, fit: IntervalFit, *, rng: np.random.Generator | None = None
) -> Array:
    """Turn readings into standard normal scores under a fitted law, valid for stepped readings.

    Parameters
    ----------
    low_um, high_um : array-like (n,), micrometres
    fit : IntervalFit
    rng : numpy.random.Generator, optional
        With it, each score is drawn within its reading's stretch (exactly standard normal under the law); without,
        the middle of the stretch in probability is used (repeatable, spread a little under 1).

    Returns
    -------
    array (n,)
        Larger = less flat; NaN where the reading is missing.

    Notes
    -----
    Where readings are cut off above a limit the scores are those of the law as kept, F(x) / F(cut).

    References
    ----------
    Dunn and Smyth (1996), Randomized quantile residuals, J. Comp. Graph. Stat. 5.
    """
    from scipy import special

    low = np.asarray(low_um, dtype=float)
    high = low if high_um is None else np.asarray(high_um, dtype=float)
    share = 0.5 if rng is None else rng.random(low.shape)
    kept = float(fit.cdf(fit.cut_um))
    lost = 1.0 - kept
    below = ((1 - share) * fit.cdf(low) + share * np.minimum(fit.cdf(high), kept)) / kept
    above = ((1 - share) * (fit.sf(low) - lost) + share * np.maximum(fit.sf(high) - lost, 0)) / kept
    with np.errstate(all="ignore"):
        z = np.where(below < 0.5, special.ndtri(below), -special.ndtri(np.maximum(above, 0)))
    return np.asarray(np.clip(z, -38.0, 38.0))


def _fit(law: Family, readings: Readings, cut_um: float) -> IntervalFit:
    """Fit one law to grouped readings."""
    if not cut_um > 0:
        raise ValueError(f"`cut_um` must be greater than 0, got {cut_um}")
    top = np.concatenate([readings.exact, readings.low]).max(initial=0.0) * readings.scale_um
    if top > cut_um * (1 + 1e-9):
        raise ValueError(f"`cut_um` must lie at or above every reading, got {cut_um:g} below a reading at {top:g}")
    if readings.blank:
        return _refused(law, readings, cut_um, readings.blank)
    cut = cut_um / readings.scale_um
    if np.isfinite(cut) and readings.count.size:
        readings = capped(readings, cut)
    starts = np.array(law.start(*readings.middle))[:, : law.free]

    def objective(theta: Array, rows: NDArray[np.intp]) -> Array:
        shape = theta[..., 1] if law.free == 2 else np.zeros(theta.shape[:-1])
        return log_likelihood_readings(law, theta[..., 0], shape, readings, cut=cut)

    low = np.array([starts[:, 0].min() - 8.0, law.shape_low])[: law.free]
    high = np.array([starts[:, 0].max() + 8.0, law.shape_high])[: law.free]
    step = difference_step(law, float(starts[0, 1]) if law.free == 2 else 0.0)
    best, value = maximise_rows(objective, starts, low=low, high=high, step=step)
    at = int(np.argmax(value))
    log_scale = float(best[at, 0])
    shape = float(best[at, 1]) if law.free == 2 else 0.0
    shape = abs(shape) if law.name == "folded normal" else shape
    k, n = law.free, readings.n
    log_likelihood = float(value[at]) - float(readings.exact_count.sum()) * math.log(readings.scale_um)
    aicc = 2 * k - 2 * log_likelihood + 2 * k * (k + 1) / (n - k - 1)
    reason = _edge(law, log_scale, shape, readings, low, high)
    return IntervalFit(
        status="edge" if reason else "fitted",
        reason=reason,
        family=law.name,
        parameters=law.named(readings.scale_um * math.exp(log_scale), shape),
        log_likelihood=log_likelihood,
        aicc=aicc,
        n=n,
        cut_um=float(cut_um),
        log_scale=log_scale,
        shape=shape,
        readings=readings,
    )


def _edge(law: Family, log_scale: float, shape: float, readings: Readings, low: Array, high: Array) -> str:
    """Say when the likelihood has no inner maximum: spread too small for the step, or scale without bound."""
    if not low[0] + 1e-6 < log_scale < high[0] - 1e-6:
        return "the likelihood keeps rising towards the edge of the search: these readings do not pin the law down"
    if law.free == 2 and not low[1] + 1e-6 < shape < high[1] - 1e-6 and law.name != "folded normal":
        return "the shape runs to the edge of the search: these readings do not pin the law down"
    if readings.count.size and not readings.exact.size and law.free == 2:
        spread = float(np.diff(law.ppf(np.array([0.16, 0.84]), np.asarray(shape)))[0]) * math.exp(log_scale) / 2
        width = readings.high - readings.low
        step = float(width[np.isfinite(width)].min(initial=np.inf))
        if readings.low.size == 2 or spread < 0.1 * step:
            return "the readings fill only neighbouring steps: their spread is smaller than the step can show"
    return ""


def _refused(law: Family, readings: Readings, cut_um: float, reason: str) -> IntervalFit:
    nan = float("nan")
    return IntervalFit("refused", reason, law.name, (), nan, float("inf"), readings.n, cut_um, nan, nan, readings)
