"""Tests whether readings stop at the limit because faces were lapped until good.

Where a face over the limit goes back on the lap, the final readings know nothing above the limit: their law must be
divided by F(limit), an index from them flatters, and a chart of them sees about half of a drift. This file
tests for it, says how likely the test was to notice, and hands over the law of the first pass.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.model.bounds import bound, tail_share_target
from spc.model.families import Array
from spc.model.grouping import Readings
from spc.model.interval_fit import FamilyChoice, IntervalFit, choose_family
from spc.model.likelihood import Cells, fit_cells
from spc.model.simulate import draw_counts, reading_rule

__all__ = ["CutOff", "check_cut_off", "reading_edge_um"]

ENOUGH_POWER = 0.8  # below this a quiet test is not taken as proof of anything (common practice, no source)


@dataclass(frozen=True, slots=True)
class CutOff:
    """Whether final readings stop at the limit, and what follows."""

    status: str  # 'cut off', 'not cut off', 'cannot say'
    sentence: str
    limit_um: float
    cut_um: float  # largest true flatness that reads as within the limit
    n: int
    beyond: int  # readings beyond the limit
    expected_beyond: float  # what the law without cutting off expects beyond it; NaN if no law
    p_value: float  # NaN where the test did not need to be run
    p_error: float
    power: float  # chance that the test notices, were the data cut off as the fitted cut law says; NaN if not run
    repetitions: int
    first_pass_low: float  # share of faces within the limit at the first pass, 90 % interval over all near laws;
    first_pass_high: float  # NaN if not cut off. Cut readings say little of it: expect it wide
    plain: FamilyChoice  # laws of the readings as they stand
    cut: FamilyChoice | None  # laws of the first pass, readings divided by F(cut)


def reading_edge_um(low_um: ArrayLike, high_um: ArrayLike, limit_um: float) -> float:
    """Largest true flatness that still reads as `limit_um` or less, micrometres.

    On steps this is the upper edge of the last reading whose written value does not exceed the limit; for
    readings known as numbers it is the limit.
    """
    low, high = np.asarray(low_um, dtype=float).ravel(), np.asarray(high_um, dtype=float).ravel()
    stepped = np.isfinite(high) & (low > 0) & (high > low * (1 + 1e-9))
    if stepped.sum() * 2 < np.sum(~np.isnan(low)):
        return float(limit_um)
    width = float(np.median(high[stepped] - low[stepped]))
    with np.errstate(invalid="ignore"):
        like = stepped & (np.abs((high - low) / width - 1) < 1e-4)
    if like.sum() * 2 < stepped.sum():
        return float(limit_um)  # every reading on a step of its own: no common edge
    phase = float(np.median(np.mod(low[like] / width + 1e-6, 1.0))) - 1e-6
    steps_below = np.floor((limit_um / width - phase - 0.5) * (1 + 1e-9) + 1e-9)
    return float((phase + steps_below + 1) * width)


def check_cut_off(
    low_um: ArrayLike,
    high_um: ArrayLike,
    limit_um: float,
    *,
    level: float = 0.05,
    repetitions: int = 200,
    rng: np.random.Generator | None = None,
) -> CutOff:
    """Test whether final readings were cut off at a limit, and fit the law of the first pass if they were.

    Parameters
    ----------
    low_um, high_um : array-like (n,), micrometres
        Final readings as intervals.
    limit_um : float
        Upper limit, greater than 0.
    level : float, default 0.05
        Share of whole data sets called cut off by chance.
    repetitions : int, default 200
        Samples drawn for the p-value, and as many for the power.
    rng : numpy.random.Generator, optional
        Default: a fixed seed.

    Returns
    -------
    CutOff

    Notes
    -----
    The statistic is the gain in log-likelihood of the best cut law over the best law without a cut; its
    distribution comes from samples of the latter, which count as no gain whenever one reading lies beyond.
    One reading beyond the limit shows that readings do not always stop there: then nothing is cut off.
    """
    if not (np.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")
    low, high = np.asarray(low_um, dtype=float).ravel(), np.asarray(high_um, dtype=float).ravel()
    plain = choose_family(low, high)
    edge = max(reading_edge_um(low, high, limit_um), float(limit_um))
    beyond = int(
        np.sum(low >= edge * (1 - 1e-9)) + np.sum((low < edge * (1 - 1e-9)) & (low >= limit_um) & np.isinf(high))
    )
    nan = float("nan")

    def result(
        status: str,
        sentence: str,
        *,
        p: float = nan,
        power: float = nan,
        share: tuple[float, float] = (nan, nan),
        cut: FamilyChoice | None = None,
        used: int = 0,
    ) -> CutOff:
        expected = nan if plain.best is None else plain.n * float(plain.best.sf(edge))
        error = float(np.sqrt(p * (1 - p) / used)) if used else nan
        return CutOff(
            status, sentence, limit_um, edge, plain.n, beyond, expected, p, error, power, used, *share, plain, cut
        )

    if plain.best is None:
        return result("cannot say", plain.reason)
    if beyond:
        word = "reading lies" if beyond == 1 else "readings lie"
        return result("not cut off", f"{beyond} {word} beyond the limit: readings do not stop there")
    cut = choose_family(low, high, cut_um=edge)
    if cut.best is None:
        return result("cannot say", cut.reason)
    if float(cut.best.cdf(edge)) > 0.999:
        return result(
            "not cut off", "the limit lies beyond where readings reach: whether they stop there cannot matter"
        )
    rng = np.random.default_rng(1) if rng is None else rng
    gain = cut.best.log_likelihood - plain.best.log_likelihood
    null = _gains(plain.best, plain.best, cut.best, edge, np.inf, repetitions, rng)
    p = float((1 + (null >= gain).sum()) / (repetitions + 1))
    planted = _gains(cut.best, plain.best, cut.best, edge, edge, repetitions, rng)
    critical = float(np.quantile(null, 1 - level, method="higher"))
    power = float(np.mean(planted > critical))
    if p < level:
        share = _first_pass_share(cut, edge)
        sentence = (
            f"readings stop at the limit (p {p:.3f}): faces were lapped until good, or the lap was taken off there; if "
            f"lapped until good, between {100 * share[0]:.0f} and {100 * share[1]:.0f}% pass at first, and a chart of "
            "final readings sees only part of a drift: chart first passes, minutes or passes"
        )
        return result("cut off", sentence, p=p, power=power, share=share, cut=cut, used=repetitions)
    if power >= ENOUGH_POWER:
        sentence = f"readings thin out before the limit (p {p:.2f}); a cut-off would have shown with chance {power:.2f}"
        return result("not cut off", sentence, p=p, power=power, used=repetitions)
    sentence = (
        f"no reading lies beyond the limit, but {plain.n:,} readings cannot tell whether faces were lapped until good "
        f"(p {p:.2f}; a cut-off would have shown with chance {power:.2f}): log every pass"
    )
    return result("cannot say", sentence, p=p, power=power, cut=cut, used=repetitions)


def _first_pass_share(cut: FamilyChoice, edge_um: float) -> tuple[float, float]:
    """90 % likelihood-ratio interval of the share within the limit, widest over the near laws."""
    target = tail_share_target(edge_um)
    beyond = [bound(fit, target, side="both", level=0.9, method="likelihood ratio") for fit in cut.near]
    return 1 - max(b.high for b in beyond), 1 - min(b.low for b in beyond)


def _gains(
    source: IntervalFit,
    plain: IntervalFit,
    cut: IntervalFit,
    edge_um: float,
    kept_um: float,
    repetitions: int,
    rng: np.random.Generator,
) -> Array:
    """Gain of the cut law over the plain one in samples from `source`; minus infinity with a reading beyond."""
    readings: Readings = source.readings
    unit = readings.scale_um
    rule = reading_rule(readings, source.law, source.log_scale, source.shape)
    low, high, count = draw_counts(
        rule, source.law, source.log_scale, source.shape, repetitions=repetitions, rng=rng, cut=kept_um / unit
    )
    edge = edge_um / unit
    inside = high <= edge * (1 + 1e-9)
    stops = count[:, ~inside].sum(axis=1) == 0
    gains = np.full(repetitions, -np.inf)
    if stops.any():
        cells = Cells(low[inside], np.minimum(high[inside], edge), count[stops][:, inside])
        with_cut = fit_cells(cut.law, cells, start=(cut.log_scale, cut.shape), reach=8.0, cut=edge)[2]
        without = fit_cells(plain.law, cells, start=(plain.log_scale, plain.shape), reach=8.0)[2]
        gains[stops] = with_cut - without
    return gains
