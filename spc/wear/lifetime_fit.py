"""Weibull and lognormal lives of cycles, from exact, right-, left- and interval-censored lives."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.measure.interval import middle_of
from spc.wear.lifetime import LEAST_EVENTS, Array, check_lifetimes, worn_words

__all__ = ["FAMILIES", "LifetimeFit", "choose_lifetime", "draw_lifetimes", "draw_remaining", "fit_lifetime"]

FAMILIES: tuple[str, ...] = ("weibull", "lognormal")

# Where the likelihood is running away: a spread of a quarter of a percent of life, or one that no lap has.
_LEAST_LOG_SPREAD, _MOST_LOG_SPREAD = -6.0, 2.0
_CERTAIN = -1e-3  # log likelihood of interval lives that some law makes all but certain: nothing bounds that law


@dataclass(frozen=True, slots=True)
class LifetimeFit:
    """One law of life: log life = location + spread * (smallest extreme value or normal)."""

    status: str  # 'fitted' or 'counts only'
    reason: str
    family: str  # one of `FAMILIES`
    location: float  # of log life
    spread: float  # of log life
    covariance: Array  # of (location, log spread), shape (2, 2)
    log_likelihood: float
    aicc: float
    n: int
    worn: int

    @property
    def shape(self) -> float:
        """Weibull shape; for the lognormal the standard deviation of log life."""
        return 1 / self.spread if self.family == "weibull" else self.spread

    @property
    def scale(self) -> float:
        """Weibull scale; for the lognormal the median life."""
        return math.exp(self.location)

    def survival(self, age: ArrayLike) -> Array:
        """Share surviving beyond each age."""
        with np.errstate(divide="ignore"):
            z = (np.log(np.asarray(age, np.float64)) - self.location) / self.spread
        return np.exp(_log_sf(self.family, z))


def fit_lifetime(low: ArrayLike, high: ArrayLike, *, family: str = "weibull") -> LifetimeFit:
    """Maximum likelihood fit of one family.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Each life lies in (low, high]; equal = seen exactly, low 0 = worn before the first check, high inf = not yet.
    family : {'weibull', 'lognormal'}

    Returns
    -------
    LifetimeFit
        'counts only' under five events.

    Raises
    ------
    ValueError
        If `family` is unknown or the lives do not fit.

    References
    ----------
    Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapters 8 and 2.4.
    """
    if family not in FAMILIES:
        raise ValueError(f"`family` must be one of {', '.join(FAMILIES)}; got {family!r}")
    a, b = check_lifetimes(low, high)
    worn = int(np.isfinite(b).sum())
    if worn < LEAST_EVENTS:
        reason = f"{worn_words(worn, a.size)}; a law of life needs at least {LEAST_EVENTS}"
        nan = np.full((2, 2), np.nan)
        return LifetimeFit("counts only", reason, family, math.nan, math.nan, nan, math.nan, math.nan, a.size, worn)
    data = _group(a, b)
    middle = middle_of(data.low, data.high)
    log_middle = np.log(np.maximum(middle, middle[middle > 0].min()))
    start = np.array([float(np.average(log_middle, weights=data.weight)) + 0.3, math.log(np.std(log_middle) + 0.1)])
    from scipy.optimize import minimize

    def height(v: Array) -> float:
        return _negative(family, v, data)[0]

    def slope(v: Array) -> Array:
        return _negative(family, v, data)[1]

    best = minimize(height, start, jac=slope, method="BFGS")
    location, log_spread = float(best.x[0]), float(best.x[1])
    if log_spread < _LEAST_LOG_SPREAD:
        reason = "the worn cycles lasted too much alike, or are too coarsely known, to tell a spread of life"
        nan = np.full((2, 2), np.nan)
        return LifetimeFit("counts only", reason, family, math.nan, math.nan, nan, math.nan, math.nan, a.size, worn)
    value = -float(_negative(family, np.array([location, log_spread]), data)[0])
    certain = value > _CERTAIN and not np.any(a == b)  # of a life seen it is a density, in the unit of the clock
    if log_spread > _MOST_LOG_SPREAD or certain:
        reason = "the cycles say too little of when they wore out: too many were only found worn, or only seen good"
        nan = np.full((2, 2), np.nan)
        return LifetimeFit("counts only", reason, family, math.nan, math.nan, nan, math.nan, math.nan, a.size, worn)
    covariance = _covariance(family, np.array([location, log_spread]), data)
    aicc = 4 - 2 * value + (12 / (a.size - 3) if a.size > 3 else math.inf)
    return LifetimeFit("fitted", "", family, location, math.exp(log_spread), covariance, value, aicc, a.size, worn)


def choose_lifetime(low: ArrayLike, high: ArrayLike) -> tuple[LifetimeFit, ...]:
    """Fit every family, the better by corrected information criterion first; within 2 neither is crowned.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        As for `fit_lifetime`.

    Returns
    -------
    tuple of LifetimeFit
    """
    fits = (fit_lifetime(low, high, family=f) for f in FAMILIES)
    return tuple(sorted(fits, key=lambda fit: (math.isnan(fit.aicc), fit.aicc)))  # a law that cannot be fitted is last


def draw_lifetimes(
    fit: LifetimeFit, low: ArrayLike, high: ArrayLike, *, draws: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draw (location, spread) as far as the lives leave them open.

    Parameters
    ----------
    fit : LifetimeFit
        A fitted law of the same lives.
    low, high : array_like, shape (n,)
        The lives it was fitted to.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    tuple of ndarray, shape (draws,)
        Locations and spreads.

    Notes
    -----
    Proposals from a t law with 5 degrees of freedom at the maximum, resampled by likelihood: a flat prior on location
    and log spread. Above 400 distinct lives the normal limit is used as it stands.
    """
    if fit.status != "fitted":
        raise ValueError(f"`fit` must be fitted, but {fit.reason}")
    data = _group(*check_lifetimes(low, high))
    centre, root = np.array([fit.location, math.log(fit.spread)]), np.linalg.cholesky(fit.covariance)
    if data.weight.size > 400:
        v = centre + rng.standard_normal((draws, 2)) @ root.T
        return v[:, 0], _spread(v[:, 1])
    many = 5 * draws
    t = rng.standard_normal((many, 2)) / np.sqrt(rng.chisquare(5, (many, 1)) / 5)
    v = centre + 1.2 * t @ root.T
    log_proposal = -3.5 * np.log1p(np.sum(t**2, axis=1) / 5)
    log_weight = _log_likelihoods(fit.family, v, data) - log_proposal
    weight = np.exp(log_weight - log_weight.max())
    chosen = rng.choice(many, draws, p=weight / weight.sum())
    return v[chosen, 0], _spread(v[chosen, 1])


