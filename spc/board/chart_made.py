"""What a kind of chart is asked for and what it hands on, with its words on which shift it sees."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.board.chart_series import ChartSeries
from spc.chart.price import in_points
from spc.chart.result import Chart

__all__ = ["ChartOptions", "Made", "Panel", "faces_panel", "rested", "seen"]

SHIFTS_SD = (0.5, 1.0, 2.0)


@dataclass(frozen=True, slots=True)
class ChartOptions:
    """What may be set; each kind takes what it knows of."""

    centre: float | None = None  # in the unit of the readings; None = estimated
    sigma: float | None = None
    baseline: int | None = None  # the first so many readings set centre and spread; None = all
    width: float | None = None  # limits in standard deviations of what is plotted; None = the usual of the kind
    sides: str | None = None  # 'both', 'upper' or 'lower'; None = the usual of the kind
    spread: str | None = None  # how a spread is estimated; None = the usual way of the kind
    rules: tuple[str, ...] = ()  # run rules beside the limit
    by: str = "time"  # what makes a subgroup or a lot
    weight: float = 0.2  # of the newest point in a drifting average
    settled: bool = False  # limits of the drifting average settled from the first point
    restart: str = "centre"  # or 'carry': what averages and sums do at a break
    reference: float = 0.5  # of a cumulative sum, standard deviations
    decision: float | None = None  # of a cumulative sum, standard deviations
    head_start: float = 0.0  # share of the decision
    average: float = 370.4  # points between false alarms, where the kind finds its own limit
    times: float = 1.5  # how many times as large readings become that the likelihood-ratio sum shall see
    guarantee: bool = False  # widen a limit so that 9 of 10 such baselines keep the rate

    def __post_init__(self) -> None:
        """Refuse a number of points between false alarms that no kind can set its limit for."""
        if not (math.isfinite(self.average) and self.average > 2.0):
            raise ValueError(f"`between` must be a number of points greater than 2, got {self.average:g}; 370 is usual")

    def mask(self, n: int) -> NDArray[np.bool_]:
        """Which of n readings set centre and spread."""
        return np.arange(n) < (n if self.baseline is None else self.baseline)

    def width_or(self, usual: float) -> float:
        """Return the width asked for, or the usual one of the kind."""
        return usual if self.width is None else self.width

    def towards(self, shift: float) -> float:
        """Turn a shift to the side that is watched."""
        return -shift if self.sides == "lower" else shift


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart with a name and a time for each of its points."""

    chart: Chart
    labels: tuple[str, ...]  # face ids, or the names of subgroups
    times: tuple[str, ...]

    def name(self, place: int) -> str:
        """Say which point stands at a place, as the table of the chart names it: 'point 214 (2026-03-05 10:12)'."""
        label, time = self.labels[place], self.times[place]
        return f"point {label}" + (f" ({time})" if time and time not in label else "")


@dataclass(frozen=True, slots=True)
class Made:
    """What one kind of chart gives."""

    panels: tuple[Panel, ...]  # the main one first
    baseline: str
    sees: str  # '' where it cannot be said
    remarks: tuple[str, ...] = ()
    lappings: bool = False  # charts every lapping or face of the lap, whatever its series left out


def seen(
    run_length: Callable[[float], float],
    sd_in_unit: float,
    unit: str,
    what: str,
    *,
    shifts_sd: tuple[float, ...] = SHIFTS_SD,
) -> str:
    """Say which lasting shift is seen after how many points.

    Parameters
    ----------
    run_length : function of the shift in standard deviations of a point, giving the average run length
    sd_in_unit, unit : float, str
        One standard deviation of a point in the unit a person reads in.
    what : str
        What a point is: 'faces', 'subgroups', 'lots'.
    shifts_sd : tuple of float
    """
    if not sd_in_unit > 0:
        return ""
    parts = [f"{s * sd_in_unit:.3g} {unit} after about {in_points(run_length(s))}" for s in shifts_sd]
    return f"Sees a lasting shift of {', of '.join(parts)} {what}."


def faces_panel(series: ChartSeries, chart: Chart) -> Panel:
    """Panel with one point per reading."""
    return Panel(
        chart, tuple(str(f) for f in series.rows["face_id"].tolist()), tuple(series.rows["time_text"].tolist())
    )


def rested(options: ChartOptions, n: int, *, besides: str = "") -> str:
    """Say what centre and spread rest on; `besides` = what else is estimated even where both are given."""
    given = [name for name, value in (("centre", options.centre), ("spread", options.sigma)) if value is not None]
    used = f"the first {min(options.baseline, n):,} of {n:,} readings" if options.baseline else f"all {n:,} readings"
    if len(given) == 2 and not besides:
        return "centre and spread given, nothing estimated"
    told = f"{used}, the very ones charted; nothing is frozen"
    if len(given) == 2:
        return f"centre and spread given; {besides} from {told}"
    return told + (f"; {given[0]} given" if given else "")
