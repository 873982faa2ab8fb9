"""Self-starting chart (Q): each reading is judged by those before it alone, so a new part needs no baseline."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import number_in, readings_of
from spc.chart.ewma import ewma_chart
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.rules import RULES, rule_signals
from spc.chart.run_length import rule_run_length

__all__ = ["SelfStartingChart", "q_values", "self_starting_chart"]

LEAST = 3
WEAKNESS = (
    "a shift that comes early is soon taken for normal: 2 sd from the 11th reading on is caught by single points "
    "within 20 readings in about one run of nine; watch the drifting average, and freeze limits "
    "once some 30 readings are in"
)
SKEW = (
    "readings skewed as flatness often is (logarithms with a spread of 0.5) give five times as many false alarms, "
    "nearly all of them on the long side: take logarithms first"
)


@dataclass(frozen=True, slots=True)
class SelfStartingChart:
    """Single readings and their drifting average, both on the standard normal scale."""

    single: Chart
    drift: Chart


def q_values(values: ArrayLike) -> NDArray[np.float64]:
    """Score each reading by those before it, mean and spread unknown, on the standard normal scale.

    Parameters
    ----------
    values : (n,) floats
        In order of time; NaN = not measured, passed over.

    Returns
    -------
    (n,) floats
        Independent standard normal if the readings are normal and in control; NaN for the first two readings, and as
        long as all readings so far are equal.

    Notes
    -----
    Q_i = Phi^-1 ( G_{i-2} ( sqrt((i-1)/i) (x_i - mean_{i-1}) / s_{i-1} ) ), G the t law.

    References
    ----------
    Quesenberry (1991), Journal of Quality Technology 23(3), case of both parameters unknown.
    """
    from scipy.special import ndtri, stdtr

    x = readings_of(values)
    out = np.full(x.size, np.nan)
    there = np.flatnonzero(~np.isnan(x))
    y = x[there]
    if y.size < LEAST:
        return out
    mean, squares = _running(y)
    i = np.arange(3, y.size + 1, dtype=np.float64)
    deviation = np.sqrt(squares[1:-1] / (i - 2))
    known = deviation > 0
    t = np.zeros(i.size)
    t[known] = np.sqrt((i[known] - 1) / i[known]) * (y[2:][known] - mean[1:-1][known]) / deviation[known]
    # The far tail of t keeps its digits when taken from the lower side.
    q = -np.sign(t) * ndtri(np.maximum(stdtr(i - 2, -np.abs(t)), 1e-300))
    out[there[2:][known]] = q[known] + 0.0
    return out


def self_starting_chart(
    values: ArrayLike, *, width_sd: float = 3.0, weight: float = 0.2, drift_width_sd: float = 2.86
) -> SelfStartingChart:
    """Chart readings from the third one on, without a baseline.

    Parameters
    ----------
    values : (n,) floats
        In order of time; of one part and lap, or already made comparable (see the short-run charts).
    width_sd : float, default 3
        Limit for single readings, standard deviations.
    weight, drift_width_sd : float
        Of the drifting average of the scores.

    Returns
    -------
    SelfStartingChart
        Its weakness is in the notes.

    Raises
    ------
    ValueError
        For infinite readings or settings out of range.

    References
    ----------
    Quesenberry (1991), Journal of Quality Technology 23(3); Hawkins (1987), The Statistician 36.
    """
    x = readings_of(values)
    width = number_in(width_sd, "width_sd", above=0.0)
    q = q_values(x)
    scored = int(np.count_nonzero(~np.isnan(q)))
    method = "self-starting scores: each reading judged by those before it (Quesenberry 1991), mean and spread unknown"
    starts = np.zeros(min(1, x.size), dtype=np.intp)
    if scored == 0:
        n = int(np.count_nonzero(~np.isnan(x)))
        if n < LEAST:
            readings = "1 reading" if n == 1 else f"{n} readings"
            status, reason = "too few", f"{readings}; the first score needs {LEAST}: go on logging"
        else:
            status, reason = "no spread", f"all {n:,} readings are equal, so nothing can be judged by them"
        blank = unable("self-starting score", status, reason, q, method=method, n=n, starts=starts)
        return SelfStartingChart(single=blank, drift=blank)
    rules = (RULES["beyond the limit"],)
    run_length = rule_run_length(rules, limit_z=width)
    single = Chart(
        name="self-starting score",
        status="ok",
        reason="",
        value=q,
        centre=np.zeros(q.size),
        lower=np.full(q.size, -width),
        upper=np.full(q.size, width),
        starts=starts,
        signals=rule_signals(q, rules=rules, limit_z=width),
        method=method,
        n=scored,
        missing=int(np.count_nonzero(np.isnan(q))),
        sigma=1.0,
        sigma_how="by construction",
        run_length=run_length,
        alarms=(
            f"one false alarm in about {in_points(run_length.average)} points if readings are normal and independent"
        ),
        notes=(WEAKNESS, SKEW),
    )
    drift = ewma_chart(q, weight=weight, width_sd=drift_width_sd, centre=0.0, sigma=1.0)
    return SelfStartingChart(single=single, drift=drift)


def _running(y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and sum of squared deviations of the first 1, 2, ... readings (West's update, stable)."""
    mean = np.empty(y.size)
    squares = np.empty(y.size)
    centre, total = 0.0, 0.0
    for place, value in enumerate(y.tolist()):
        step = value - centre
        centre += step / (place + 1)
        total += step * (value - centre)
        mean[place], squares[place] = centre, total
    return mean, squares
