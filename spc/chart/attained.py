"""What an individuals chart truly does when its limits rest on few readings."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from spc.chart.checks import choice, count_in, number_in
from spc.chart.constants import moving_range_spread_variance
from spc.chart.price import points_between
from spc.chart.rules import SIDES

__all__ = ["AttainedRate", "attained_rate", "guaranteed_width"]

NODES = 400
WIDEST_SD = 8.0  # width up to which a rate can be guaranteed: farther out no normal law is known [our rule]


@dataclass(frozen=True, slots=True)
class AttainedRate:
    """Per-point false-alarm rate over all baselines of one length that might have been drawn."""

    nominal: float  # with centre and spread known
    average: float  # over baselines
    low_10: float  # 10 % of baselines give less
    median: float
    high_90: float  # 10 % of baselines give more
    baseline: int  # readings
    width_sd: float
    words: str


@lru_cache(maxsize=256)
def attained_rate(baseline: int, *, width_sd: float = 3.0, sides: str = "both", stretches: int = 1) -> AttainedRate:
    """False-alarm rate of an individuals chart whose limits come from a baseline of given length.

    Parameters
    ----------
    baseline : int
        Readings in the baseline, at least 5.
    width_sd : float, default 3
    sides : {'both', 'upper', 'lower'}
    stretches : int, default 1
        Unbroken stretches in the baseline (each costs one moving range).

    Returns
    -------
    AttainedRate

    Raises
    ------
    ValueError
        For settings out of range.

    Notes
    -----
    Normal independent readings. The mean moving range is taken as a scaled chi whose first two moments are exact
    (Patnaik's approximation), independent of the mean; checked against simulation. The rate of one chart is fixed
    by the luck of its baseline, so its spread over baselines is shown, not only its average.

    References
    ----------
    Quesenberry (1993), Journal of Quality Technology 25(4); Patnaik (1950), Biometrika 37.
    """
    n = count_in(baseline, "baseline", least=5)
    parts = count_in(stretches, "stretches", least=1, most=n // 2)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    rates = np.sort(_rates(n, parts, width, sides), axis=None)
    both = 2.0 if sides == "both" else 1.0
    nominal = both * float(ndtr(-width))
    low, median, high = (float(np.quantile(rates, q)) for q in (0.1, 0.5, 0.9))
    words = (
        f"limits from {n:,} readings: the true false-alarm rate lies between 1 in {points_between(high)} and "
        f"1 in {points_between(low)} points for 8 of 10 such baselines (1 in {points_between(nominal)} "
        "if all were known)"
    )
    return AttainedRate(nominal, float(rates.mean()), low, median, high, n, width, words)


@lru_cache(maxsize=256)
def guaranteed_width(
    baseline: int,
    *,
    width_sd: float = 3.0,
    sides: str = "both",
    stretches: int = 1,
    excess: float = 1.2,
    assurance: float = 0.9,
) -> float:
    """Width at which, for a share `assurance` of baselines, the rate is at most `excess` times the nominal one.

    Parameters
    ----------
    baseline, width_sd, sides, stretches
        As for `attained_rate`; `width_sd` sets the nominal rate and is at most 8.
    excess : float, default 1.2
        Greater than 0.
    assurance : float, default 0.9
        Between 0 and 1.

    Returns
    -------
    float
        Standard deviations; more than `width_sd` unless `excess` is generous.
    """
    from scipy.optimize import brentq

    n = count_in(baseline, "baseline", least=5)
    parts = count_in(stretches, "stretches", least=1, most=n // 2)
    width = number_in(width_sd, "width_sd", above=0.0, most=WIDEST_SD)
    choice(sides, "sides", SIDES)
    share = number_in(assurance, "assurance", above=0.0)
    if share >= 1.0:
        raise ValueError(f"`assurance` must be below 1, got {assurance}")
    allowed = number_in(excess, "excess", above=0.0) * (2.0 if sides == "both" else 1.0) * float(ndtr(-width))

    def missed(w: float) -> float:
        return math.log(float(np.quantile(_rates(n, parts, w, sides), share))) - math.log(allowed)

    return float(brentq(missed, 0.1 * width, 4.0 * width, xtol=1e-8))


def _rates(n: int, parts: int, width: float, sides: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return the conditional rates at equally likely pairs of estimated centre and estimated spread."""
    from scipy.special import chdtri, ndtri

    pairs = n - parts
    variance = moving_range_spread_variance(pairs, max(pairs - parts, 0))
    # Scaled chi with mean 1 and this variance: sigma_hat^2 has mean 1 + variance; solve the degrees of freedom.
    freedom = _freedom(variance)
    levels = (np.arange(NODES) + 0.5) / NODES
    ratio = np.sqrt(chdtri(freedom, 1.0 - levels) / freedom) * math.sqrt(1.0 + variance)
    centre = ndtri(levels) / math.sqrt(n)
    high = ndtr(-(centre[:, None] + width * ratio[None, :]))
    low = ndtr(centre[:, None] - width * ratio[None, :])
    if sides == "both":
        return np.asarray(high + low)
    return np.asarray(high if sides == "upper" else low)


def _freedom(variance: float) -> float:
    """Return the degrees of freedom of a chi law whose variance over squared mean is `variance`."""
    from scipy.optimize import brentq
    from scipy.special import gammaln

    def excess(freedom: float) -> float:
        mean_square = 2.0 / freedom * math.exp(2.0 * float(gammaln((freedom + 1) / 2) - gammaln(freedom / 2)))
        return 1.0 / mean_square - 1.0 - variance

    return float(brentq(excess, 0.1, 1e7))
