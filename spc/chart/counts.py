"""Shares and counts per shift or lot: re-laps of faces lapped, scratches per face, aware of over-dispersion."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, finite, number_in, readings_of
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.signals import beyond_limits
from spc.model.p_words import p_words

__all__ = ["CountChart", "Dispersion", "count_chart", "dispersion_of", "lots_until", "share_chart"]

Array = NDArray[np.float64]
LIMITS = ("probability", "three sigma")
DISPERSIONS = ("test", "plain", "extra")
LEAST_POINTS = 2
TEST_LEVEL = 0.05
LOT_MOST = 1_000_000  # the law of a lot is written out count by count


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Whether counts vary more than chance alone lets them."""

    ratio: float  # mean squared standardised deviation; 1 = as chance
    p_value: float  # of the dispersion test, large-sample chi-square
    extra: float  # correlation within a lot (shares) or squared relative spread of the rate (counts); 0 = none
    sentence: str


@dataclass(frozen=True, slots=True)
class CountChart:
    """The chart, the rate it rests on and the dispersion found."""

    chart: Chart
    rate: float  # share of faces, or count per unit
    dispersion: Dispersion | None
    attained: float  # false-alarm rate per point, averaged over the points' sizes; 0 when there are no limits
    size: Array  # faces or units in each lot


def share_chart(
    bad: ArrayLike,
    faces: ArrayLike,
    *,
    share: float | None = None,
    limits: str = "probability",
    alpha: float = 0.0027,
    width_sd: float = 3.0,
    dispersion: str = "test",
) -> CountChart:
    """Chart the share of faces with a property, lot by lot; lots may differ in size.

    Parameters
    ----------
    bad, faces : (n,) whole numbers
        Per lot; a lot without faces is not plotted.
    share : float, optional
        Frozen share in control, 0 < share < 1; estimated from all lots where not given.
    limits : {'probability', 'three sigma'}
        Exact tail probabilities, or the textbook distance `width_sd`.
    alpha : float, default 0.0027
        Both tails together, for probability limits.
    dispersion : {'test', 'plain', 'extra'}
        'test' widens the limits when the lots vary about their own share more than chance (5 % level), 'extra' by as
        much as they do, 'plain' never.

    Returns
    -------
    CountChart

    Raises
    ------
    ValueError
        For counts that are negative, not whole or larger than the lot; settings out of range.

    Notes
    -----
    Over-dispersed shares follow the beta-binomial law with a common correlation within lots, by moments.

    References
    ----------
    ISO 7870-2 for the textbook limits (from memory); Williams (1982), Applied Statistics 31, moments of the extra
    variance; Tarone (1979) for testing it.
    """
    y, size = _counts(bad, faces, "bad", "faces")
    if np.any(np.mod(size, 1) != 0) or np.any(y > size):
        raise ValueError("`faces` must be whole and no smaller than `bad` in every lot")
    if np.any(size > LOT_MOST):
        raise ValueError(f"`faces` must be at most {LOT_MOST:,} in one lot, got {size.max():,.0f}; split the lot")
    if share is not None:
        given = number_in(share, "share", above=0.0)
        if given >= 1.0:
            raise ValueError(f"`share` must be below 1, got {share}")
    return _chart(y, size, share, limits, alpha, width_sd, dispersion, binomial=True)


def count_chart(
    counts: ArrayLike,
    units: ArrayLike | None = None,
    *,
    rate: float | None = None,
    limits: str = "probability",
    alpha: float = 0.0027,
    width_sd: float = 3.0,
    dispersion: str = "test",
) -> CountChart:
    """Chart counts (scratches, holds) per unit of opportunity (face, shift, area).

    Parameters
    ----------
    counts : (n,) whole numbers
    units : (n,) floats, optional
        Opportunity of each point, greater than 0; 1 by default. 0 = not plotted.
    rate : float, optional
        Frozen count per unit, greater than 0; estimated where not given.
    limits, alpha, width_sd, dispersion
        As for `share_chart`; over-dispersed counts follow the negative binomial law.

    Returns
    -------
    CountChart

    Raises
    ------
    ValueError
        For counts that are negative or not whole; settings out of range.

    References
    ----------
    ISO 7870-2 for the textbook limits (from memory).
    """
    y = np.asarray(counts, dtype=np.float64)
    y, size = _counts(y, np.ones(y.shape) if units is None else units, "counts", "units")
    if rate is not None:
        number_in(rate, "rate", above=0.0)
    return _chart(y, size, rate, limits, alpha, width_sd, dispersion, binomial=False)


