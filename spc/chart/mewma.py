"""Drifting average of several characteristics together (multivariate EWMA)."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from spc.chart.checks import count_in, number_in, readings_of
from spc.chart.markov import Chain, chain_average
from spc.chart.multivariate import LEAST_ROWS, JointLaw, joint_law
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.run_length import RunLength, run_length_of
from spc.chart.signals import beyond_limits

__all__ = ["mewma_chart", "mewma_limit_for", "mewma_run_length"]

CELLS = 160
NAME = "joint drifting average"


def mewma_run_length(weight: float, limit: float, *, characteristics: int) -> RunLength:
    """Run length of the joint drifting average in control, settled limits.

    Parameters
    ----------
    weight : float
        Weight of the newest face, greater than 0 and at most 1.
    limit : float
        On the squared distance of the average, greater than 0.
    characteristics : int
        2 or more.

    Returns
    -------
    RunLength

    Notes
    -----
    In control only the length of the average matters, and its square over weight^2 is noncentral chi-square given the
    length before: a chain of cells on the length.

    References
    ----------
    Runger and Prabhu (1996), Journal of the American Statistical Association 91, 1701-1706.
    """
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    edge = number_in(limit, "limit", above=0.0)
    p = count_in(characteristics, "characteristics", least=2)
    chain = _chain(lam, edge, p)
    return run_length_of(
        chain,
        chain,
        shift_sd=0.0,
        chart=f"joint drifting average of {p:,} characteristics, weight {lam:g}, limit {edge:g}",
        method="Markov chain of cells on the length of the average (Runger and Prabhu 1996), jointly normal faces",
    )


@lru_cache(maxsize=128)
def mewma_limit_for(average: float, *, weight: float, characteristics: int) -> float:
    """Return the limit on the squared distance that gives a wanted average run length."""
    from scipy.optimize import brentq

    wanted = math.log(number_in(average, "average", above=1.0))
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    p = count_in(characteristics, "characteristics", least=2)

    def excess(limit: float) -> float:
        return math.log(chain_average(_chain(lam, limit, p))) - wanted

    least, high = 0.05, float(p)
    if excess(least) > 0.0:
        gives = in_points(chain_average(_chain(lam, least, p)))
        raise ValueError(f"`average` must be more than the {gives} faces that the nearest limit gives, got {average:g}")
    while excess(high) < 0.0 and high < 200.0:
        high *= 1.3
    return float(brentq(excess, least, high, xtol=1e-4))


def mewma_chart(
    values: ArrayLike,
    *,
    law: JointLaw | None = None,
    weight: float = 0.1,
    average: float = 370.4,
    names: tuple[str, ...] | None = None,
    least_rows: int = LEAST_ROWS,
) -> Chart:
    """Chart the squared distance of the joint drifting average.

    Parameters
    ----------
    values : (n, p) floats
        One row per face; a row with anything missing leaves the average as it is.
    law : JointLaw, optional
        Frozen baseline; estimated from these rows where not given.
    weight : float, default 0.1
    average : float, default 370.4
        Faces between false alarms wanted.
    names, least_rows
        As for `joint_law`.

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    The distance is measured by the settled spread of the average from its first face on, as its run length is: by the
    narrower spread of a young average a weight of 0.01 would call falsely twice as often as said.

    References
    ----------
    Lowry, Woodall, Champ and Rigdon (1992), Technometrics 34(1), 46-53.
    """
    x = readings_of(values, ndim=2)
    lam = number_in(weight, "weight", above=0.0, most=1.0)
    known = joint_law(x, names=names, least_rows=least_rows) if law is None else law
    n, p = x.shape
    starts = np.zeros(min(1, n), dtype=np.intp)
    method = (
        f"multivariate exponentially weighted moving average of {p:,} characteristics, newest face weighs {lam:g}, "
        "distance by its settled spread"
    )
    if known.status != "ok":
        blank = np.full(n, np.nan)
        return unable(NAME, known.status, known.reason, blank, method=method, n=known.n, starts=starts)
    limit = mewma_limit_for(average, weight=lam, characteristics=p)
    run_length = mewma_run_length(lam, limit, characteristics=p)
    spread = np.sqrt(np.diag(known.covariance))
    factor = np.linalg.cholesky(known.covariance / np.outer(spread, spread))
    z = np.linalg.solve(factor, ((x - known.mean) / spread).T).T
    whole = ~np.isnan(z).any(axis=1)
    value = np.full(n, np.nan)
    if whole.any():
        from scipy.signal import lfilter

        mean = lfilter([lam], [1.0, lam - 1.0], z[whole], axis=0)
        value[whole] = np.sum(mean * mean, axis=1) / (lam / (2.0 - lam))
    upper = np.full(n, limit)
    lower = np.full(n, -math.inf)
    words = "flatness, finish and their like have drifted together"
    return Chart(
        name=NAME,
        status="ok",
        reason="",
        value=value,
        centre=np.full(n, float(p)),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(beyond_limits(value, lower, upper, rule=NAME, words=words),),
        method=method,
        n=known.n,
        missing=int(n - whole.sum()),
        sigma=0.0,
        sigma_how="covariance of complete rows",
        run_length=run_length,
        alarms=f"one false alarm in about {in_points(run_length.average)} faces if jointly normal and independent",
        notes=(),
    )


@lru_cache(maxsize=128)
def _chain(lam: float, limit: float, p: int) -> Chain:
    from scipy.special import chndtr

    radius = math.sqrt(limit * lam / (2.0 - lam))
    width = 2.0 * radius / (2 * CELLS - 1)
    centre = np.arange(CELLS, dtype=np.float64) * width
    edges = np.append((np.arange(CELLS) + 0.5) * width, radius)[:CELLS]
    below = chndtr((edges[None, :] / lam) ** 2, p, ((1.0 - lam) * centre[:, None] / lam) ** 2)
    matrix = np.diff(below, axis=1, prepend=0.0)
    return Chain(start=matrix[0], matrix=matrix)
