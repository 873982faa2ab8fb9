"""Flatness with finish (or more signs) on one chart: Hotelling's T2, where data suffice."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import count_in, number_in, readings_of
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.signals import beyond_limits

__all__ = ["JointChart", "JointLaw", "joint_chart", "joint_law"]

Array = NDArray[np.float64]
LEAST_ROWS = 100
SINGULAR = 1e-10  # smallest over largest eigenvalue of the correlations
WORDS = "the readings of one face do not belong together as they usually do"


@dataclass(frozen=True, slots=True)
class JointLaw:
    """Means and covariance of several characteristics, from complete rows."""

    names: tuple[str, ...]
    mean: Array  # (p,)
    covariance: Array  # (p, p)
    n: int  # complete rows
    status: str  # 'ok', 'too few', 'no spread'
    reason: str


@dataclass(frozen=True, slots=True)
class JointChart:
    """The T2 chart and what each characteristic adds to each point."""

    chart: Chart
    law: JointLaw
    share: Array  # (n, p) fall of T2 when that characteristic is left out; NaN where the row is incomplete
    limit: float
    leads: tuple[tuple[int, str], ...]  # of each signal (the latest 50) its row, and the characteristic that leads


def joint_law(values: ArrayLike, *, names: tuple[str, ...] | None = None, least_rows: int = LEAST_ROWS) -> JointLaw:
    """Estimate means and covariance from the rows in which all characteristics were measured.

    Parameters
    ----------
    values : (n, p) floats
        One row per face, one column per characteristic; NaN = not measured. Take logarithms of skewed ones first.
    names : (p,) str, optional
    least_rows : int, default 100
        Complete rows below which the chart is refused: fewer give a covariance too unsure to judge by.

    Returns
    -------
    JointLaw
    """
    x = readings_of(values, ndim=2)
    p = x.shape[1]
    labels = tuple(f"characteristic {k + 1}" for k in range(p)) if names is None else tuple(names)
    if len(labels) != p or p < 2:
        raise ValueError(
            f"`values` must have 2 columns or more and one name each, got {p} columns, {len(labels)} names"
        )
    least = count_in(least_rows, "least_rows", least=p + 2)
    rows = x[~np.isnan(x).any(axis=1)]
    n = rows.shape[0]
    if n < least:
        reason = (
            f"{'1 face has' if n == 1 else f'{n:,} faces have'} all of {', '.join(labels)}; at least {least} are "
            "needed before a joint chart means anything: chart them one by one"
        )
        return JointLaw(labels, np.zeros(p), np.eye(p), n, "too few", reason)
    mean = rows[0] + (rows - rows[0]).mean(axis=0)
    centred = rows - mean
    covariance = centred.T @ centred / (n - 1)
    return _law(labels, mean, covariance, n)


def joint_chart(
    values: ArrayLike,
    *,
    law: JointLaw | None = None,
    alpha: float = 0.0027,
    names: tuple[str, ...] | None = None,
    least_rows: int = LEAST_ROWS,
) -> JointChart:
    """Chart T2 of single faces.

    Parameters
    ----------
    values : (n, p) floats
    law : JointLaw, optional
        Frozen baseline: the limit is then the one for future faces. Without it the faces judge themselves, and the
        limit is the one for faces that were part of the estimate.
    alpha : float, default 0.0027
        False-alarm rate per face.
    names, least_rows
        As for `joint_law`.

    Returns
    -------
    JointChart

    Raises
    ------
    ValueError
        For settings out of range.

    References
    ----------
    Tracy, Young and Mason (1992), Journal of Quality Technology 24(2); ISO 7870-7 (title).
    """
    x = readings_of(values, ndim=2)
    rate = _alpha(alpha)
    own = law is None
    known = joint_law(x, names=names, least_rows=least_rows) if law is None else law
    if known.mean.size != x.shape[1]:
        raise ValueError(f"`law` must have one mean per column ({x.shape[1]}), got {known.mean.size}")
    phase = "faces that are part of the baseline" if own else "future faces against a frozen baseline"
    method = f"Hotelling's T2 of single faces, {x.shape[1]} characteristics, exact limit for {phase}"
    if known.status != "ok":
        return _unable(x, known, method)
    m, p = known.n, x.shape[1]
    if own:
        limit = (m - 1) ** 2 / m * _beta_upper(rate, p / 2, (m - p - 1) / 2)
    else:
        limit = p * (m + 1) * (m - 1) / (m * (m - p)) * _f_upper(rate, p, m - p)
    return _judged(x, known, limit, rate, method)


def _law(labels: tuple[str, ...], mean: Array, covariance: Array, n: int) -> JointLaw:
    spread = np.sqrt(np.diag(covariance))
    if not np.all(spread > 0):
        flat = ", ".join(label for label, s in zip(labels, spread, strict=True) if not s > 0)
        return JointLaw(labels, mean, covariance, n, "no spread", f"all readings of {flat} are equal: leave it out")
    values = np.linalg.eigvalsh(covariance / np.outer(spread, spread))
    if values[0] < SINGULAR * values[-1]:
        reason = f"of {', '.join(labels)} one follows exactly from the others: leave it out"
        return JointLaw(labels, mean, covariance, n, "no spread", reason)
    return JointLaw(labels, mean, covariance, n, "ok", "")


def _unable(x: Array, law: JointLaw, method: str) -> JointChart:
    blank = np.full(x.shape[0], np.nan)
    starts = np.zeros(min(1, x.shape[0]), dtype=np.intp)
    chart = unable("joint distance", law.status, law.reason, blank, method=method, n=law.n, starts=starts)
    return JointChart(chart, law, np.full(x.shape, np.nan), math.inf, ())


def _judged(x: Array, law: JointLaw, limit: float, rate: float, method: str) -> JointChart:
    distance = _distance(x, law.mean, law.covariance)
    p = x.shape[1]
    share = np.empty(x.shape)
    for k in range(p):
        rest = [j for j in range(p) if j != k]
        share[:, k] = distance - _distance(x[:, rest], law.mean[rest], law.covariance[np.ix_(rest, rest)])
    n = x.shape[0]
    upper = np.full(n, limit)
    lower = np.full(n, -math.inf)
    signals = beyond_limits(distance, lower, upper, rule="joint distance", words=WORDS)
    leads = tuple((int(i), law.names[int(np.argmax(share[i]))]) for i in signals.index[-50:])
    chart = Chart(
        name="joint distance",
        status="ok",
        reason="",
        value=distance,
        centre=np.full(n, float(p)),
        lower=lower,
        upper=upper,
        starts=np.zeros(min(1, n), dtype=np.intp),
        signals=(signals,),
        method=method,
        n=law.n,
        missing=int(np.count_nonzero(np.isnan(distance))),
        sigma=0.0,
        sigma_how="covariance of complete rows",
        run_length=None,
        alarms=f"one false alarm in about {in_points(1 / rate)} faces if readings are jointly normal and independent",
        notes=("says that readings do not fit together, not which way",),
    )
    return JointChart(chart, law, share, limit, leads)


def _distance(x: Array, mean: Array, covariance: Array) -> Array:
    """Return (x - mean)' S^-1 (x - mean), scaled first so that units do not matter."""
    spread = np.sqrt(np.diag(covariance))
    factor = np.linalg.cholesky(covariance / np.outer(spread, spread))
    z = np.linalg.solve(factor, ((x - mean) / spread).T)
    return np.asarray(np.sum(z * z, axis=0))


def _alpha(alpha: float) -> float:
    rate = number_in(alpha, "alpha", above=0.0)
    if rate >= 1.0:
        raise ValueError(f"`alpha` must be below 1, got {alpha}; 0.0027 is usual")
    return rate


def _f_upper(rate: float, top: float, bottom: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(top, bottom, 1.0 - rate))


def _beta_upper(rate: float, a: float, b: float) -> float:
    from scipy.special import betaincinv

    return float(betaincinv(a, b, 1.0 - rate))
