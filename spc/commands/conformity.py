"""`lapcell conformity`: which readings of a part number may be accepted, at what risk, and which faces are in doubt."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import counted, print_json, print_table

if TYPE_CHECKING:
    from spc.board.conformity import ConformityReport

__all__ = ["command"]

_IDS_SHOWN = 12
_RULES_SHOWN = 20  # the nearest to the limit; --json has all


@click.command("conformity")
@click.argument("part")
@click.option("--characteristic", default="flatness", show_default=True, help="What was read.")
@click.option("--risk", default=0.005, show_default=True, help="Largest share of bad faces among the accepted ones.")
@click.option("--reader-sd-um", type=float, default=None, help="Spread of one reading, in place of the gauge data's.")
@click.option("--lap", "laps", multiple=True, help="Only this lap; may be repeated.")
@click.option("--since", default="", help="First day taken, ISO.")
@click.option("--until", default="", help="Last day taken, ISO.")
@click.option("--readings", default="final", show_default=True, help="'first pass' or 'final'.")
@click.option("--limit-um", type=float, default=None, help="Limit in micrometres, in place of the register's.")
@common_options
def command(
    session: Session, *, part: str, characteristic: str, risk: float, reader_sd_um: float | None,
    laps: tuple[str, ...], since: str, until: str, readings: str, limit_um: float | None,
) -> int:  # fmt: skip
    """Give the decision rule for the readings of one part number, its price in both coins, and the faces in doubt.

    The rule accepts readings up to a value at which no more than --risk of the accepted faces are bad. The law of the
    faces comes from the log, the reader's spread from repeats in the log or from --reader-sd-um.

    Exit code 1 when there is no rule, or faces are in doubt.

    With --json one document: part, characteristic, status ('ruled', 'no reading can be accepted', 'refused'),
    sentence (the decision rule), limit_um, limit_text, step_um, reader_sd_um, reader_sd_source, guarded_limit_um,
    law, risk, bad_share (of all faces), chosen and rules (accept_um, bad_accepted, good_rejected, bad_among_accepted,
    accepted), readings (text, low_um, high_um, faces, conformance, verdict 'conforms', 'in doubt' or 'does not
    conform' at 95%, accepted, face_ids) and remarks.
    """
    from spc.board.cell_view import look_at_cell
    from spc.board.conformity import report_conformity
    from spc.board.study_plan import READINGS, StudyPlan

    plan = StudyPlan(
        part=part, characteristic=characteristic, laps=laps, since=since, until=until, readings=readings,
        limit_um=limit_um, risk=risk,
    )  # fmt: skip
    with session.store() as store:
        report = report_conformity(look_at_cell(store, session.settings()), plan, reader_sd_um=reader_sd_um)
    if session.as_json:
        print_json(_document(report, risk))
    else:
        _print(report, READINGS[plan.readings])
    return DONE if report.status == "ruled" and not report.in_doubt else NEEDS_A_PERSON


def _document(report: "ConformityReport", risk: float) -> dict[str, Any]:
    trade = report.trade
    plain = asdict(report)
    del plain["trade"]
    return plain | {
        "risk": risk,
        "bad_share": None if trade is None else trade.bad_share,
        "chosen": None if trade is None or trade.chosen is None else asdict(trade.chosen),
        "rules": [] if trade is None else [asdict(rule) for rule in trade.rules],
    }


def _print(report: "ConformityReport", readings: str) -> None:
    click.echo(f"{report.part}, {report.characteristic}, {readings}: {report.sentence}")
    if report.trade is None:
        return
    click.echo(f"  limit {report.limit_text}; reader's spread {report.reader_sd_um:.3g} um ({report.reader_sd_source})")
    click.echo(f"  {report.law}; by that law {report.trade.bad_share:.2%} of all faces are over the limit")
    click.echo(
        f"  knowing nothing of the process, 95% of conformance asks for at most {report.guarded_limit_um:.3g} um"
    )
    for remark in report.remarks:
        click.echo(f"  {remark}")
    click.echo("\n  What each rule costs:")
    rows = [
        {
            "accept": rule.accept_um,
            "bad": f"{rule.bad_accepted:.1%}" if rule.bad_accepted == rule.bad_accepted else "no bad face",
            "good": f"{rule.good_rejected:.1%}",
            "among": f"{rule.bad_among_accepted:.2%}",
            "chosen": "chosen" if rule == report.trade.chosen else "",
        }
        for rule in report.trade.near_limit(_RULES_SHOWN)
    ]
    heads = {
        "accept": "Accept up to um", "bad": "Bad accepted", "good": "Good rejected", "among": "Bad among accepted",
        "chosen": "",
    }  # fmt: skip
    print_table(rows, heads)
    click.echo("\n  Readings, each held against this rule:")
    rows = [
        {
            "text": r.text,
            "um": f"{r.low_um:.3g} to {r.high_um:.3g}",
            "faces": r.faces,
            "chance": f"{r.conformance:.1%}" if r.conformance == r.conformance else "",
            "verdict": r.verdict,
            "rule": "accepted" if r.accepted else "not accepted",
        }
        for r in report.readings
    ]
    heads = {
        "text": "Reading",
        "um": "um",
        "faces": "Faces",
        "chance": "Conforms",
        "verdict": "At 95%",
        "rule": "Rule",
    }
    print_table(rows, heads)
    ids = [i for r in report.in_doubt for i in r.face_ids]
    if ids:
        shown = ", ".join(str(i) for i in ids[-_IDS_SHOWN:])
        click.echo(f"\n  {counted(len(ids), 'face')} in doubt; the newest: {shown}")
