"""`lapcell handover`: the page that one shift leaves to the next."""

from pathlib import Path

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.files import formats, write_file
from spc.commands.output import one_line, print_json

__all__ = ["command"]


@click.command("handover")
@click.option(
    "--format", "wanted", default="html", show_default=True, help="html, pdf, xlsx, csv, json; comma between."
)
@click.option("--out", type=click.Path(path_type=Path), default=Path("handover"), help="File, without its ending.")
@click.option("--language", default="en", show_default=True, help="How numbers are written: en, de or fr.")
@click.option("--paper", default="A4", show_default=True, help="A4 or Letter, for the PDF.")
@click.option("--who", default="", help="Who hands over.")
@common_options
def command(session: Session, *, wanted: str, out: Path, language: str, paper: str, who: str) -> int:
    """Write the shift handover: holds, what to do first, the laps in order of need, what changed, cautions.

    Exit code 1 when a lap is held or due. With --json one document: sentence, fingerprint and files.
    """
    forms = formats(wanted)
    from spc.board.cell_view import site_now
    from spc.report.handover_content import handover_of
    from spc.report.locale import locale_named
    from spc.report.made import Made, software_version
    from spc.report.render import check_paper, render

    locale = locale_named(language)
    check_paper(paper)
    settings = session.settings()
    shift = session.board().shift()
    made = Made(at=site_now(settings), by=who, site=settings.site_name, software=software_version(), locale=locale)
    with session.store() as store:
        content = handover_of(store, shift, made)
    ending = out.suffix.lstrip(".").lower()
    stem = out.with_suffix("") if ending in forms else out
    files = [write_file(stem.with_name(f"{stem.name}.{form}"), render(content, form, paper=paper)) for form in forms]
    if session.as_json:
        print_json({"sentence": content.sentence, "fingerprint": content.fingerprint, "files": files})
    else:
        click.echo(one_line(content.sentence))
        for file in files:
            click.echo(f"  {file}")
    return NEEDS_A_PERSON if any(r.state in ("held", "due") for r in shift.laps) or shift.room else DONE
