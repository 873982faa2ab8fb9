"""`lapcell ingest`: CSV logs into the store, each row accounted for."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.cli import COULD_NOT, DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import counted, one_line, plain, print_json, print_table, progress_bar, records

if TYPE_CHECKING:
    from spc.log.intake import IntakeResult
    from spc.log.rows import ScannedLog

__all__ = ["command"]

_FIRST_ROWS = 10

HELP = """Take CSV logs into the store; each FILE in one transaction.

Every row ends as a face, a repeat reading of a face, an event, in quarantine with its reasons, or as a row that the
store holds already; rows = accepted + quarantined + doubles. The same file twice changes nothing, a grown file adds
its new rows, a changed row becomes a new version.

Beside the columns of every log, load (N, kgf, lbf; kg only where a column map says unit = "kgf"), contact area (mm2,
cm2, in2) and rubbing speed (m/s, m/min, ft/min; rpm only where a column map gives radius_mm) are understood under such
names with their units. A lap whose faces carry them, with thickness before and after, has its removal rate told per
N/mm2 of pressure and m/s of speed.

\b
JSON: {"files": [FILE, ...], "rows", "accepted", "quarantined", "doubles", "refused": files refused}; each FILE:
  name, source (the log it belongs to), sha256, rows, blank, accepted, faces, repeats, events, quarantined,
  doubles, new_versions (part of accepted), settled (rows of earlier files that left quarantine),
  refused (true: the file as a whole cannot be read, error says why), error, remarks,
  columns: [{field, header, how}], dialect: {encoding, separator, quote, decimal, header_line, first_line, evidence};
    [] and null of a file known by its bytes, which is not read again
with --rows each FILE also has
  accepted_rows: [{row_number, kind, serial, lap, part, as_typed, flatness_low_um, flatness_high_um, minutes,
    finish_as_typed, finish_low_um, finish_high_um, load_n, area_mm2, speed_m_per_s,
    time_utc, time_text, version, remarks}]
  event_rows: [{row_number, lap, event, time_utc, time_text}]
  quarantined_rows: [{row_number, raw, reasons}]
  null = not known or not measured; flatness_high_um null beside a flatness_low_um = open above, such as "2+".
