"""At which age reconditioning costs least: a planned swap against wearing out in use.

A cycle reconditioned at age T by plan costs `planned_cost` if it lasts that long, `worn_cost` if it wears out before
(re-laps, scrap, held parts, lost time). Cost per face = cost per cycle / faces per cycle.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.wear.lifetime import Array
from spc.wear.lifetime_fit import FAMILIES, LifetimeFit, draw_lifetimes

__all__ = ["FLAT_SHARE", "ReconditionAge", "ages_words", "cost_per_face", "no_costs", "recondition_age"]

# Ages whose cost lies within this share of the least are as good as the best; our own rule.
FLAT_SHARE = 0.05
# A planned age that saves less than this against running to the limit is no plan; our own rule.
_LEAST_SAVING = 0.01
# No longer age is looked at than one by which all but this share of the cycles would be worn; our own rule.
_LEFT_OVER = 0.001


@dataclass(frozen=True, slots=True)
class ReconditionAge:
    """The age of least cost as a range, or why there is none."""

    status: str  # 'range', 'after every face' (the least lies below one), 'run to the limit', 'counts only', 'no costs'
    age: float  # least expected cost over the draws, one face at the least; NaN where no planned age pays
    flat_low: float  # ages from here ...
    flat_high: float  # ... to here cost at most `FLAT_SHARE` more; inf = however long
    cost_per_face: float  # at `age`, in the unit of the costs
    limit_cost_per_face: float  # running to the limit
    saving_low: float  # 90 % range over the draws of the share saved by `age` against the limit
    saving_high: float
    no_age_share: float  # share of the draws in which no finite age pays
    draws: int
    planned_cost: float
    worn_cost: float
    clock: str  # 'faces' or 'minutes'
    ages: Array  # for the picture
    costs: Array  # expected cost per face at each age
    sentence: str


def cost_per_face(
    age: ArrayLike, *, family: str, location: ArrayLike, spread: ArrayLike, planned_cost: float, worn_cost: float
) -> Array:
    """Long-run cost per face of reconditioning at a planned age.

    Parameters
    ----------
    age : array_like
        Planned ages, greater than 0; inf = run to the limit.
    family : {'weibull', 'lognormal'}
    location, spread : array_like
        Law of log life; broadcast against `age`.
    planned_cost, worn_cost : float
        Per cycle.

    Returns
    -------
    ndarray
        In the unit of the costs, per face (or per minute, where the law is of minutes).

    Raises
    ------
    ValueError
        If the family is unknown, an age is not above 0, or the costs do not fit.

    References
    ----------
    Barlow and Proschan (1965), Mathematical Theory of Reliability, section 3.2 (age replacement).
    """
    if family not in FAMILIES:
        raise ValueError(f"`family` must be one of {', '.join(FAMILIES)}; got {family!r}")
    _check_costs(planned_cost, worn_cost)
    t, mu, sigma = np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (age, location, spread)))
    if not np.all(t > 0):
        raise ValueError("`age` must be greater than 0")
    from scipy.special import gamma, gammainc, ndtr

    finite = np.isfinite(t)
    log_t = np.log(np.where(finite, t, 1.0))
    z = np.where(finite, (log_t - mu) / sigma, np.inf)
    with np.errstate(over="ignore"):
        if family == "weibull":
            survival, worn = np.exp(-np.exp(z)), -np.expm1(-np.exp(z))
            used = np.exp(mu) * gamma(1 + sigma) * gammainc(sigma, np.exp(z))
        else:
            survival, worn = ndtr(-z), ndtr(z)
            used = np.where(finite, t, 0.0) * survival + np.exp(mu + sigma**2 / 2) * ndtr(z - sigma)
    used = np.maximum(used, np.where(finite, t, 0.0) * survival)  # its least value, where the integral underflows
    return np.asarray((planned_cost * survival + worn_cost * worn) / used)


def recondition_age(
    fit: LifetimeFit,
    low: ArrayLike,
    high: ArrayLike,
    *,
    planned_cost: float,
    worn_cost: float,
    rng: np.random.Generator,
    draws: int = 400,
    clock: str = "faces",
    one_face: float = 1.0,
) -> ReconditionAge:
    """Age of least expected cost with the law known only as far as the lives tell.

    Parameters
    ----------
    fit : LifetimeFit
    low, high : array_like, shape (n,)
        The lives it was fitted to.
    planned_cost, worn_cost : float
        Costs of one cycle set by the user, any unit; worn above planned above 0.
    rng : numpy.random.Generator
    draws : int, default 400
    clock : str, default 'faces'
        Word for the unit of age.
    one_face : float, default 1
        What one face takes by the clock: no planned age is shorter.

    Returns
    -------
    ReconditionAge

    Raises
    ------
    ValueError
        If the costs do not fit.

    Notes
    -----
    Where the chance of wearing out does not rise with age no finite age pays. The expected cost over the draws is the
    mean cost per face of each age; a law known badly flattens it and widens the range.
    """
    _check_costs(planned_cost, worn_cost)
    nan, empty = math.nan, np.empty(0)
    if fit.status != "fitted":
        return ReconditionAge(
            "counts only", nan, nan, nan, nan, nan, nan, nan, nan, 0, planned_cost, worn_cost, clock, empty, empty,
            f"No age can be told: {fit.reason}.",
        )  # fmt: skip
    location, spread = draw_lifetimes(fit, low, high, draws=draws, rng=rng)
    usual_end = max(float(np.quantile(np.exp(location + spread), 0.9)) * 1.5, 2 * one_face)
    ages = _ages_between(one_face, usual_end, float(np.exp(location + spread * _left_over(fit.family)).max()))
    costs = {"family": fit.family, "planned_cost": planned_cost, "worn_cost": worn_cost}
    each = cost_per_face(ages[None, :], location=location[:, None], spread=spread[:, None], **costs)  # type: ignore[arg-type]  # mixed values
    at_limit = cost_per_face(np.inf, location=location, spread=spread, **costs)  # type: ignore[arg-type]  # mixed values
    mean, limit_mean = each.mean(axis=0), float(at_limit.mean())
    best = int(np.argmin(mean))
    flat = np.flatnonzero(mean <= mean[best] * (1 + FLAT_SHARE))
    first, last = int(flat[0]), int(flat[-1])
    endless = limit_mean <= mean[best] * (1 + FLAT_SHARE) or last == ages.size - 1
    flat_high = math.inf if endless else float(ages[last])
    shown = ages <= max(usual_end, 0.0 if endless else flat_high)
    no_age = float(np.mean(each.min(axis=1) >= at_limit * (1 - _LEAST_SAVING)))
    if mean[best] >= limit_mean * (1 - _LEAST_SAVING):
        text = "Run to the limit: wearing out does not grow likelier with age by enough to pay for a planned swap."
        return ReconditionAge(
            "run to the limit", nan, nan, math.inf, nan, limit_mean, nan, nan, no_age, draws, planned_cost, worn_cost,
            clock, ages[shown], mean[shown], text,
        )  # fmt: skip
    saved = np.quantile(1 - each[:, best] / at_limit, [0.05, 0.95])
    told = f"{_cost(mean[best])} per {clock.removesuffix('s')}, {_cost(limit_mean)} when run to the limit"
    if best == 0:
        status = "after every face"
        text = (
            f"Of all fixed ages the shortest, one face, costs least, and a shorter one would cost less still: {told}. "
            "By these two costs no lap would be let to lap a second face; look at them again."
        )
    else:
        status = "range"
        text = (
            f"Of all fixed ages, reconditioning costs least {ages_words(ages[first], flat_high, clock)} "
            f"(least at {ages[best]:.0f}): {told}."
        )
    if saved[0] < 0:
        text += (
            f" Whether that saves anything the lives do not tell yet: 90% range from {-saved[0]:.0%} dearer to "
            f"{saved[1]:.0%} cheaper than running to the limit."
        )
    return ReconditionAge(
        status, float(ages[best]), float(ages[first]), flat_high, float(mean[best]), limit_mean, float(saved[0]),
        float(saved[1]), no_age, draws, planned_cost, worn_cost, clock, ages[shown], mean[shown], text,
    )  # fmt: skip


def no_costs(*, clock: str) -> ReconditionAge:
    """Give the age of least cost where there are no costs to weigh: none."""
    nan, empty = math.nan, np.empty(0)
    return ReconditionAge(
        "no costs", nan, nan, nan, nan, nan, nan, nan, nan, 0, nan, nan, clock, empty, empty,
        "No age of least cost: there are no costs to weigh.",
    )  # fmt: skip


def ages_words(low: float, high: float, clock: str) -> str:
    """Say a range of ages in whole units of the clock; `high` inf = no end."""
    if math.isfinite(high) and round(low) == round(high):
        return f"at about {low:.0f} {clock}"
    return f"between {low:.0f} and {f'{high:.0f}' if math.isfinite(high) else 'however many'} {clock}"


def _cost(cost: float) -> str:
    """Say a cost with three digits of it, never as a power of ten."""
    return f"{float(f'{cost:.3g}'):,.12g}"


def _ages_between(one_face: float, usual_end: float, end: float) -> Array:
    """Ages to look at, in equal ratios: closely up to the usual end of the cycles, sparsely from there on."""
    near = np.geomspace(one_face, usual_end, 300)
    return np.append(near, np.geomspace(usual_end, end, 100)[1:]) if end > usual_end else near


def _left_over(family: str) -> float:
    """Standardised log life beyond which `_LEFT_OVER` of the cycles would still be good."""
    from scipy.special import ndtri

    return math.log(-math.log(_LEFT_OVER)) if family == "weibull" else float(-ndtri(_LEFT_OVER))


def _check_costs(planned_cost: float, worn_cost: float) -> None:
    if not (math.isfinite(worn_cost) and worn_cost > planned_cost > 0):
        got = f"got {worn_cost} and {planned_cost}"
        raise ValueError(f"`worn_cost` must be greater than `planned_cost`, and both greater than 0; {got}")