def draw_remaining(
    fit: LifetimeFit, low: ArrayLike, high: ArrayLike, *, age: float, draws: int, rng: np.random.Generator
) -> Array:
    """Draw how long one that has come to an age lasts from there, the law drawn as far as the lives leave it open.

    Parameters
    ----------
    fit : LifetimeFit
        A fitted law of the same lives.
    low, high : array_like, shape (n,)
        The lives it was fitted to, one more not among them.
    age : float
        0 or more.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (draws,)

    Raises
    ------
    ValueError
        If `age` is below 0 or not finite, or the law is not fitted.

    Notes
    -----
    A law under which few come to this age counts less: its draws are weighed by the share that does. Under each the
    life is drawn from those beyond it, S(t) / S(age).

    References
    ----------
    Meeker and Escobar (1998), Statistical Methods for Reliability Data, section 12.7, prediction of a future failure
    given survival so far (section number from memory).
    """
    if not 0 <= age < math.inf:
        raise ValueError(f"`age` must be 0 or more and finite, got {age}")
    location, spread = draw_lifetimes(fit, low, high, draws=draws, rng=rng)
    with np.errstate(divide="ignore"):
        log_come = _log_sf(fit.family, (np.log(age) - location) / spread)
    share = np.exp(log_come - log_come.max())
    picked = rng.choice(draws, draws, p=share / share.sum())
    log_beyond = log_come[picked] + np.log1p(-rng.random(draws))
    life = np.exp(location[picked] + spread[picked] * _z_at(fit.family, log_beyond))
    return np.maximum(life - age, 0.0)


