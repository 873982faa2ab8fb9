"""How `lapcell chart --kind` asks for and prints a chart of one kind."""

import math
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session
from spc.commands.moments import time_head, with_times
from spc.commands.output import plain, print_json, print_table
from spc.settings import Settings

if TYPE_CHECKING:
    from spc.board.chart_kinds import KindReport
    from spc.board.chart_made import Panel
    from spc.chart.result import Chart

__all__ = ["HEARD", "OPTIONS", "chart_one_kind", "kind_options"]

MOST_LOOKED_AT = 1000  # newest points, beside those asked for, among which plotted ones are looked for

OPTIONS: tuple[Any, ...] = (
    click.option("--centre", type=float, help="Centre given, unit of the readings; for shares, the usual share."),
    click.option("--sigma", type=float, help="Standard deviation of one reading, given."),
    click.option("--baseline", type=click.IntRange(2), help="Only the first so many readings set centre and spread."),
    click.option("--width", type=float, help="Distance of the limits, standard deviations of what is plotted."),
    click.option("--sides", type=click.Choice(["both", "upper", "lower"]), help="Where limits are drawn."),
    click.option(
        "--spread",
        help="mean moving range (usual), median moving range, standard deviation; for subgroups standard deviation "
        "(usual) or range.",
    ),
    click.option(
        "--by",
        default="time",
        show_default=True,
        help="Subgroup or lot: time, serial, part, day, shift, operator, cycle, or a number of readings in a row.",
    ),  # fmt: skip
    click.option("--weight", default=0.2, show_default=True, help="Of the newest point in a drifting average."),
    click.option("--settled", is_flag=True, help="Settled limits of a drifting average from its first point."),
    click.option("--carry-on", is_flag=True, help="Averages and sums go on across a break, not afresh."),
    click.option("--reference", default=0.5, show_default=True, help="Of a cumulative sum, standard deviations."),
    click.option("--decision", type=float, help="Of a cumulative sum, standard deviations.  [default: 4.77]"),
    click.option("--head-start", default=0.0, show_default=True, help="Share of the decision a sum starts at."),
    click.option(
        "--between", default=370.4, show_default=True, help="Points between false alarms, where a kind finds its limit."
    ),
    click.option("--times", default=1.5, show_default=True, help="Growth that the likelihood-ratio sum shall see."),
    click.option(
        "--guarantee",
        is_flag=True,
        help="Widen the limits of individuals or a law: 9 of 10 such baselines keep the rate.",
    ),
)


# What each kind hears of the options above, and of --rules: any other is refused, since unheard it would mislead.
HEARD: dict[str, frozenset[str]] = {
    kind: frozenset(words.split())
    for kind, words in {
        "individuals": "centre sigma baseline width sides spread rules guarantee",
        "subgroup mean": "centre sigma width sides spread rules by",
        "drifting average": "centre sigma baseline width sides weight settled carry_on",
        "cumulative sum": "centre sigma baseline sides reference decision head_start carry_on",
        "probability limit": "baseline between guarantee",
        "likelihood-ratio sum": "baseline between times head_start",
        "ratio to part": "baseline width sides",
        "standardised by part": "baseline width sides",
        "self-starting": "width weight",
        "correlated": "centre sigma baseline sides between",
        "residuals": "centre sigma baseline sides between",
        "joint distance": "baseline between",
        "joint drifting average": "baseline weight between",
        "share of re-laps": "centre width by",
        "scratches": "centre width by",
        "faces between re-laps": "centre",
    }.items()
}