def dispersion_of(y: Array, size: Array, *, binomial: bool) -> Dispersion:
    """Test for, and estimate, variation between lots beyond chance, about the rate of these very lots.

    Parameters
    ----------
    y, size : (n,) floats
        Counts and sizes, all sizes greater than 0; neither no face nor every face has the property.
    binomial : bool
        Shares of faces, else counts.

    Returns
    -------
    Dispersion

    Notes
    -----
    Lots that all lie as far from a frozen rate do not vary: they have moved, and limits widened for that would hide it.
    """
    from scipy.special import chdtrc

    rate = float(y.sum() / size.sum())
    expected = rate * size
    variance = expected * (1.0 - rate) if binomial else expected
    statistic = float(np.sum((y - expected) ** 2 / variance))
    free = 1.0 - size / size.sum()
    degrees = size.size - 1
    grows = size - 1.0 if binomial else expected
    room = float(np.sum(free * grows))
    extra = max(statistic - float(free.sum()), 0.0) / room if room > 0 else 0.0
    extra = min(extra, 0.99) if binomial else extra
    p_value = float(chdtrc(degrees, statistic)) if degrees > 0 else 1.0
    ratio = statistic / degrees if degrees > 0 else 1.0
    verdict = "more than chance alone" if p_value < TEST_LEVEL else "no more than chance would"
    small = "" if float(expected.min()) >= 1.0 else " (small lots: the test is rough)"
    sentence = f"lots vary {verdict}: {ratio:.2f} times the variance of chance, {p_words(p_value)}{small}"
    return Dispersion(ratio, p_value, extra, sentence)


def lots_until(found: CountChart, size: float, rate: float, *, binomial: bool) -> float:
    """Average lots of one size until the chart signals at a rate that is not the usual one.

    Parameters
    ----------
    found : CountChart
    size : float
        Faces or units in each lot, greater than 0; the limits are those of the charted lot nearest in size.
    rate : float
        Share of faces (`binomial`), or count per unit, greater than 0.
    binomial : bool

    Returns
    -------
    float
        Infinite if no count lies beyond. Variation between lots is taken as it was found.
    """
    chart = found.chart
    share = number_in(rate, "rate", above=0.0)
    there = np.flatnonzero(~np.isnan(chart.value))
    if chart.status != "ok" or not there.size:
        return math.inf
    extra = 0.0
    if found.dispersion is not None and "between lots" in chart.sigma_how:
        extra = found.dispersion.extra
    law = _law(float(size), share, extra, binomial)
    at = there[np.argmin(np.abs(found.size[there] - size))]
    count = np.arange(law.size) / size
    chance = float(law[(count > chart.upper[at]) | (count < chart.lower[at])].sum())
    return 1.0 / chance if chance > 0 else math.inf


def _chart(
    y: Array,
    size: Array,
    frozen: float | None,
    limits: str,
    alpha: float,
    width_sd: float,
    dispersion: str,
    *,
    binomial: bool,
) -> CountChart:
    choice(limits, "limits", LIMITS)
    choice(dispersion, "dispersion", DISPERSIONS)
    tail = number_in(alpha, "alpha", above=0.0) / 2.0
    if tail >= 0.5:
        raise ValueError(f"`alpha` must be below 1, got {alpha}; 0.0027 is usual")
    width = number_in(width_sd, "width_sd", above=0.0)
    name = "share of faces" if binomial else "count per unit"
    drawn = "probability limits" if limits == "probability" else f"limits at {width:g} standard deviations"
    method = f"{name}, {drawn} by the size of each lot (after ISO 7870-2)"
    there = size > 0
    value = np.full(y.size, np.nan)
    value[there] = y[there] / size[there]
    starts = np.zeros(min(1, y.size), dtype=np.intp)
    n = int(there.sum())
    if n < LEAST_POINTS and frozen is None:
        lots = f"{n} lot{'' if n == 1 else 's'} with {'faces' if binomial else 'units'}"
        reason = f"{lots}; at least {LEAST_POINTS} are needed before limits mean anything: go on logging"
        blank = unable(name, "too few", reason, value, method=method, n=n, starts=starts)
        return CountChart(blank, 0.0, None, 0.0, size)
    rate = float(y.sum() / size.sum()) if frozen is None else finite(frozen, "rate")
    if rate <= 0.0 or (binomial and rate >= 1.0):
        which = "none" if rate <= 0.0 else "all"
        reason = (
            f"{which} of the {size.sum():g} {'faces' if binomial else 'units'} had it, so chance cannot be judged from "
            "these lots; give a share known from elsewhere, or read the interval of the share"
        )
        blank = unable(name, "no spread", reason, value, method=method, n=n, starts=starts)
        return CountChart(blank, rate, None, 0.0, size)
    found = None
    if n >= LEAST_POINTS and 0.0 < float(y.sum()) < (float(size.sum()) if binomial else math.inf):
        found = dispersion_of(y[there], size[there], binomial=binomial)
    widened = dispersion == "extra" or (dispersion == "test" and found is not None and found.p_value < TEST_LEVEL)
    extra = found.extra if widened and found is not None else 0.0
    lower, upper, chance = _limits(size, rate, extra, limits, tail, width, binomial)
    attained = float(chance[there].mean()) if n else 0.0
    notes = [found.sentence] if found is not None else []
    if n and binomial and float((rate * size[there]).min()) < 5.0:
        notes.append(
            "lots with fewer than 5 expected: such a chart hardly sees a rise; the sum over single faces sees it sooner"
        )
    often = f"one false alarm in about {in_points(1 / attained)} lots" if attained > 0 else "no false alarms"
    chart = Chart(
        name=name,
        status="ok",
        reason="",
        value=value,
        centre=np.full(y.size, rate),
        lower=lower,
        upper=upper,
        starts=starts,
        signals=(beyond_limits(value, lower, upper, rule="beyond the limit", words=f"one {name} beyond the limit"),),
        method=method + (", widened for variation beyond chance" if extra > 0 else ""),
        n=n,
        missing=int(y.size - n),
        sigma=0.0,
        sigma_how="from the law of counts" + (", with variation between lots" if extra > 0 else ""),
        run_length=None,
        alarms=often,
        notes=tuple(notes),
    )
    return CountChart(chart, rate, found, attained, size)