@dataclass(frozen=True, slots=True)
class _Data:
    low: Array
    high: Array
    weight: Array


def _group(low: Array, high: Array) -> _Data:
    pairs, weight = np.unique(np.stack([low, high]), axis=1, return_counts=True)
    return _Data(pairs[0], pairs[1], weight.astype(np.float64))


def _log_pdf(family: str, z: Array) -> Array:
    if family == "weibull":
        return np.asarray(z - np.exp(z))
    return np.asarray(-0.5 * z**2 - 0.5 * math.log(2 * math.pi))


def _log_sf(family: str, z: Array) -> Array:
    if family == "weibull":
        return np.asarray(-np.exp(z))
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(-z))


def _z_at(family: str, log_sf: Array) -> Array:
    """Invert `_log_sf`."""
    if family == "weibull":
        return np.log(-log_sf)
    from scipy.special import ndtri_exp

    return np.asarray(-ndtri_exp(log_sf))


def _spread(log_spread: Array) -> Array:
    """Spread of log life, held within what a computer can reckon with."""
    return np.asarray(np.exp(np.clip(log_spread, -9.0, 3.0)))


def _terms(family: str, location: Array, log_spread: Array, d: _Data) -> tuple[Array, Array, Array]:
    """Log likelihood of each life and its slopes by location and log spread; arguments of shape (k, 1)."""
    spread = _spread(log_spread)
    exact, open_above = d.low == d.high, np.isinf(d.high)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        z1 = np.clip((np.log(d.low) - location) / spread, -700.0, 30.0)
        z2 = np.clip((np.log(np.where(open_above, 1.0, d.high)) - location) / spread, -700.0, 30.0)
    pdf1, pdf2 = np.exp(_log_pdf(family, z1)), np.exp(_log_pdf(family, z2))
    log_s1, log_s2 = _log_sf(family, z1), np.where(open_above, -np.inf, _log_sf(family, z2))
    dens1, dens2 = np.where(d.low == 0, 0.0, pdf1), np.where(open_above, 0.0, pdf2)
    gap = np.where(exact, 1.0, np.maximum(-np.expm1(np.minimum(log_s2 - log_s1, 0.0)), 1e-300))
    log_cell = log_s1 + np.log(gap)
    cell = np.maximum(np.exp(log_cell), 1e-300)
    with np.errstate(divide="ignore"):
        log_exact = _log_pdf(family, z1) - np.log(spread) - np.where(exact, np.log(np.maximum(d.low, 1e-300)), 0.0)
    slope_exact = 1 - np.exp(z1) if family == "weibull" else -z1
    by_location = np.where(exact, -slope_exact / spread, (dens1 - dens2) / spread / cell)
    by_spread = np.where(exact, -slope_exact * z1 - 1, (dens1 * z1 - dens2 * z2) / cell)
    return np.where(exact, log_exact, log_cell), by_location, by_spread


def _negative(family: str, v: Array, d: _Data) -> tuple[float, Array]:
    value, by_location, by_spread = _terms(family, np.array([[v[0]]]), np.array([[v[1]]]), d)
    slope = np.array([float(by_location[0] @ d.weight), float(by_spread[0] @ d.weight)])
    return -float(value[0] @ d.weight), -slope


def _log_likelihoods(family: str, v: Array, d: _Data) -> Array:
    out = np.empty(len(v))
    for block in range(0, len(v), 1000):
        part = v[block : block + 1000]
        out[block : block + 1000] = _terms(family, part[:, :1], part[:, 1:], d)[0] @ d.weight
    return out


def _covariance(family: str, v: Array, d: _Data) -> Array:
    """Inverse of the observed information, by central differences of the slope."""
    h = 1e-4
    information = np.empty((2, 2))
    for i in range(2):
        step = np.eye(2)[i] * h
        information[i] = (_negative(family, v + step, d)[1] - _negative(family, v - step, d)[1]) / (2 * h)
    information = (information + information.T) / 2
    values, vectors = np.linalg.eigh(information)
    return np.asarray((vectors / np.maximum(values, 1e-8)) @ vectors.T)
