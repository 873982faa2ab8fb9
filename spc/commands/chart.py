"""`lapcell chart`: chart one sign of one lap, say how the chart works, and what signals."""

import math
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.chart_kinds import chart_one_kind, kind_options
from spc.commands.moments import time_head, with_times
from spc.commands.output import plain, print_json, print_table
from spc.settings import Settings

if TYPE_CHECKING:
    from spc.board.lap_chart import ChartReport
    from spc.board.wear_report import RelapReport, WearReport

__all__ = ["command"]

DIMENSIONS = ("thickness",)
SHOWN = 20  # newest readings in the table
LINE = 60  # newest readings in the line of marks
MARKS = "._-=+*#"  # from far on the good side to far on the bad side

HELP = """Chart one lap and say what signals.

\b
JSON: lap, sign, part, status, sentence, method, baseline, alarms, sees, signals, rules_added, change, remarks,
  unit, readings: [{face, time, part, low, high, unit, limit, z, average, signal, revision}];
of wear and re-lap share: lap, sign, status, sentence, method, baseline, alarms, sees, by_itself (of wear),
  called_faces, readings: [{face, z or sum}];
of a dimension: lap, sign, part, status, sentence, method, baseline, alarms, sees, phi, remarks, called_faces,
  centre_um, lower_um, upper_um, readings: [{face, time, low_um, high_um, beyond}].
null = not known, or open above.

With --kind, a chart of that kind instead: individuals, subgroup mean, drifting average, cumulative sum, probability
limit, likelihood-ratio sum, ratio to part, standardised by part, self-starting, correlated, residuals, joint distance,
joint drifting average (both of flatness with finish), share of re-laps, scratches, faces between re-laps. Its limits
come from the readings charted or from figures given; nothing is frozen. --sign may also be parallelism or squareness.

\b
JSON: lap, sign, part, kind, unit, status, sentence, method, baseline, alarms, sees, signals, remarks,
  charts: [{name, status, reason, n, missing, sigma, sigma_how, centre, lower, upper (null where they differ from
  point to point), run_length, points: [{point, time, value, lower, centre, upper, signal}]}].
"""


@click.command("chart", help=HELP)
@click.argument("lap")
@click.option(
    "--sign",
    "--characteristic",
    "sign",
    default="flatness",
    show_default=True,
    help="flatness, minutes, removal rate, finish, wear, re-lap share, or the dimension thickness.",
)
@click.option("--part", default="", help="Show only this part number; the limits do not move for it.")
@click.option(
    "--rules", "rules", default="", help="Run rules to add, by name, with commas between; their price is printed."
)
@click.option("--kind", default="", help="A chart of this kind; the options below are for kinds only.")
@click.option("--last", default=SHOWN, show_default=True, type=click.IntRange(1), help="Newest readings to print.")
@kind_options
@common_options
def command(session: Session, *, lap: str, sign: str, part: str, rules: str, kind: str, last: int, **asked: Any) -> int:
    """Chart one lap and say what signals."""
    if kind:
        return chart_one_kind(session, lap, sign, kind, part=part, rules=rules, last=last, asked=asked)
    from spc.board.lap_chart import chart_of_lap

    _no_kind_options(asked)
    from spc.board.frozen_limits import OF_THE_CYCLE

    if sign in OF_THE_CYCLE:
        return _of_the_cycle(session, lap, sign, part=part, rules=rules)
    if sign in DIMENSIONS:
        return _of_a_dimension(session, lap, sign, part=part, rules=rules, last=last)
    wanted = [name.strip() for name in rules.split(",") if name.strip()]
    with session.store() as store:
        report = chart_of_lap(store, lap, sign, session.settings(), part=part, rules=wanted)
    if session.as_json:
        print_json(_document(report))
    else:
        _print(report, last, session.settings())
    newest = len(report.replayed.stream) - 1
    signals_now = any(s.since_faces == 0 or s.face_id == _face(report, newest) for s in report.signals)
    return NEEDS_A_PERSON if signals_now else DONE


def _no_kind_options(asked: dict[str, Any]) -> None:
    """Refuse an option that only a kind of chart takes: left unheard it would mislead."""
    context = click.get_current_context()
    for name in asked:
        if context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE:
            raise ValueError(
                f"`--{name.replace('_', '-')}` goes with --kind only; name a kind of chart, or leave it out"
            )