def _limits(
    size: Array, rate: float, extra: float, limits: str, tail: float, width: float, binomial: bool
) -> tuple[Array, Array, Array]:
    """Return lower and upper limits per unit and the attained rate, computed once per distinct size."""
    lower = np.full(size.size, -math.inf)
    upper = np.full(size.size, math.inf)
    chance = np.zeros(size.size)
    for n in np.unique(size[size > 0]):
        law = _law(float(n), rate, extra, binomial)
        counts = np.arange(law.size)
        if limits == "three sigma":
            variance = rate * (1 - rate) / n * (1 + (n - 1) * extra) if binomial else rate / n + extra * rate**2
            low, high = rate - width * math.sqrt(variance), rate + width * math.sqrt(variance)
            low = low if low > 0 else -math.inf
        else:
            # A point half a count beyond the last harmless count: nothing can fall on the limit.
            above = law[::-1].cumsum()[::-1]  # P(Y >= k)
            below = law.cumsum()  # P(Y <= k)
            first = int(np.flatnonzero(above <= tail)[0]) if above[-1] <= tail else law.size
            last = int(np.flatnonzero(below <= tail)[-1]) if below[0] <= tail else -1
            high = (first - 0.5) / n if first < law.size else math.inf
            low = (last + 0.5) / n if last >= 0 else -math.inf
        out = (counts / n > high) | (counts / n < low)
        here = size == n
        lower[here], upper[here], chance[here] = low, high, float(law[out].sum())
    return lower, upper, chance


def _law(size: float, rate: float, extra: float, binomial: bool) -> Array:
    """Return the probabilities of 0, 1, 2, ... in a lot."""
    from scipy.special import betaln, gammaln, xlog1py, xlogy

    if binomial:
        k = np.arange(int(size) + 1)
        choose = gammaln(size + 1) - gammaln(k + 1) - gammaln(size - k + 1)
        if extra <= 0.0:
            return np.asarray(np.exp(choose + xlogy(k, rate) + xlog1py(size - k, -rate)))
        strength = 1.0 / extra - 1.0
        a, b = rate * strength, (1.0 - rate) * strength
        return np.asarray(np.exp(choose + betaln(k + a, size - k + b) - betaln(a, b)))
    mean = rate * size
    spread = math.sqrt(mean + extra * mean * mean)
    k = np.arange(int(mean + 12 * spread + 30 * (1 + extra * mean)) + 1)
    if extra <= 0.0:
        return np.asarray(np.exp(xlogy(k, mean) - mean - gammaln(k + 1)))
    shape = 1.0 / extra
    return np.asarray(
        np.exp(
            gammaln(k + shape)
            - gammaln(shape)
            - gammaln(k + 1)
            - shape * math.log1p(mean / shape)
            + xlogy(k, mean / (mean + shape))
        )
    )


def _counts(y: ArrayLike, size: ArrayLike, y_name: str, size_name: str) -> tuple[Array, Array]:
    counts = readings_of(y, name=y_name)
    sizes = readings_of(size, name=size_name)
    if counts.shape != sizes.shape:
        raise ValueError(f"`{size_name}` must hold one size per count ({counts.size}), got {sizes.size}")
    bad = np.isnan(counts) | (counts < 0) | (np.mod(counts, 1) != 0) | np.isnan(sizes) | (sizes < 0)
    if bad.any():
        where = int(np.flatnonzero(bad)[0])
        raise ValueError(
            f"`{y_name}` must be whole numbers of 0 or more and `{size_name}` 0 or more, got {counts[where]} of "
            f"{sizes[where]} at position {where}"
        )
    return counts, sizes
