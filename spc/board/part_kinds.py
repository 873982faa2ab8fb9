"""Charts of many part numbers on one lap: each reading against the level, or the level and spread, of its part."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.board.chart_made import ChartOptions, Made, faces_panel, rested, seen
from spc.board.chart_series import ChartSeries, ungrouped_words
from spc.board.lap_state import plural
from spc.chart.rules import RULES
from spc.chart.run_length import rule_run_length
from spc.chart.short_run import ShortRunChart, ratio_chart, standard_chart

__all__ = ["ratio_to_part", "standardised"]

FEWEST_OF_PART = 5  # readings of a part from which it is standardised by its own figures [our rule]


def ratio_to_part(series: ChartSeries, options: ChartOptions) -> Made:
    """Logarithm of each reading over the level of its part."""
    width, sides = options.width_or(3.0), options.sides or "both"
    parts, value, left_out = _of_parts(series)
    found = ratio_chart(
        np.where(value > 0, value, np.nan), parts,
        segments=series.rows["cycle"].to_numpy(np.int64), baseline=options.mask(len(series)), width_sd=width,
        sides=sides,
    )  # fmt: skip
    below = int(np.count_nonzero(value <= 0))
    have = "has no ratio and is" if below == 1 else "have no ratio and are"
    remarks = (f"{plural(below, 'reading')} of 0 or below {have} not plotted",) if below else ()
    remarks = (*left_out, *remarks)
    return _by_part(series, options, found, width=width, sides=sides, unit="of the natural log", remarks=remarks)


def standardised(series: ChartSeries, options: ChartOptions) -> Made:
    """Each reading less the mean of its part, over the spread of its part.

    Notes
    -----
    Of n readings judged by their own mean and standard deviation none lies more than (n - 1) / sqrt(n) out (Samuelson
    1968, Journal of the American Statistical Association 63, from memory): 2.85 of ten.
    """
    parts, value, left_out = _of_parts(series)
    known = ~np.isnan(value) & options.mask(len(series))
    width, sides = options.width_or(3.0), options.sides or "both"
    target, spread = dict[object, float](), dict[object, float]()
    blind = 0  # parts of which no reading can lie beyond: all judged by themselves, and too few
    for name in np.unique(parts):
        own = value[known & (parts == name)]
        if own.size >= FEWEST_OF_PART and float(np.ptp(own)) > 0:
            target[str(name)], spread[str(name)] = float(own.mean()), float(own.std(ddof=1))
            all_own = own.size == np.count_nonzero(~np.isnan(value) & (parts == name))
            blind += all_own and (own.size - 1) / math.sqrt(own.size) <= width
    found = standard_chart(
        value, parts, target=target, spread=spread, segments=series.rows["cycle"].to_numpy(np.int64),
        width_sd=width, sides=sides,
    )  # fmt: skip
    count = plural(len(target), "part")
    said = f"{count} by mean and standard deviation of their own readings, {FEWEST_OF_PART} or more each"
    remarks = [*left_out, said]
    if blind:
        have = "has so few readings that none of its" if blind == 1 else "have so few readings that none of their"
        remarks.append(
            f"{plural(blind, 'part')} {have} own can lie {width:g} sd from their mean: nothing signals there"
        )
    return _by_part(series, options, found, width=width, sides=sides, unit="sd of its part", remarks=tuple(remarks))


def _of_parts(series: ChartSeries) -> tuple[NDArray[np.str_], NDArray[np.float64], tuple[str, ...]]:
    """Part of each reading, the readings with those of no part as not measured, and how many those are in words."""
    parts = series.rows["part"].to_numpy(str)
    carries = parts != ""
    if parts.size and not carries.any():
        raise ValueError("`kind` must not be one by part where no face carries a part number; take individuals")
    return parts, np.where(carries, series.value, np.nan), ungrouped_words(parts.astype(object), "part number")


def _by_part(
    series: ChartSeries,
    options: ChartOptions,
    found: ShortRunChart,
    *,
    width: float,
    sides: str,
    unit: str,
    remarks: tuple[str, ...],
) -> Made:
    def run(shift: float) -> float:
        rules = (RULES["beyond the limit"],)
        return rule_run_length(rules, limit_z=width, sides=sides, shift_sd=options.towards(shift)).average

    parts = len(set(series.rows["part"]) - {""})
    baseline = rested(replace(options, centre=None, sigma=None), len(series))  # each part has its own
    return Made(
        (faces_panel(series, found.chart),), f"{plural(parts, 'part number')}; {baseline}",
        seen(run, found.chart.sigma, unit, "faces"), remarks,
    )  # fmt: skip