def _of_the_cycle(session: Session, lap: str, sign: str, *, part: str, rules: str) -> int:
    """Chart what belongs to the running cycle as a whole: its wear, or its re-laps."""
    from spc.board.cell_charts import chart_cell
    from spc.board.cell_view import look_at_cell
    from spc.board.room_history import look_at_room
    from spc.board.wear_report import relap_report, wear_report

    if part or rules:
        raise ValueError(f"`--part` and `--rules` do not go with the sign {sign!r}; leave them out")
    with session.store() as store:
        view = look_at_cell(store, session.settings())
    cell = chart_cell(view)
    if all(name != lap for name, _ in cell.charts):
        known = ", ".join(sorted({name for name, _ in cell.charts})) or "none yet"
        raise ValueError(f"`lap` must be a lap of the store, got {lap!r}; known are {known}")
    called: tuple[int, ...]
    drawn: list[float]
    by_itself = ""
    if sign == "wear":
        wear = wear_report(view, cell, lap, room=look_at_room(view, cell).of(lap))
        report: WearReport | RelapReport = wear
        faces, by_itself = wear.face_ids, wear.by_itself
        drawn, drawn_as = wear.chart.z.tolist(), "z"
        beyond = (wear.chart.value > wear.chart.upper) | (wear.chart.value < wear.chart.lower)
        called = tuple(face for face, out in zip(faces, beyond.tolist(), strict=True) if out)
        needs = bool(called) or wear.unusual.status == "change"
    else:
        share = relap_report(view, cell, lap)
        report, faces = share, share.face_ids
        chart = share.chart.chart if share.chart is not None else None
        drawn, drawn_as = (chart.value.tolist() if chart is not None else [math.nan] * len(faces)), "sum"
        called = tuple(faces[i] for i in chart.signals[0].index.tolist()) if chart is not None else ()
        needs = bool(called)
    rows = [{"face": face, drawn_as: float(value)} for face, value in zip(faces, drawn, strict=True)]
    if session.as_json:
        print_json(
            {
                "lap": lap,
                "sign": sign,
                "status": report.status,
                "sentence": report.sentence,
                "method": report.method,
                "baseline": report.baseline,
                "alarms": report.alarms,
                "sees": report.sees,
                "by_itself": by_itself,
                "called_faces": called,
                "readings": rows,
            }
        )
    else:
        click.echo(f"{plain(lap)}: {sign} of the running cycle, {len(faces):,} faces")
        click.echo(report.sentence)
        claims = (f"Method: {report.method}", f"Baseline: {report.baseline}" if report.baseline else "", report.alarms)
        for words in (*claims, report.sees, by_itself):
            if words:
                click.echo(f"{words[:1].upper()}{words[1:]}.")
    return NEEDS_A_PERSON if needs else DONE


def _of_a_dimension(session: Session, lap: str, sign: str, *, part: str, rules: str, last: int) -> int:
    """Chart a dimension of one part number, on both sides."""
    from spc.board.cell_view import look_at_cell
    from spc.board.dimension import chart_dimension

    if rules:
        raise ValueError(f"`--rules` does not go with the dimension {sign!r}; leave it out")
    with session.store() as store:
        view = look_at_cell(store, session.settings())
    report = chart_dimension(view, lap, sign, part=part)
    chart, ok = report.chart, report.chart.status == "ok"
    rows = [
        {
            "face": face,
            "time": time,
            "low_um": low,
            "high_um": high,
            "beyond": face in report.beyond,
        }
        for face, time, low, high in zip(
            report.face_ids, report.time_texts, report.low_um.tolist(), report.high_um.tolist(), strict=True
        )
    ]
    if session.as_json:
        print_json(
            {
                "lap": lap,
                "sign": sign,
                "part": report.part,
                "status": chart.status,
                "sentence": report.sentence,
                "method": chart.method,
                "baseline": report.baseline,
                "alarms": chart.alarms,
                "sees": report.sees,
                "phi": report.phi,
                "remarks": chart.notes,
                "called_faces": report.beyond,
                "centre_um": float(chart.centre[0]) if ok else None,
                "lower_um": float(chart.lower[0]) if ok else None,
                "upper_um": float(chart.upper[0]) if ok else None,
                "readings": rows,
            }
        )
    else:
        click.echo(f"{plain(lap)}: {sign}" + (f", part {plain(report.part)}" if report.part else ""))
        click.echo(f"{report.sentence}.")
        if ok:
            click.echo(f"Method: {chart.method}.\nBaseline: {report.baseline}.")
            click.echo(f"{chart.alarms[:1].upper()}{chart.alarms[1:]}.\n{report.sees}")
        for words in chart.notes:
            click.echo(f"Note: {words}.")
        settings = session.settings()
        heads = {"face": "face", "time": time_head("time", settings)}
        heads |= {"low_um": "from um", "high_um": "to um", "beyond": "beyond"}
        print_table(with_times(rows[-last:], ["time"], settings), heads, nothing=f"No readings of {sign}.")
    newest = report.face_ids[-1] if report.face_ids else None
    return NEEDS_A_PERSON if newest in report.beyond else DONE


