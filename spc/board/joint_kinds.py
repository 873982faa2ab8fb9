"""Charts of flatness together with finish: the joint distance of each face, and their joint drifting average."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spc.board.chart_made import ChartOptions, Made, Panel, seen
from spc.board.chart_series import ChartSeries
from spc.board.lap_state import plural
from spc.chart.joint_run_length import distance_run_length, shifted_mewma_run_length
from spc.chart.mewma import mewma_chart
from spc.chart.multivariate import joint_chart, joint_law
from spc.chart.result import Chart

__all__ = ["joint_average", "joint_distance"]

NAMES = ("flatness", "finish")
LOGS = "logarithms of the middles of the readings of every pass; a pass without both, open above or at 0 is not plotted"


def joint_distance(series: ChartSeries, options: ChartOptions) -> Made:
    """Hotelling's T2 of flatness with finish."""
    values = _values(series)
    law = joint_law(values[: options.baseline], names=NAMES) if options.baseline else None
    found = joint_chart(values, law=law, alpha=1.0 / options.average, names=NAMES)

    def run(shift: float) -> float:
        rows = found.law.n if law is not None else None
        return distance_run_length(found.limit, characteristics=len(NAMES), shift=shift, rows=rows)

    sees = _seen(run) if found.chart.status == "ok" else ""
    panel = _panel(series, found.chart)
    leads = (f"{panel.name(row)} lies apart mostly by its {lead}" for row, lead in found.leads)
    return Made((panel,), _rested(values, options), sees, (LOGS, *leads), lappings=True)


def joint_average(series: ChartSeries, options: ChartOptions) -> Made:
    """Joint drifting average of flatness with finish."""
    values = _values(series)
    law = joint_law(values[: options.baseline], names=NAMES) if options.baseline else None
    chart = mewma_chart(values, law=law, weight=options.weight, average=options.average, names=NAMES)
    limit = float(chart.upper[0]) if chart.status == "ok" and chart.upper.size else 0.0

    def run(shift: float) -> float:
        return shifted_mewma_run_length(options.weight, limit, characteristics=len(NAMES), shift=shift)

    sees = _seen(run) if limit > 0 else ""
    return Made((_panel(series, chart),), _rested(values, options), sees, (LOGS,), lappings=True)


def _seen(run_length: Callable[[float], float]) -> str:
    told = seen(run_length, 1.0, f"sd of {' or '.join(NAMES)} alone", "faces")
    return f"{told.removesuffix('.')}, where the two have nothing to do with each other."


def _values(series: ChartSeries) -> NDArray[np.float64]:
    columns = []
    for name in NAMES:
        low, high = (series.lapped[f"{name}_{end}_um"].to_numpy(np.float64) for end in ("low", "high"))
        middle = (np.where(np.isnan(low), 0.0, low) + np.where(np.isfinite(high), high, 0.0)) / 2
        usable = np.isfinite(low) & np.isfinite(high) & (middle > 0)
        columns.append(np.where(usable, np.log(np.where(usable, middle, 1.0)), np.nan))
    return np.column_stack(columns)


def _panel(series: ChartSeries, chart: Chart) -> Panel:
    labels = tuple(str(face) for face in series.lapped["face_id"].tolist())
    return Panel(chart, labels, tuple(series.lapped["time_text"].tolist()))


def _rested(values: NDArray[np.float64], options: ChartOptions) -> str:
    whole = int(np.count_nonzero(~np.isnan(values[: options.baseline] if options.baseline else values).any(axis=1)))
    which = f"the first {options.baseline:,} passes" if options.baseline else "all passes charted"
    return f"{plural(whole, 'pass')} with flatness and finish, of {which}; nothing is frozen"
