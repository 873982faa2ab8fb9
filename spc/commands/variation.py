"""`lapcell variation`: where the spread of the readings comes from, or why it cannot be split."""

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import print_json, print_table

if TYPE_CHECKING:
    from spc.board.variation import VariationReport

__all__ = ["command"]


@click.command("variation")
@click.option("--part", default="", help="Only this part number.")
@click.option("--characteristic", default="flatness", show_default=True, help="What was read.")
@click.option("--level", type=click.FloatRange(0.5, 0.999), default=0.95, show_default=True, help="Of the intervals.")
@common_options
def command(session: Session, *, part: str, characteristic: str, level: float) -> int:
    """Split the spread of first readings among part number, lap, cycle, operator, grit and reading.

    Sizes of spread only, never a ranking of people. What the log cannot tell apart is not split, and the crossing that
    would tell it is named. Exit code 1 when something was left out or nothing could be split.

    With --json one document: status ('split', 'split in part', 'refused'), sentence, part, characteristic, faces,
    sources (name, levels, sd_um, low_um, high_um, share of the summed variance, words; the last one is from reading to
    reading), not_split (name, why, cure), step_um, remarks and level.
    """
    from spc.board.missing import first_doubts_in
    from spc.board.variation import report_variation

    view, _, room = session.board().look()
    doubts = first_doubts_in(view, view.laps["lap"].tolist(), room)
    report = report_variation(view, part=part, characteristic=characteristic, level=level, until=doubts)
    if session.as_json:
        print_json(asdict(report))
    else:
        _print(report)
    return DONE if report.status == "split" else NEEDS_A_PERSON


def _print(report: "VariationReport") -> None:
    click.echo(f"{report.part or 'all part numbers'}, {report.characteristic}: {report.sentence}")
    if report.sources:
        rows = [
            {"name": s.name, "levels": s.levels, "sd": s.sd_um, "low": s.low_um, "high": s.high_um,
             "share": f"{s.share:.0%}"}
            for s in report.sources
        ]  # fmt: skip
        heads = {
            "name": "Source", "levels": "Levels", "sd": "Sd um", "low": "Low", "high": "High", "share": "Share",
        }  # fmt: skip
        click.echo()
        print_table(rows, heads)
        click.echo()
    for left in report.not_split:
        click.echo(f"  {left.name} not split: {left.why}; {left.cure}")
    for remark in report.remarks:
        click.echo(f"  {remark}")
