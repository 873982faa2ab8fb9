"""Likelihood-ratio sum of readings kept as intervals, its decision set for the alarm rate it has on their steps."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import finite, number_in
from spc.chart.cusum import FLOOR, RATIO_MOST, interval_log_ratio, last_zero, log_ratio_cusum
from spc.chart.price import in_points
from spc.chart.result import Chart
from spc.chart.step_chain import step_cusum_decision_for, step_cusum_run_length

__all__ = ["IntervalCusum", "interval_cusum_chart", "reading_cells"]

Array = NDArray[np.float64]
Law = Callable[[Array], Array]
FINE = 800  # cells for a reading without a step
TAIL = 1e-9  # probability beyond which the last cell is left open
CELLS_MOST = 20_000


@dataclass(frozen=True, slots=True)
class IntervalCusum:
    """The sum, its decision and where the shift may have begun."""

    chart: Chart
    decision: float  # natural log
    since: int  # first reading since the sum last stood at 0; -1 = it stands at 0 now
    shifted_average: float  # points until it signals once the shifted law holds


def interval_cusum_chart(
    low: ArrayLike,
    high: ArrayLike,
    *,
    in_control_cdf: Law,
    shifted_cdf: Law,
    step: float | None,
    lowest: float = 0.0,
    average: float = 370.4,
    head_start: float = 0.0,
    segments: ArrayLike | None = None,
) -> IntervalCusum:
    """Chart what interval readings say for a shifted law.

    Parameters
    ----------
    low, high : (n,) floats
        The interval of each reading, in the unit of the laws; both NaN = not measured, `high` may be infinite.
    in_control_cdf, shifted_cdf : functions of an array, giving probabilities
        The law in control and the law the sum shall see soon.
    step : float or None
        Reading step in the same unit (half a band, say): readings are multiples of it, each meaning half a step
        either side. None = read so finely that it does not matter.
    lowest : float, default 0
        No reading lies below it.
    average : float, default 370.4
        Points between false alarms wanted; on coarse steps the first decision that reaches it gives more.
    head_start : float, default 0
        Share of the decision at which each stretch starts.
    segments : (n,) ids, optional
        Stretches, each starting again.

    Returns
    -------
    IntervalCusum
        The run length in the chart is the one on these steps.

    Raises
    ------
    ValueError
        For reversed intervals, laws that do not rise from 0 to 1, or settings out of range.

    References
    ----------
    Page (1954), Biometrika 41; Moustakides (1986), Annals of Statistics 14.
    """
    edges = reading_cells(in_control_cdf, shifted_cdf, step=step, lowest=lowest)
    calm, moved = np.diff(in_control_cdf(edges)), np.diff(shifted_cdf(edges))
    increments = np.log(np.maximum(moved, FLOOR)) - np.log(np.maximum(calm, FLOOR))
    increments = np.clip(increments, -RATIO_MOST, RATIO_MOST)
    calm, moved = calm / calm.sum(), moved / moved.sum()
    decision = step_cusum_decision_for(average, increments, calm, head_start=head_start)
    words = f"likelihood-ratio sum on {'fine readings' if step is None else f'steps of {step:g}'}"
    usual = step_cusum_run_length(increments, calm, decision=decision, head_start=head_start, chart=words)
    shifted = step_cusum_run_length(
        increments, calm, decision=decision, shifted_probabilities=moved, head_start=head_start, chart=words
    )
    ratios = interval_log_ratio(low, high, in_control_cdf=in_control_cdf, shifted_cdf=shifted_cdf)
    chart = log_ratio_cusum(
        ratios,
        decision=decision,
        head_start=head_start,
        segments=segments,
        run_length=usual,
        words=f"the readings speak for the shifted law (seen after about {in_points(shifted.average)} points)",
    )
    return IntervalCusum(chart, decision, last_zero(chart.value, starts=chart.starts), shifted.average)


def reading_cells(in_control_cdf: Law, shifted_cdf: Law, *, step: float | None, lowest: float = 0.0) -> Array:
    """Return the edges of the intervals that readings can mean, from `lowest` to infinity.

    Parameters
    ----------
    in_control_cdf, shifted_cdf : functions of an array, giving probabilities
    step : float or None
        Reading step; the first interval is half as wide ("0" means up to half a step). None = fine cells.
    lowest : float

    Returns
    -------
    (m + 1,) floats
        Ascending; the last is infinite.
    """
    start = finite(lowest, "lowest")
    width = 1.0 if step is None else number_in(step, "step", above=0.0)
    reach = width
    while _beyond(in_control_cdf, start + reach) > TAIL or _beyond(shifted_cdf, start + reach) > TAIL:
        reach *= 2.0
        if reach > 1e15 * width:
            raise ValueError("`in_control_cdf` and `shifted_cdf` must rise to 1, got laws that do not")
    if step is None:
        while _beyond(in_control_cdf, start + reach / 2) < TAIL and _beyond(shifted_cdf, start + reach / 2) < TAIL:
            reach /= 2.0
        return np.append(np.linspace(start, start + reach, FINE), np.inf)
    cells = int(np.ceil(reach / width)) + 1
    if cells > CELLS_MOST:
        raise ValueError(f"`step` must not be so fine that {cells:,} steps are needed, got {step:g}; give None")
    edges = start + width * (np.arange(cells, dtype=np.float64) + 0.5)
    beyond = np.maximum(1.0 - in_control_cdf(edges), 1.0 - shifted_cdf(edges))
    kept = edges[: int(np.argmax(beyond <= TAIL)) + 1] if (beyond <= TAIL).any() else edges
    return np.concatenate(([start], kept, [np.inf]))


def _beyond(law: Law, value: float) -> float:
    return 1.0 - float(law(np.array([value]))[0])
