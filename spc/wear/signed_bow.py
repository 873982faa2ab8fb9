"""The bow of the form with its sign: a lap that turns is seen while its flatness still looks good.

Flatness is the size of the bow. On its way from convex to concave the size first shrinks, then grows again; the signed
bow runs straight through zero all the while. Each reading says how large the bow was, as an interval, and mostly which
way; a sign that was not written down counts for both ways.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from spc.wear.lifetime import Array

__all__ = ["LEAST_READINGS", "LEAST_TO_CALL", "SIGN_OF_SHAPE", "SURE", "SignedBow", "bow_of_cycle", "fit_signed_bow"]

LEAST_READINGS = 5  # two for a line, the rest to know its spread; our own rule
SIGN_OF_SHAPE = {"convex": 1, "concave": -1}
SURE = 0.998  # chance that calls a lap turning; at most one false call in 50 cycles, by simulation
LEAST_TO_CALL = 8  # readings before a lap is called turning: fewer hardly tell their own noise; our own rule
_SOON = 20.0  # faces; our own rule
_SIGN_ERROR = 0.02  # share of signs taken to be written the wrong way round; our own rule
_PRIOR_SPREAD = 1.0  # of the logarithm of the noise, around half the scale of the readings; our own rule


@dataclass(frozen=True, slots=True)
class SignedBow:
    """Straight path of the signed bow within one cycle; micrometres, convex positive."""

    status: str  # 'fitted' or 'refused'
    reason: str
    readings: int
    signed: int  # of them with convex or concave written
    twist_share: float  # share of faces read as twist, left out of the path
    start_um: float  # at age 0, median
    drift_um_per_face: float  # median
    drift_low: float  # at `level`
    drift_high: float
    now_um: float  # at the last age, median
    now_low: float
    now_high: float
    chance_turning: float  # soon (`_ahead`) the bow has the other sign than at the first reading
    chance_turned: float  # it has it now
    level: float
    sentence: str

    @property
    def turning(self) -> bool:
        """Whether it is on its way through flat and will soon be there, or is through it."""
        enough = self.status == "fitted" and self.readings >= LEAST_TO_CALL
        return enough and max(self.chance_turning, self.chance_turned) >= SURE


def bow_of_cycle(numbered: pd.DataFrame, *, rng: np.random.Generator) -> SignedBow:
    """Signed bow of one cycle from its first passes.

    Parameters
    ----------
    numbered : DataFrame, shape (n_faces, ...)
        Rows of one cycle from `spc.wear.cycle.number_cycles`.
    rng : numpy.random.Generator

    Returns
    -------
    SignedBow
    """
    rows = numbered[numbered["first_pass"] & numbered["flatness_low_um"].notna()]
    twist = rows["shape"] == "twist"
    bowed = rows[~twist]
    sign = bowed["shape"].map(SIGN_OF_SHAPE).fillna(0).to_numpy(np.int64)
    ends = (bowed["flatness_low_um"].to_numpy(np.float64), bowed["flatness_high_um"].to_numpy(np.float64))
    share = float(twist.mean()) if len(rows) else 0.0
    return fit_signed_bow(bowed["age_faces"].to_numpy(np.float64), *ends, sign, twist_share=share, rng=rng)


def fit_signed_bow(
    age_faces: ArrayLike,
    low_um: ArrayLike,
    high_um: ArrayLike,
    sign: ArrayLike,
    *,
    rng: np.random.Generator,
    twist_share: float = 0.0,
    level: float = 0.9,
    draws: int = 2000,
) -> SignedBow:
    """Fit a straight path to sizes known as intervals and signs known mostly.

    Parameters
    ----------
    age_faces : array_like, shape (n,)
        Ages, faces.
    low_um, high_um : array_like, shape (n,)
        The size of the bow lies between; high may be inf.
    sign : array_like of int, shape (n,)
        1 convex, -1 concave, 0 not written.
    rng : numpy.random.Generator
    twist_share : float, default 0
        Told on, not used.
    level : float, default 0.9
        Coverage of the ranges.
    draws : int, default 2000

    Returns
    -------
    SignedBow
        'refused' with its reason under `LEAST_READINGS`, at one age only, or with too few signs.

    Raises
    ------
    ValueError
        If the arrays do not fit.

    Notes
    -----
    Bow at age t is normal around start + drift x t. Flat priors on both, a weak one on the logarithm of the noise;
    ranges by importance resampling around the most likely values. A path that bends within a cycle breaks it.
    """
    age, low, high = (np.asarray(v, np.float64) for v in (age_faces, low_um, high_um))
    way = np.asarray(sign, np.int64)
    if not (age.shape == low.shape == high.shape == way.shape) or age.ndim != 1:
        raise ValueError(f"arrays must be of one length, got {age.shape}, {low.shape}, {high.shape}, {way.shape}")
    if not np.all((low >= 0) & (high >= low)) or not np.isin(way, (-1, 0, 1)).all():
        raise ValueError("`low_um` and `high_um` must satisfy 0 <= low <= high, and `sign` be -1, 0 or 1")
    signed = int(np.sum(way != 0))
    refusal = _refusal(age, signed)
    if refusal:
        nan = math.nan
        return SignedBow(
            "refused", refusal, age.size, signed, twist_share, nan, nan, nan, nan, nan, nan, nan, nan, nan, level,
            f"The way the form bends cannot be told: {refusal}.",
        )  # fmt: skip
    scale = _Scale(age, low, high, way)
    start, drift, ahead = _draw(scale, draws, rng)
    tail = [(1 - level) / 2, 0.5, (1 + level) / 2]
    drift_low, drift_mid, drift_high = np.quantile(drift, tail)
    now = start + drift * age.max()
    now_low, now_mid, now_high = np.quantile(now, tail)
    turned, turning = ahead
    called = (turning, turned) if age.size >= LEAST_TO_CALL else (0.0, 0.0)
    text = _sentence(float(np.median(start)), float(drift_mid), float(now_mid), *called, drift_low, drift_high)
    return SignedBow(
        "fitted", "", age.size, signed, twist_share, float(np.median(start)), float(drift_mid), float(drift_low),
        float(drift_high), float(now_mid), float(now_low), float(now_high), turning, turned, level, text,
    )  # fmt: skip


def _refusal(age: Array, signed: int) -> str:
    if age.size < LEAST_READINGS:
        return f"{age.size} readings in this cycle, at least {LEAST_READINGS} are needed"
    if np.ptp(age) == 0:
        return "all readings are of one age"
    if signed < 3 or signed < age.size / 4:
        return f"convex or concave is written on {signed} of {age.size} readings; log the sign with every reading"
    return ""


class _Scale:
    """The readings in their own units (ages 0 to 1, sizes in units of a usual one), and what their signs weigh."""

    def __init__(self, age: Array, low: Array, high: Array, way: NDArray[np.int64]) -> None:
        finite = np.where(np.isfinite(high), high, 2 * low)
        self.middle = (low + finite) / 2
        self.unit = max(float(np.median(self.middle)), float(np.median(finite - low)), 1e-9)
        self.first, self.span = float(age.min()), float(np.ptp(age))
        self.age = (age - self.first) / self.span
        self.low, self.high = low / self.unit, high / self.unit
        same = self.low == self.high  # an exact reading still has the width it was written with
        self.low = np.where(same, np.maximum(self.low - 0.005, 0.0), self.low)
        self.high = np.where(same, self.high + 0.005, self.high)
        self.way, wrong = way, _SIGN_ERROR
        self.weight_up = np.select([way == 1, way == -1], [1 - wrong, wrong], 1.0)
        self.weight_down = np.select([way == 1, way == -1], [wrong, 1 - wrong], 1.0)


def _log_posterior(v: Array, s: _Scale) -> Array:
    """Log posterior of rows (start, drift, log noise), shape (k,)."""
    from scipy.special import ndtr

    noise = np.exp(np.clip(v[:, 2:3], -6.0, 4.0))
    centre = v[:, :1] + v[:, 1:2] * s.age
    up = ndtr((s.high - centre) / noise) - ndtr((s.low - centre) / noise)
    down = ndtr((-s.low - centre) / noise) - ndtr((-s.high - centre) / noise)
    cell = np.maximum(s.weight_up * up + s.weight_down * down, 1e-12)
    prior = -0.5 * ((v[:, 2] - math.log(0.5)) / _PRIOR_SPREAD) ** 2
    return np.asarray(np.log(cell).sum(axis=1) + prior)


def _draw(s: _Scale, draws: int, rng: np.random.Generator) -> tuple[Array, Array, tuple[float, float]]:
    """Start and drift per face in micrometres; chances that the sign has changed now, and soon.

    They come from the weights of all that was drawn: a few draws kept cannot tell so high chances apart.
    """
    from scipy.optimize import minimize

    guess, known = s.way * s.middle / s.unit, s.way != 0
    line = (
        np.polyfit(s.age[known], guess[known], 1) if np.ptp(s.age[known]) > 0 else np.array([0.0, guess[known].mean()])
    )
    residual = float(np.std(guess[known] - np.polyval(line, s.age[known]))) + 0.05
    begin = np.array([line[1], line[0], math.log(residual)])

    def negative(v: Array) -> float:
        return -float(_log_posterior(v[None, :], s)[0])

    best = np.asarray(minimize(negative, begin, method="Nelder-Mead", options={"maxiter": 800, "fatol": 1e-6}).x)
    root = np.linalg.cholesky(_covariance(best, s))
    many = 4 * draws
    t = rng.standard_normal((many, 3)) / np.sqrt(rng.chisquare(4, (many, 1)) / 4)
    v = best + 1.3 * t @ root.T
    log_weight = _log_posterior(v, s) + 3.5 * np.log1p(np.sum(t**2, axis=1) / 4)
    weight = np.exp(log_weight - log_weight.max())
    weight = weight / weight.sum()
    soon = 1.0 + _ahead(s.span) / s.span
    turned, turning = (float(weight[v[:, 0] * (v[:, 0] + at * v[:, 1]) < 0].sum()) for at in (1.0, soon))
    kept = v[rng.choice(many, draws, p=weight)]
    drift = kept[:, 1] * s.unit / s.span
    return kept[:, 0] * s.unit - drift * s.first, drift, (turned, turning)


def _ahead(span: float) -> float:
    """How many faces ahead is soon: as many as were read, or 20 where that is at most twice as many."""
    return max(span, min(2 * span, _SOON))


def _covariance(best: Array, s: _Scale) -> Array:
    """Inverse curvature at the most likely values, made positive where the readings leave it open."""
    h = 0.05
    steps = np.eye(3) * h
    corners = [(i, j) for i in (1, -1) for j in (1, -1)]
    shifts = np.array([i * steps[a] + j * steps[b] for a in range(3) for b in range(3) for i, j in corners])
    value = _log_posterior(best + shifts, s).reshape(3, 3, 2, 2)
    curve = -(value[:, :, 0, 0] - value[:, :, 0, 1] - value[:, :, 1, 0] + value[:, :, 1, 1]) / (4 * h * h)
    size, direction = np.linalg.eigh((curve + curve.T) / 2)
    return np.asarray((direction / np.maximum(size, 0.2)) @ direction.T)


def _sentence(
    start: float, drift: float, now: float, turning: float, turned: float, drift_low: float, drift_high: float
) -> str:
    name = {True: "convex", False: "concave"}
    if turned >= SURE:
        return f"The form has turned from {name[start > 0]} to {name[now > 0]}: now {abs(now):.3g} um {name[now > 0]}."
    if turning >= SURE:
        way = f"{name[start > 0]} at first, it drifts {name[drift > 0]} by {abs(drift):.3g} um a face"
        return f"The form is turning: {way}; on the way through flat its flatness reads better."
    if drift_low > 0 or drift_high < 0:
        way = "more" if (drift > 0) == (now > 0) else "less"
        return f"The form grows {way} {name[now > 0]}, by {abs(drift):.3g} um a face."
    return f"The form holds: {abs(now):.3g} um {name[now > 0]}, no drift that the readings can tell."
