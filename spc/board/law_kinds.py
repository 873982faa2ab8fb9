"""Charts that keep readings as intervals: the limit of a fitted law, and the likelihood-ratio sum."""

import math

import numpy as np

from spc.board.chart_made import ChartOptions, Made, Panel, seen
from spc.board.chart_series import ChartSeries
from spc.chart.interval_cusum import interval_cusum_chart
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.signals import Signals
from spc.model.interval_fit import choose_family
from spc.model.probability_limit import probability_limit

__all__ = ["law_limit", "likelihood_sum"]

MOST_STEPS = 4000  # steps up to the largest reading from which a step is so fine that it does not matter


def law_limit(series: ChartSeries, options: ChartOptions) -> Made:
    """Upper limit that a stated share of good faces exceeds, under the law that fits the intervals best."""
    used = options.mask(len(series))
    low, high = np.maximum(series.low, 0.0), series.high
    if (series.low < 0).any():
        return _signed(series, options, "probability limit")
    choice = choose_family(low[used], high[used])
    rate = 1.0 / options.average
    found = probability_limit(choice, rate=rate, guarantee=options.guarantee)
    starts = np.zeros(min(1, len(series)), dtype=np.intp)
    if found.status == "refused":
        chart = unable("probability limit", "refused", found.reason, series.value, method="law by interval likelihood",
                       n=int(used.sum()), starts=starts)  # fmt: skip
        return Made((Panel(chart, _labels(series), _times(series)),), _rested(series, options), "")
    out = np.flatnonzero(found.beyond(low, high))
    n = len(series)
    attained = found.attained_rate
    often = f"one face in {in_points(1 / attained)}" if attained > 1e-9 else "hardly any face"
    alarms = f"{often} of good faces reads beyond it"
    if found.step_um > 0:
        alarms += f", on steps of {found.step_um:.3g} {series.unit} (set for 1 in {in_points(1 / rate)})"
    if found.baseline_sentence:
        alarms += f"; {found.baseline_sentence}"
    chart = Chart(
        name="probability limit",
        status="ok",
        reason="",
        value=series.value,
        centre=np.full(n, found.centre_um),
        lower=np.full(n, -math.inf),
        upper=np.full(n, found.limit_um),
        starts=starts,
        signals=(Signals("beyond the limit", "one beyond the limit", out, np.ones(out.size, dtype=np.int8)),),
        method=found.method,
        n=found.n,
        missing=int(np.count_nonzero(np.isnan(series.value))),
        sigma=0.0,
        sigma_how="the law carries the spread",
        run_length=None,
        alarms=alarms,
        notes=tuple(
            [found.reason] * bool(found.reason)
            + [f"{name} fits about as well: limit {limit:.4g} {series.unit}" for name, limit in found.near_limits]
            + ["a reading counts as beyond when all it stands for is"] * (found.step_um > 0)
        ),
    )
    best = choice.best
    assert best is not None

    def run(shift: float) -> float:
        from scipy.special import ndtr, ndtri

        chance = float(ndtr(shift + float(ndtri(max(attained, 1e-300)))))
        return 1.0 / chance if chance > 0 else math.inf

    one_sd = float(best.isf(0.158655254)) - float(best.isf(0.5))
    sees = seen(run, one_sd, series.unit, "faces", shifts_sd=(1.0, 2.0)) if one_sd > 0 else ""
    return Made((Panel(chart, _labels(series), _times(series)),), _rested(series, options), sees)


def likelihood_sum(series: ChartSeries, options: ChartOptions) -> Made:
    """Sum of what each interval says for readings that have become so many times as large."""
    if not (math.isfinite(options.times) and options.times > 0 and options.times != 1.0):
        raise ValueError(f"`times` must be a number greater than 0 other than 1, got {options.times}; 1.5 is usual")
    used = options.mask(len(series))
    low, high = np.maximum(series.low, 0.0), series.high
    if (series.low < 0).any():
        return _signed(series, options, "likelihood-ratio sum")
    choice = choose_family(low[used], high[used])
    starts = np.zeros(min(1, len(series)), dtype=np.intp)
    best = choice.best
    if best is None or choice.status == "refused":
        chart = unable("likelihood-ratio sum", "refused", choice.reason, series.value, method="law by interval "
                       "likelihood", n=int(used.sum()), starts=starts)  # fmt: skip
        return Made((Panel(chart, _labels(series), _times(series)),), _rested(series, options), "")
    widths = np.round((high - low)[np.isfinite(high) & (low > 0)] / best.scale_um, 9)
    step = None
    if widths.size:
        values, counts = np.unique(widths, return_counts=True)
        step = float(values[np.argmax(counts)])
        reach = float(low.max()) / best.scale_um
        step = step if step > 0 and reach / step < MOST_STEPS else None
    unit = best.scale_um  # laws and readings in units of the law's own scale, so that size does not matter
    found = interval_cusum_chart(
        low / unit,
        high / unit,
        in_control_cdf=lambda x: best.cdf(x * unit),
        shifted_cdf=lambda x: best.cdf(x * unit / options.times),
        step=step,
        average=options.average,
        head_start=options.head_start,
        segments=series.segments,
    )
    way = "larger" if options.times > 1 else "smaller"
    sees = (
        f"Sees readings {options.times:g} times as large, lastingly, after about {in_points(found.shifted_average)} "
        f"faces; any shift towards {way} readings adds to the sum."
    )
    remarks = [choice.sentence]
    if found.since >= 0 and found.chart.signals[0].index.size:
        remarks.append(f"the sum has stood above 0 since {series.face(found.since)}")
    return Made(
        (Panel(found.chart, _labels(series), _times(series)),), _rested(series, options), sees, tuple(remarks)
    )  # fmt: skip


def _signed(series: ChartSeries, options: ChartOptions, name: str) -> Made:
    """Refuse deviations: the laws fitted are those of lengths, which begin at 0."""
    why = "readings lie below 0, and the laws fitted are those of lengths from 0 up; take the kind individuals"
    starts = np.zeros(min(1, len(series)), dtype=np.intp)
    chart = unable(
        name, "refused", why, series.value, method="law by interval likelihood", n=len(series), starts=starts
    )
    return Made((Panel(chart, _labels(series), _times(series)),), _rested(series, options), "")


def _labels(series: ChartSeries) -> tuple[str, ...]:
    return tuple(str(face) for face in series.rows["face_id"].tolist())


def _times(series: ChartSeries) -> tuple[str, ...]:
    return tuple(series.rows["time_text"].tolist())


def _rested(series: ChartSeries, options: ChartOptions) -> str:
    n = len(series)
    used = f"the first {min(options.baseline, n):,} of {n:,} readings" if options.baseline else f"all {n:,} readings"
    return f"law of {used}, the very ones charted; nothing is frozen"
