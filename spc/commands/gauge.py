"""`lapcell gauge`: how far readings of one face differ, from repeats in the log or from a planned study."""

import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import counted, print_json, print_table

if TYPE_CHECKING:
    from spc.board.gauge_study import GaugeReport
    from spc.capability.gauge_plan import GaugePlanning
    from spc.log.gauge_table import GaugeTable

__all__ = ["command"]


@click.command("gauge")
@click.argument("file", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--part", default="", help="Only repeats of this part number.")
@click.option("--characteristic", default="flatness", show_default=True, help="What was read.")
@click.option("--level", type=click.FloatRange(0.5, 0.999), default=0.95, show_default=True, help="Of the intervals.")
@click.option("--face", multiple=True, help="FILE: column of the face; may be repeated, names are then joined.")
@click.option("--reader", default="", help="FILE: column of the reader.")
@click.option("--reading", default="", help="FILE: column of the reading.")
@click.option("--run", default="", help="FILE: column of the day or round.")
@click.option("--unit", default="", help="FILE: unit of readings that carry none; 'plain' for plain numbers.")
@click.option("--lamp", default="", help="FILE: lamp of readings in light bands.")
@click.option("--step", type=float, default=None, help="FILE: step of the readings, in their unit.")
@click.option("--limit", type=float, default=math.nan, help="FILE: limit served, micrometres or the table's unit.")
@click.option("--flat-error-um", type=float, default=math.nan, help="Largest error of the flat, as certified.")
@click.option("--heat-k", type=float, default=math.nan, help="Difference of temperature between the part's two sides.")
@click.option("--length-mm", type=float, default=math.nan, help="Length of the face, with --heat-k.")
@click.option("--thickness-mm", type=float, default=math.nan, help="Thickness of the part, with --heat-k.")
@click.option("--plan", "planned", is_flag=True, help="Also say how many faces, readers and repeats a study needs.")
@click.option("--width", type=float, default=0.5, show_default=True, help="Plan: interval width over repeatability.")
@click.option("--step-ratio", type=float, default=None, help="Plan: step over repeatability; left out, from the study.")
@click.option("--readers", type=int, multiple=True, help="Plan: number of readers at hand; may be repeated.")
@common_options
def command(session: Session, **options: Any) -> int:
    """Study the measuring system: repeatability, spread from reader to reader, step, and what they are to each limit.

    Without FILE, from faces that the log holds more than one reading of. FILE is a planned study: any CSV with one
    row per reading and columns for face, reader and reading, optionally run. Sizes of spread only: no names.

    Exit code 1 when a study is refused, too small for an index to lean on, or a row could not be used.

    With --json one document: studies, a list with characteristic, source, way, unit, status ('studied', 'bounded' =
    only an upper bound, 'refused'), sentence, enough, design, readings, faces, readers, step_um, identical_share,
    repeatability, reader and run (sd_um, low_um, high_um, method, words; null = not known), by_face_um, as_written_um,
    reading_sd_um, reading_sd_source, reml (components), anova (table, components), limits (part, limit_um, resolution,
    budget) and remarks; analogue; problems (row, text, reason); plan (null unless asked for: status, sentence, plans).
    Where unit is '' the figures are in the unit of the table.
    """
    from spc.capability.gauge_budget import ANALOGUE, bending_um

    heat = options["heat_k"]
    temperature = math.nan if math.isnan(heat) else bending_um(options["length_mm"], options["thickness_mm"], heat)
    if options["file"] is None:
        reports, table = _from_log(session, options, temperature), None
    else:
        reports, table = _from_file(session, options, temperature)
    planning = _plan(reports, options) if options["planned"] else None
    if session.as_json:
        document = {
            "studies": [_document(report) for report in reports],
            "analogue": ANALOGUE,
            "problems": [{"row": n, "text": t, "reason": w} for n, t, w in (table.problems if table else ())],
            "plan": None if planning is None else asdict(planning),
        }
        print_json(document)
    else:
        _print(reports, table, planning, ANALOGUE)
    sound = all(report.enough and report.study.status != "refused" for report in reports)
    return DONE if sound and not (table and table.problems) else NEEDS_A_PERSON


def _from_log(session: Session, options: dict[str, Any], temperature_um: float) -> tuple["GaugeReport", ...]:
    from spc.board.cell_view import look_at_cell
    from spc.board.gauge_study import report_gauge

    with session.store() as store:
        view = look_at_cell(store, session.settings())
    return report_gauge(
        view,
        part=options["part"],
        characteristic=options["characteristic"],
        level=options["level"],
        flat_error_um=options["flat_error_um"],
        temperature_um=temperature_um,
    )


def _from_file(
    session: Session, options: dict[str, Any], temperature_um: float
) -> tuple[tuple["GaugeReport", ...], "GaugeTable"]:
    from spc.board.gauge_study import report_planned
    from spc.log.gauge_table import GaugeColumns, read_gauge_table

    columns = GaugeColumns(**{k: options[k] for k in ("face", "reader", "reading", "run", "unit", "lamp", "step")})
    table = read_gauge_table(options["file"], columns, session.settings())
    report = report_planned(
        table,
        name=options["file"].name,
        characteristic=options["characteristic"],
        limit_um=options["limit"],
        level=options["level"],
        flat_error_um=options["flat_error_um"],
        temperature_um=temperature_um,
    )
    return (report,), table


def _plan(reports: tuple["GaugeReport", ...], options: dict[str, Any]) -> "GaugePlanning":
    from spc.capability.gauge_plan import plan_gauge

    ratio = options["step_ratio"]
    study = reports[0].study
    if ratio is None:
        known = study.repeatability is not None and study.repeatability.sd_um > 0
        ratio = study.step_um / study.repeatability.sd_um if known and study.repeatability is not None else 0.0
    return plan_gauge(
        width=options["width"], level=options["level"], step_ratio=ratio, readers=options["readers"] or (2, 3, 4)
    )


def _document(report: "GaugeReport") -> dict[str, Any]:
    study = asdict(report.study)
    for key in ("reml", "anova"):
        split = study[key]
        kept = ("status", "design", "sentence", "table", "components")
        study[key] = None if split is None else {k: v for k, v in split.items() if k in kept}
    return {
        "characteristic": report.characteristic,
        "source": report.source,
        "way": report.way,
        "enough": report.enough,
        **study,
        "limits": [asdict(limit) for limit in report.limits],
    }


def _print(
    reports: tuple["GaugeReport", ...], table: "GaugeTable | None", planning: "GaugePlanning | None", analogue: str
) -> None:
    for report in reports:
        study = report.study
        click.echo(f"{report.characteristic}, {report.source}{', ' + report.way if report.way else ''}:")
        click.echo(f"  {study.sentence}")
        if study.identical_share == study.identical_share and study.step_um > 0:
            step = f"{study.step_um:.3g} {study.unit}".strip()
            click.echo(f"  step {step}; {study.identical_share:.0%} of the pairs of readings of one face are identical")
        for road, split in (("restricted maximum likelihood", study.reml), ("analysis of variance", study.anova)):
            if split is not None and split.components:
                rows = [{"part": c.name, "sd": c.sd, "low": c.low_sd, "high": c.high_sd} for c in split.components]
                click.echo(f"\n  Standard deviations of the readings as written, {road}:")
                print_table(rows, {"part": "Part", "sd": "Sd", "low": "Low", "high": "High"})
        if report.limits:
            click.echo()
        for limit in report.limits:
            click.echo(
                f"  {limit.part + ': ' if limit.part else ''}{limit.resolution.sentence}; {limit.budget.sentence}"
            )
        for remark in study.remarks:
            click.echo(f"  {remark}")
        if study.status != "refused" and not report.enough:
            click.echo("  too small for an index to lean on: 10 faces, 20 repeats and two readers are asked for")
        click.echo()
    if any(report.limits for report in reports):
        click.echo(f"Note: {analogue}.")
    if table is not None:
        click.echo(f"{counted(table.of_rows, 'row')}: {len(table.rows)} read, {len(table.problems)} not usable")
        for remark in table.remarks:
            click.echo(f"  {remark}")
        for number, _, why in table.problems[:20]:
            click.echo(f"  row {number}: {why}")
    if planning is not None:
        click.echo(f"Plan: {planning.sentence}")
        heads = {"faces": "Faces", "readers": "Readers", "repeats": "Repeats", "readings": "Readings",
                 "low": "From", "high": "To"}  # fmt: skip
        if planning.plans:
            print_table([asdict(plan) for plan in planning.plans], heads)