with --dry-run each FILE has name, refused, error, remarks, columns, dialect, counts, first_rows; nothing is written.
"""


@click.command(help=HELP)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--map", "map_path", type=click.Path(path_type=Path), help="A column map, TOML.")
@click.option("--source", "log", default="", help="The log these files are deliveries of; left out, found.")
@click.option("--who", default="", help="Who delivers them.")
@click.option("--rows", "show_rows", is_flag=True, help="With --json: every accepted and quarantined row.")
@click.option("--dry-run", is_flag=True, help="Show how the files would be read; write nothing.")
@common_options
def command(
    session: Session,
    *,
    files: tuple[Path, ...],
    map_path: Path | None,
    log: str,
    who: str,
    show_rows: bool,
    dry_run: bool,
) -> int:
    """Take files in, one after the other; a file that cannot be read does not stop the others."""
    from spc.log.columns import load_column_map

    settings = session.settings()
    column_map = load_column_map(map_path) if map_path else None
    if dry_run:
        return _preview(session, files, settings, column_map)
    from spc.log.intake import ingest
    from spc.log.watch import printable_name

    results = []
    with session.store(create=True) as store:
        for file in files:
            name = printable_name(file.name)
            with progress_bar(name) as bar:
                result = ingest(
                    store, file, name=name, settings=settings, column_map=column_map, log=log, who=who,
                    keep_rows=show_rows, progress=bar,
                )  # fmt: skip
            results.append(result)
            if not session.as_json:
                _print(result)
    if session.as_json:
        print_json(_document(results, show_rows))
    if any(result.refused for result in results):
        return COULD_NOT
    return NEEDS_A_PERSON if any(result.quarantined for result in results) else DONE


def _document(results: "list[IntakeResult]", show_rows: bool) -> dict[str, Any]:
    return {
        "files": [_file(result, show_rows) for result in results],
        **{
            name: sum(getattr(result, name) for result in results)
            for name in ("rows", "accepted", "quarantined", "doubles", "refused")
        },
    }


def _file(result: "IntakeResult", show_rows: bool) -> dict[str, Any]:
    names = (
        "name source sha256 rows blank accepted faces repeats events quarantined doubles new_versions settled refused "
        "error remarks"
    ).split()
    document = {name: getattr(result, name) for name in names} | _reading(result)
    if show_rows:
        document |= {"accepted_rows": [], "event_rows": [], "quarantined_rows": []}
    if show_rows and result.accepted_rows is not None and result.quarantined_rows is not None:
        faces = result.accepted_rows.rename(columns={"flatness_text": "as_typed", "finish_text": "finish_as_typed"})
        keys = (
            "row_number kind serial lap part as_typed flatness_low_um flatness_high_um minutes finish_as_typed "
            "finish_low_um finish_high_um load_n area_mm2 speed_m_per_s time_utc time_text version remarks"
        ).split()
        document["accepted_rows"] = records(faces[keys])
        document["quarantined_rows"] = records(result.quarantined_rows)
    if show_rows and result.event_rows is not None:
        keys = ["row_number", "lap", "event", "time_utc", "time_text"]
        document["event_rows"] = records(result.event_rows[keys])
    return document


def _reading(result: "IntakeResult | ScannedLog") -> dict[str, Any]:
    dialect = result.dialect
    said = "encoding separator quote decimal header_line first_line evidence".split()
    return {
        "columns": [{"field": use.field, "header": use.header, "how": use.how} for use in result.columns],
        "dialect": None if dialect is None else {name: getattr(dialect, name) for name in said},
    }


def _print(result: "IntakeResult") -> None:
    if result.refused:
        click.echo(f"lapcell: {one_line(result.error)}", err=True)
        return
    parts = [
        counted(result.faces, "face"),
        counted(result.repeats, "repeat reading"),
        counted(result.events, "event"),
        f"{result.quarantined:,} in quarantine",
        f"{result.doubles:,} held already",
    ]
    click.echo(f"{plain(result.name)}: {counted(result.rows, 'row')} = {' + '.join(parts)}")
    if result.new_versions:
        click.echo(f"  {counted(result.new_versions, 'row')} changed: new version, the old one kept")
    if result.settled:
        click.echo(f"  {counted(result.settled, 'row')} of earlier deliveries left quarantine")
    for remark in result.remarks:
        click.echo(f"  {one_line(remark)}")
    if result.quarantined:
        click.echo("  `lapcell quarantine` lists what waits for a person")


def _preview(session: Session, files: tuple[Path, ...], settings: Any, column_map: Any) -> int:
    from spc.log.rereading import with_registered_laps
    from spc.log.rows import scan_log

    aliases = {}
    if session.store_path.exists():
        with session.store() as store:
            aliases, settings = store.aliases(), with_registered_laps(settings, store)
    documents, refused = [], False
    for file in files:
        scanned = scan_log(file, name=file.name, settings=settings, column_map=column_map, aliases=aliases)
        refused = refused or bool(scanned.refused)
        first = next(iter(scanned.frames(rows=_FIRST_ROWS)), None)
        shown = [] if first is None else records(first)
        keys = "row_number outcome lap operator grit flatness_text flatness_low_um flatness_high_um minutes".split()
        keys += ["finish_low_um", "finish_high_um", "time_text", "event", "reasons"]
        documents.append(
            {
                "name": file.name,
                "refused": bool(scanned.refused),
                "error": f"{file.name}: {scanned.refused}" if scanned.refused else "",
                "remarks": list(scanned.remarks),
                "counts": scanned.counts,
                "first_rows": [{key: row[key] for key in keys} for row in shown],
            }
            | _reading(scanned)
        )
    if session.as_json:
        print_json({"dry_run": True, "files": documents})
    else:
        for document in documents:
            _print_preview(document)
    return COULD_NOT if refused else DONE


def _print_preview(document: dict[str, Any]) -> None:
    if document["refused"]:
        click.echo(f"lapcell: {one_line(document['error'])}", err=True)
        return
    click.echo(f"{plain(document['name'])}: nothing is written")
    for sentence in [*document["dialect"]["evidence"], *document["remarks"]]:
        click.echo(f"  {one_line(sentence)}")
    print_table(document["columns"], {"header": "column", "field": "understood as", "how": "because"})
    click.echo(", ".join(f"{count:,} {name}" for name, count in document["counts"].items()))
    columns = {"row_number": "row", "outcome": "outcome", "lap": "lap", "grit": "grit", "flatness_text": "flatness"}
    columns |= {"flatness_low_um": "from um", "flatness_high_um": "to um", "minutes": "minutes", "reasons": "reasons"}
    print_table(document["first_rows"], columns)
