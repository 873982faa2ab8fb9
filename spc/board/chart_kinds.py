"""Every kind of chart on the readings of one lap: limits from the readings themselves, or from figures that are given.

These are first looks and the textbook's charts: nothing is frozen, no signal is kept and the cell's false-call budget
is not touched. Each says its method, its baseline, its alarm rate and which shift it sees after how many points.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from spc.board.cell_view import CellView
from spc.board.chart_made import ChartOptions, Made, Panel, faces_panel, rested, seen
from spc.board.chart_series import ChartSeries, groups_of, series_of, ungrouped_words
from spc.board.count_kinds import between_relaps, relap_share, scratches
from spc.board.joint_kinds import joint_average, joint_distance
from spc.board.lap_state import plural
from spc.board.law_kinds import law_limit, likelihood_sum
from spc.board.part_kinds import ratio_to_part, standardised
from spc.chart.attained import attained_rate, guaranteed_width
from spc.chart.checks import choice
from spc.chart.cusum import cusum_chart
from spc.chart.ewma import ewma_chart
from spc.chart.individuals import individuals_chart
from spc.chart.phi_aware import (
    PHI_MOST,
    dependent_chart,
    dependent_run_length,
    false_alarm_rate_of_moving_ranges,
    residual_run_length,
)
from spc.chart.price import points_between, price
from spc.chart.result import Chart, signal_sentences, unable
from spc.chart.rules import RULES, rule_named
from spc.chart.run_length import cusum_run_length, ewma_run_length, rule_run_length
from spc.chart.self_starting import self_starting_chart
from spc.chart.subgroup import WITHIN, subgroup_chart
from spc.measure.shown import ShownLength
from spc.model.autocorrelation import serial_correlation

__all__ = ["KINDS", "KindReport", "chart_of_kind"]

FEWEST_ATTAINED, MOST_ATTAINED = 5, 1_000_000  # readings for which the luck of a baseline is worked out
MOVING_RANGE = "mean moving range"  # the spread of individuals whose luck is known
FEWEST_DEPENDENT = 20  # readings from which the correlation of neighbours is estimated [our rule]
LEANING = 1.0  # skewness from which it is told; 50 normal readings pass it once in 250 [our rule]


@dataclass(frozen=True, slots=True)
class KindReport:
    """One chart of one kind, ready to be printed, drawn or exported."""

    lap: str
    sign: str
    part: str
    kind: str
    unit: str  # of the panels in the unit of the readings; other panels say their own in the method
    status: str  # of the first panel: 'ok', 'too few', 'no spread' or 'refused'
    sentence: str
    method: str
    baseline: str
    alarms: str
    sees: str
    panels: tuple[Panel, ...]
    signals: tuple[str, ...]  # a sentence each, of all panels
    remarks: tuple[str, ...]


def chart_of_kind(
    view: CellView, lap: str, sign: str, kind: str, *, part: str, options: ChartOptions,
    asked: ShownLength | None = None,
) -> KindReport:  # fmt: skip
    """Draw one kind of chart.

    Parameters
    ----------
    view : CellView
    lap : str
    sign : str
        Characteristic; see `spc.board.chart_series.series_of`.
    kind : str
        A key of `KINDS`.
    part : str
        '' = all.
    options : ChartOptions
    asked : ShownLength, optional
        Unit of form and finish; the lap's own where none is asked for.

    Returns
    -------
    KindReport

    Raises
    ------
    ValueError
        If a word is unknown or an option is out of range.
    """
    if kind not in KINDS:
        raise ValueError(f"`kind` must be one of {', '.join(KINDS)}, got {kind!r}")
    series = series_of(view, lap, sign, part=part, asked=asked)
    made = KINDS[kind](series, options)
    first = made.panels[0].chart
    called = tuple(
        f"{panel.chart.name}, {sentence}"
        for panel in made.panels
        for sentence in signal_sentences(panel.chart, names=[panel.name(place) for place in range(len(panel.labels))])
    )
    if first.status != "ok":
        sentence = f"No limits: {first.reason}."
    else:
        sentence = _signal_words([panel.chart for panel in made.panels])
    left_out = () if made.lappings else series.remarks
    remarks = (*left_out, *made.remarks, *dict.fromkeys(n for panel in made.panels for n in panel.chart.notes))
    return KindReport(
        lap, sign, part, kind, series.unit, first.status, sentence, first.method, made.baseline,
        _alarms(made.panels),
        made.sees if first.status == "ok" else "", made.panels, called, remarks,
    )  # fmt: skip


def _signal_words(charts: list[Chart]) -> str:
    """Say how many points signal on any of the charts, which have their points in common."""
    points = int(np.count_nonzero(~np.all([np.isnan(chart.value) for chart in charts], axis=0)))
    count = len({i for chart in charts for signals in chart.signals for i in signals.index.tolist()})
    if not count:
        return f"No signal in {plural(points, 'point')}."
    return f"{count:,} of {plural(points, 'point')} {'signals' if count == 1 else 'signal'}."


def _alarms(panels: tuple[Panel, ...]) -> str:
    """Say the alarm rate of each panel, once where they have one together."""
    said = dict.fromkeys(panel.chart.alarms for panel in panels)
    if len(said) == 1:
        return next(iter(said))
    return "; ".join(f"{panel.chart.name}: {panel.chart.alarms}" for panel in panels)


def _individuals(series: ChartSeries, options: ChartOptions) -> Made:
    rules = (RULES["beyond the limit"], *(rule_named(name) for name in options.rules if name != "beyond the limit"))
    width, sides = options.width_or(3.0), options.sides or "both"
    used = options.mask(len(series)) & ~np.isnan(series.value)
    n = min(int(used.sum()), MOST_ATTAINED)
    stretches = min(np.unique(series.segments[used]).size, n // 2)
    estimated = options.centre is None and options.sigma is None and n >= FEWEST_ATTAINED
    spread = options.spread or MOVING_RANGE
    widened: tuple[str, ...] = ()
    if options.guarantee and not (options.centre is None and options.sigma is None and spread == MOVING_RANGE):
        raise ValueError(
            f"`guarantee` must go with a centre and a {MOVING_RANGE} both taken from the readings, got others; leave "
            "out `guarantee`, or `centre`, `sigma` and `spread`"
        )
    if options.guarantee and not estimated:
        few = f"what {plural(n, 'reading')} may be off by is not known, at least {FEWEST_ATTAINED} are needed"
        widened = (f"limits not widened: {few}",)
    elif options.guarantee:
        plain, width = width, guaranteed_width(n, width_sd=width, sides=sides, stretches=stretches)
        widened = (f"limits widened from {plain:g} to {width:.3g} sd: 9 of 10 such baselines keep 1.2 times the rate",)
    found = individuals_chart(
        series.value, segments=series.segments, baseline=options.mask(len(series)), centre=options.centre,
        sigma=options.sigma, width_sd=width, sides=sides, spread=spread, rules=rules,
    )  # fmt: skip
    single = found.individuals
    if estimated and single.status == "ok" and spread == MOVING_RANGE:
        luck = attained_rate(n, width_sd=width, sides=sides, stretches=stretches)
        single = replace(single, alarms=f"{single.alarms}; {luck.words}")

    def run(shift: float) -> float:
        return rule_run_length(rules, limit_z=width, sides=sides, shift_sd=options.towards(shift)).average

    panels = (faces_panel(series, single), faces_panel(series, found.moving_range))
    sees = seen(run, found.individuals.sigma, series.unit, "faces")
    pace = _points_a_day(series)
    by_ranges = options.sigma is None and "moving range" in spread
    doubts = _doubts(series, width if by_ranges else None, sides=sides)
    prices = tuple(one.sentence for one in price(rules[1:], pace, limit_z=width, sides=sides)) if pace > 0 else ()
    return Made(panels, rested(options, len(series)), sees, (*widened, *prices, *doubts))


def _doubts(series: ChartSeries, width: float | None = None, *, sides: str = "both") -> tuple[str, ...]:
    """Say why the alarm rate of independent normal readings is not the one these readings have.

    `width` = of limits for single readings that rest on moving ranges, whose rate can be told; None = other limits.
    """
    known = ~np.isnan(series.value)
    value = series.value[known]
    if value.size < FEWEST_DEPENDENT or np.ptp(value) == 0:
        return ()
    said = []
    found = serial_correlation(value, chain=series.rows["cycle"].to_numpy(np.int64)[known])
    if found.status == "correlated" and found.phi_low > 0:
        true = "the alarm rate is not the one"
        if width is not None:
            rate = false_alarm_rate_of_moving_ranges(min(found.phi, PHI_MOST), width_sd=width)
            rate = rate if sides == "both" else rate / 2.0
            true = f"limits from moving ranges call one good reading in about {points_between(rate)}, not as"
        said.append(
            f"neighbours follow each other (phi {found.phi:.2f}), so {true} said for independent ones: see the kinds "
            "correlated and residuals"
        )
    apart = (value - value.mean()) / value.std()
    lean = float(np.mean(apart**3))
    if abs(lean) > LEANING:
        said.append(
            f"readings lean to one side (skewness {lean:+.1f}), so limits of a normal law call more often there than "
            "said: see the kind probability limit"
        )
    return tuple(said)


def _points_a_day(series: ChartSeries) -> float:
    """Count the readings a day over the time they span; 0 where that is not known."""
    at = series.rows["sort_us"].to_numpy(np.int64)
    days = float(at[-1] - at[0]) / 86_400e6 if at.size > 1 else 0.0
    return len(series) / days if days > 0 else 0.0


def _subgroups(series: ChartSeries, options: ChartOptions) -> Made:
    ids, words = groups_of(series.rows, options.by)
    of_one = ids != ""
    rules = (RULES["beyond the limit"], *(rule_named(name) for name in options.rules if name != "beyond the limit"))
    width, sides = options.width_or(3.0), options.sides or "both"
    within = choice(options.spread or "standard deviation", "spread", WITHIN)
    found = subgroup_chart(
        series.value[of_one], ids[of_one].astype(str), within=within, width_sd=width, sides=sides,
        centre=options.centre, sigma=options.sigma, rules=rules,
    )  # fmt: skip
    names = tuple(str(label) for label in found.label)
    usual = int(np.median(found.size)) if found.size.size else 1

    def run(shift: float) -> float:
        return rule_run_length(rules, limit_z=width, sides=sides, shift_sd=options.towards(shift)).average

    panels = tuple(Panel(chart, names, ("",) * len(names)) for chart in (found.mean, found.within))
    told = rested(replace(options, baseline=None), int(of_one.sum()))
    baseline = f"{plural(len(names), 'subgroup')}, {words}, usually of {usual:,}; {told}"
    spread = found.mean.sigma / math.sqrt(max(usual, 1))
    return Made(panels, baseline, seen(run, spread, series.unit, "subgroups"), ungrouped_words(ids, options.by))


def _average(series: ChartSeries, options: ChartOptions) -> Made:
    width, sides, exact = options.width_or(2.86), options.sides or "both", not options.settled
    chart = ewma_chart(
        series.value, weight=options.weight, width_sd=width, sides=sides, exact_limits=exact, centre=options.centre,
        sigma=options.sigma, segments=series.segments, baseline=options.mask(len(series)), restart=options.restart,
    )  # fmt: skip

    def run(shift: float) -> float:
        return ewma_run_length(
            options.weight, width, sides=sides, exact_limits=exact, shift_sd=options.towards(shift)
        ).average

    sees = seen(run, chart.sigma, series.unit, "faces")
    return Made((faces_panel(series, chart),), rested(options, len(series)), sees, _doubts(series))


def _sum(series: ChartSeries, options: ChartOptions) -> Made:
    decision = 4.77 if options.decision is None else options.decision
    sides = options.sides or "both"
    found = cusum_chart(
        series.value, reference_sd=options.reference, decision_sd=decision, sides=sides, head_start=options.head_start,
        centre=options.centre, sigma=options.sigma, segments=series.segments, baseline=options.mask(len(series)),
        restart=options.restart == "centre",
    )  # fmt: skip

    def run(shift: float) -> float:
        return cusum_run_length(
            options.reference, decision, sides=sides, head_start=options.head_start, shift_sd=options.towards(shift)
        ).average

    charts = [chart for chart in (found.high, found.low) if chart is not None]
    begun = []
    sums = (("high sum has stood above", found.high_since, found.high),
            ("low sum has stood below", found.low_since, found.low))  # fmt: skip
    for words, since, own in sums:
        if own is not None and since >= 0 and own.signals and own.signals[0].index.size:
            begun.append(f"the {words} 0 since {series.face(since)}")
    return Made(
        tuple(faces_panel(series, chart) for chart in charts), rested(options, len(series)),
        seen(run, charts[0].sigma, series.unit, "faces"), (*begun, *_doubts(series)),
    )  # fmt: skip


def _self_starting(series: ChartSeries, options: ChartOptions) -> Made:
    width = options.width_or(3.0)
    found = self_starting_chart(series.value, width_sd=width, weight=options.weight)

    def run(shift: float) -> float:
        return rule_run_length((RULES["beyond the limit"],), limit_z=width, shift_sd=shift).average

    sees = seen(run, 1.0, "sd", "faces") if found.single.status == "ok" else ""
    if sees:
        sees = f"Once many readings are in: {sees[:1].lower()}{sees[1:-1]}; a shift that comes early is soon learnt."
    baseline = "none: each reading is judged by those before it"
    return Made((faces_panel(series, found.single), faces_panel(series, found.drift)), baseline, sees)


def _dependent(series: ChartSeries, options: ChartOptions, *, residuals: bool) -> Made:
    used = ~np.isnan(series.value) & options.mask(len(series))
    n, sides = int(used.sum()), options.sides or "both"
    chain = series.rows["cycle"].to_numpy(np.int64)
    found = serial_correlation(series.value[used], chain=chain[used])
    phi = found.phi if math.isfinite(found.phi) else 0.0
    scale = found.sd if options.sigma is None else options.sigma
    rested_on = rested(options, len(series), besides="the correlation of neighbours")
    status, reason = "", ""
    if n < FEWEST_DEPENDENT:
        status, reason = (
            "too few",
            f"{plural(n, 'reading')}; {FEWEST_DEPENDENT} are needed to tell how neighbours hang together",
        )
    elif not (scale > 0 and math.isfinite(scale)):
        status, reason = "no spread", "all readings are equal, so nothing can be judged by them"
    elif abs(phi) >= PHI_MOST:
        status = "refused"
        reason = (
            f"neighbours follow each other almost exactly (phi {phi:.3f}): a trend or a see-saw, to be taken out first"
        )
    if status:
        starts = np.zeros(min(1, len(series)), dtype=np.intp)
        name = "residuals" if residuals else "individuals, correlated"
        method = "first-order autoregression"
        chart = unable(name, status, reason, series.value, method=method, n=n, starts=starts)
        return Made((faces_panel(series, chart),), rested_on, "")
    chart = dependent_chart(
        series.value, phi=phi, centre=found.mean if options.centre is None else options.centre, sigma=scale,
        average=options.average, sides=sides, segments=chain, residuals=residuals,
    )  # fmt: skip
    width = float(chart.upper[0] if sides != "lower" else -chart.lower[0])
    if not residuals:
        width = abs(width - float(chart.centre[0])) / scale

    def run(shift: float) -> float:
        towards = options.towards(shift)
        if residuals:
            return residual_run_length(phi, width, sides=sides, shift_sd=towards)
        return dependent_run_length(phi, width, sides=sides, shift_sd=towards).average

    return Made(
        (faces_panel(series, chart),), rested_on, seen(run, scale, series.unit, "faces"),
        (found.sentence.rstrip("."),),
    )  # fmt: skip


def _correlated(series: ChartSeries, options: ChartOptions) -> Made:
    return _dependent(series, options, residuals=False)


def _residuals(series: ChartSeries, options: ChartOptions) -> Made:
    return _dependent(series, options, residuals=True)


KINDS: dict[str, Callable[[ChartSeries, ChartOptions], Made]] = {
    "individuals": _individuals,
    "subgroup mean": _subgroups,
    "drifting average": _average,
    "cumulative sum": _sum,
    "probability limit": law_limit,
    "likelihood-ratio sum": likelihood_sum,
    "ratio to part": ratio_to_part,
    "standardised by part": standardised,
    "self-starting": _self_starting,
    "correlated": _correlated,
    "residuals": _residuals,
    "joint distance": joint_distance,
    "joint drifting average": joint_average,
    "share of re-laps": relap_share,
    "scratches": scratches,
    "faces between re-laps": between_relaps,
}