def _print(report: "ChartReport", last: int, settings: Settings) -> None:
    click.echo(f"{plain(report.lap)}: {report.sign}" + (f", part {plain(report.part)}" if report.part else ""))
    click.echo(report.sentence)
    if not all(math.isnan(z) for z in report.replayed.z.tolist()):
        click.echo(
            f"\n  {_line(report)}   newest on the right; ! = signal, '.' far better to '#' far worse than usual\n"
        )
    for words in (f"Method: {report.method}.", f"Baseline: {report.baseline}.", report.alarms, report.sees):
        if words:
            click.echo(words)
    for signal in report.signals[-last:]:
        click.echo(f"* {signal.sentence}")
    if report.change is not None and report.change.status == "change":
        click.echo(f"The newest change began {report.change_words}. {report.change.unplaced}")
    for rule in report.extra:
        spoke = ", ".join(str(face) for face in rule.face_ids[-10:]) or "none"
        click.echo(f"Rule added, {rule.price}; it speaks at faces: {spoke}.")
    for words in report.remarks:
        click.echo(f"Note: {words}.")
    click.echo("")
    rows = with_times(_rows(report)[-last:], ["time"], settings)
    print_table(rows, _COLUMNS | {"time": time_head("time", settings)}, nothing="No readings of this sign.")


_COLUMNS = {
    "face": "face",
    "time": "time",
    "part": "part",
    "low": "from",
    "high": "to",
    "unit": "unit",
    "limit": "limit",
    "z": "sd",
    "average": "average sd",
    "signal": "signal",
    "revision": "limits",
}


def _rows(report: "ChartReport") -> list[dict[str, Any]]:
    judged, stream = report.replayed, report.replayed.stream
    divide = report.unit.um_per_unit if report.unit else 1.0
    unit = _unit(report)
    rows = []
    for i in range(len(stream)):
        signal = " and ".join(
            words for words, spoke in (("beyond", judged.beyond[i]), ("drifting", judged.drifting[i])) if spoke
        )
        rows.append(
            {
                "face": int(stream.face_id[i]),
                "time": str(stream.time_text[i]),
                "part": str(stream.part[i]),
                "low": float(stream.low[i]) / divide,
                "high": float(stream.high[i]) / divide if math.isfinite(stream.high[i]) else None,
                "unit": unit,
                "limit": float(judged.limit[i]) / divide,
                "z": float(judged.z[i]),
                "average": float(judged.average[i]),
                "signal": signal,
                "revision": int(judged.revision[i]),
            }
        )
    return rows


def _line(report: "ChartReport") -> str:
    from spc.chart.stream import SIGNS

    judged = report.replayed
    bad = 1.0 if SIGNS[report.sign].side == "upper" else -1.0
    marks = []
    for z, spoke in list(zip(judged.z.tolist(), (judged.beyond | judged.drifting).tolist(), strict=True))[-LINE:]:
        if spoke:
            marks.append("!")
        elif math.isnan(z):
            marks.append(" ")
        else:
            marks.append(MARKS[min(len(MARKS) - 1, max(0, round(bad * z) + 3))])
    return "".join(marks)


def _document(report: "ChartReport") -> dict[str, Any]:
    search = report.change
    return {
        "lap": report.lap,
        "sign": report.sign,
        "part": report.part,
        "status": report.status,
        "sentence": report.sentence,
        "method": report.method,
        "baseline": report.baseline,
        "alarms": report.alarms,
        "sees": report.sees,
        "signals": [
            {
                "rule": s.rule,
                "sentence": s.sentence,
                "face_id": s.face_id,
                "since_face_id": s.since_face_id,
                "p_value": s.p_value,
                "time": s.time_text,
            }
            for s in report.signals
        ],
        "rules_added": [
            {"rule": r.rule, "words": r.words, "price": r.price, "face_ids": r.face_ids} for r in report.extra
        ],
        "change": None
        if search is None
        else {
            "status": search.status,
            "p_value": search.p_value,
            "face_ids": report.change_faces,
            "sentence": search.sentence,
        },
        "remarks": report.remarks,
        "unit": _unit(report),
        "readings": _rows(report),
    }


def _unit(report: "ChartReport") -> str:
    return report.replayed.stream.unit if report.unit is None else report.unit.name


def _face(report: "ChartReport", position: int) -> int:
    return int(report.replayed.stream.face_id[position]) if position >= 0 else -1