def kind_options(command: Any) -> Any:
    """Give a command the options of the kinds."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


def chart_one_kind(
    session: Session, lap: str, sign: str, kind: str, *, part: str, rules: str, last: int, asked: dict[str, Any]
) -> int:
    """Draw one kind of chart and print it."""
    from spc.board.cell_view import look_at_cell
    from spc.board.chart_kinds import chart_of_kind
    from spc.board.chart_made import ChartOptions

    _only_heard(kind, (*asked, "rules"))
    options = ChartOptions(
        centre=asked["centre"],
        sigma=asked["sigma"],
        baseline=asked["baseline"],
        width=asked["width"],
        sides=asked["sides"],
        spread=asked["spread"],
        rules=tuple(name.strip() for name in rules.split(",") if name.strip()),
        by=asked["by"],
        weight=asked["weight"],
        settled=asked["settled"],
        restart="carry" if asked["carry_on"] else "centre",
        reference=asked["reference"],
        decision=asked["decision"],
        head_start=asked["head_start"],
        average=asked["between"],
        times=asked["times"],
        guarantee=asked["guarantee"],
    )
    with session.store() as store:
        view = look_at_cell(store, session.settings(), rows=None)
    report = chart_of_kind(view, lap, sign, kind, part=part, options=options)
    if session.as_json:
        print_json(_document(report))
    else:
        _print(report, last, session.settings(), by=options.by)
    return NEEDS_A_PERSON if any(_calls_now(panel.chart) for panel in report.panels) else DONE


def _only_heard(kind: str, names: tuple[str, ...]) -> None:
    """Refuse an option that this kind of chart does not hear."""
    context = click.get_current_context()
    for name in names:
        given = context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE
        if given and name not in HEARD.get(kind, names):
            heard = ", ".join(f"--{word.replace('_', '-')}" for word in sorted(HEARD[kind]))
            raise ValueError(
                f"`--{name.replace('_', '-')}` does not go with the kind {kind!r}, which takes {heard}; leave it out"
            )


def _calls_now(chart: "Chart") -> bool:
    """Whether the newest point of a chart signals."""
    newest = max((i for i in range(chart.value.size) if math.isfinite(chart.value[i])), default=-1)
    return any(newest in signals.index.tolist() for signals in chart.signals)


def _print(report: "KindReport", last: int, settings: Settings, *, by: str) -> None:
    of_part = f", part {plain(report.part)}" if report.part else ""
    click.echo(f"{plain(report.lap)}: {report.sign}{of_part}, chart of {report.kind}")
    click.echo(report.sentence)
    click.echo(f"Method: {report.method}.")
    click.echo(f"Baseline: {report.baseline}.")
    click.echo(f"Alarms: {report.alarms}.")
    if report.sees:
        click.echo(report.sees)
    for words in report.signals[-last:]:
        click.echo(f"* {words}.")
    for words in report.remarks:
        click.echo(f"Note: {words}.")
    times = ["time", "point"] if by == "time" else ["time"]  # a subgroup of one time is named by it
    columns = {"point": "point", "time": time_head("time", settings), "value": "value"}
    columns |= {name: name for name in ("lower", "centre", "upper", "signal")}
    for panel in report.panels:
        click.echo(f"\n{panel.chart.name}")
        newest = max(0, panel.chart.value.size - MOST_LOOKED_AT - last)
        rows = [row for row in _points(panel, first=newest) if row["value"] is not None]
        print_table(with_times(rows[-last:], times, settings), columns, nothing="No points.")


def _document(report: "KindReport") -> dict[str, Any]:
    return {
        "lap": report.lap,
        "sign": report.sign,
        "part": report.part,
        "kind": report.kind,
        "unit": report.unit,
        "status": report.status,
        "sentence": report.sentence,
        "method": report.method,
        "baseline": report.baseline,
        "alarms": report.alarms,
        "sees": report.sees,
        "signals": report.signals,
        "remarks": report.remarks,
        "charts": [_panel(panel) for panel in report.panels],
    }


def _panel(panel: "Panel") -> dict[str, Any]:
    chart = panel.chart
    ok = chart.status == "ok" and chart.value.size > 0
    one = {
        name: float(values[0]) if ok and bool((values == values[0]).all()) else None
        for name, values in (("centre", chart.centre), ("lower", chart.lower), ("upper", chart.upper))
    }
    length = chart.run_length
    return {
        "name": chart.name,
        "status": chart.status,
        "reason": chart.reason,
        "n": chart.n,
        "missing": chart.missing,
        "sigma": chart.sigma or None,
        "sigma_how": chart.sigma_how,
        **one,
        "run_length": None
        if length is None
        else {
            "average": length.average,
            "steady_average": length.steady_average,
            "median": length.median,
            "percentile_5": length.percentile_5,
            "percentile_95": length.percentile_95,
            "method": length.method,
        },
        "points": _points(panel),
    }


def _points(panel: "Panel", *, first: int = 0) -> list[dict[str, Any]]:
    chart = panel.chart
    spoken: dict[int, list[str]] = {}
    for signals in chart.signals:
        for i in (signals.index[signals.index >= first] - first).tolist():
            spoken.setdefault(i, []).append(signals.words)
    columns = [values[first:] for values in (chart.value, chart.lower, chart.centre, chart.upper)]
    return [
        {
            "point": label,
            "time": time,
            **{
                name: value if math.isfinite(value) else None
                for name, value in zip(("value", "lower", "centre", "upper"), values, strict=True)
            },
            "signal": " and ".join(spoken.get(i, ())),
        }
        for i, (label, time, values) in enumerate(
            zip(
                panel.labels[first:], panel.times[first:], zip(*(c.tolist() for c in columns), strict=True), strict=True
            )
        )
    ]
