"""`lapcell events`: what was done to the laps, and what of it is taken back."""

import csv
import io
from typing import Any

import click

from spc.cli import DONE, Session, common_options
from spc.commands.ingest import command as ingest_command
from spc.commands.moments import time_head
from spc.commands.output import one_line, print_json, print_table, records
from spc.commands.registers import ListingGroup

__all__ = ["command"]

HELP = """List lap events; add one, take one back, or take in a CSV of them.

Events: charged, recharged, cleaned, grit changed, dressed, reconditioned, re-faced, measured, ring moved, swapped,
returned, retired.

\b
JSON of list: {"events": [{event_id, lap, event, time_utc, time_text, operator, grit, grit_um, grit_from,
  grit_from_um, abrasive, lot, reason, planned, found_late, minutes, method, shape, before_um, after_um, removed_um,
  from_mm, to_mm, note, intake_id, row_number}]} (null = not said); of add and take-back: the event;
  of take: as `lapcell ingest`
"""

# Option of `add` -> field of a log's event row.
_FIELDS = (
    "time operator grit grit_from abrasive lot reason planned found_late minutes method shape before after removed "
    "from_mm to_mm note"
).split()


@click.group(cls=ListingGroup, help=HELP)
def command() -> None:
    """Events."""


@command.command("list")
@click.option("--lap", help="Only this lap.")
@common_options
def list_events(session: Session, *, lap: str | None) -> int:
    """List the events, oldest first."""
    from spc.log.moments import shown_text, shown_time

    with session.store() as store:
        rows = records(store.events(lap=lap).drop(columns="sort_us"))
    if session.as_json:
        print_json({"events": rows})
        return DONE
    settings = session.settings()
    for row in rows:
        known = row["time_utc"] == row["time_utc"]
        row["time"] = (
            shown_time(row["time_utc"].value // 1000, settings.time_zone)
            if known and row["time_text"]
            else shown_text(row["time_text"], settings)
        )
    columns = {"event_id": "id", "time": time_head("time", settings), "lap": "lap", "event": "event", "grit": "grit"}
    columns |= {"reason": "reason", "operator": "who", "note": "note"}
    print_table(rows, columns, nothing="No event yet; `lapcell events add` adds one.")
    return DONE


@command.command("add")
@click.argument("lap")
@click.argument("event")
@click.option("--time", help="When it was done, with a zone or by the site's; left out: now.")
@click.option("--operator")
@click.option("--grit", help="Such as '15 um' or F600; for a grit change the new one.")
@click.option("--grit-from", help="For a grit change, the old one.")
@click.option("--abrasive", help="Such as diamond, alumina, silicon carbide.")
@click.option("--lot")
@click.option("--reason", help="Such as worn, damaged, planned, contamination, routine.")
@click.option("--planned", type=click.Choice(["yes", "no"]))
@click.option("--found-late", type=click.Choice(["yes", "no"]))
@click.option("--minutes")
@click.option("--method")
@click.option("--shape", help="convex, concave or twist.")
@click.option("--before", help="Form before, with unit, such as '1.2 um'.")
@click.option("--after", help="Form after, with unit.")
@click.option("--removed", help="Removed from the lap, with unit.")
@click.option("--from-mm", help="Ring position before.")
@click.option("--to-mm", help="Ring position after.")
@click.option("--note")
@click.option("--who", required=True, help="Who writes this down.")
@common_options
def add(session: Session, *, lap: str, event: str, who: str, **said: str | None) -> int:
    """Add EVENT of LAP."""
    from spc.board.site_clock import moment_to_log
    from spc.log.moments import shown_text

    row = _read({"lap": lap, "event": event} | {name: said[name] or "" for name in _FIELDS}, session)
    with session.store(create=True) as store:
        if not said["time"]:
            at = moment_to_log(session.settings(), after_us=store.newest_us(row["lap"]))
            row |= {"time_utc": at, "time_text": f"{at:%Y-%m-%d %H:%M:%S}"}
        event_id = store.append_event(row, who=who, source="command line")
        events = store.events(lap=row["lap"])
    record = records(events.loc[events["event_id"] == event_id].drop(columns="sort_us"))[0]
    if session.as_json:
        print_json(record)
    else:
        when = shown_text(record["time_text"], session.settings())
        click.echo(one_line(f"Event {event_id}: {record['lap']} {record['event']} {when}".rstrip()))
        if not said["time"]:
            click.echo("Dated now, as no --time was said.")
    return DONE


@command.command("take-back")
@click.argument("event_id", type=int)
@click.option("--who", required=True, help="Who takes it back.")
@click.option("--why", required=True, help="Why, such as: logged twice, another lap.")
@common_options
def take_back(session: Session, *, event_id: int, who: str, why: str) -> int:
    """Take back the event with the number EVENT_ID, which did not happen; it stays on record as taken back.

    `lapcell events list` shows the numbers. A log that says the event again does not bring it back.
    """
    from spc.log.moments import shown_text

    with session.store() as store:
        events = store.events()
        store.withdraw_event(event_id, who=who, reason=why)
    record = records(events.loc[events["event_id"] == event_id].drop(columns="sort_us"))[0]
    if session.as_json:
        print_json(record)
    else:
        when = shown_text(record["time_text"], session.settings())
        said = f"{record['lap']} {record['event']} {when}".rstrip()
        click.echo(one_line(f"Taken back: event {event_id}, {said}. It stays on record. Signed {who}."))
    return DONE


def _read(cells: dict[str, str], session: Session) -> dict[str, Any]:
    """Read what was typed as the row of a log is read."""
    from spc.log.rereading import with_registered_laps
    from spc.log.rows import read_log
    from spc.store.frames import EVENTS

    said = {name: text for name, text in cells.items() if text}
    text = io.StringIO()
    csv.writer(text).writerows([list(said), list(said.values())])
    aliases, settings = {}, session.settings()
    if session.store_path.exists():
        with session.store() as store:
            aliases, settings = store.aliases(), with_registered_laps(settings, store)
    parsed = read_log(text.getvalue().encode(), name="the event", settings=settings, aliases=aliases)
    row = {} if parsed.rows.empty else parsed.rows.iloc[0].to_dict()
    if row.get("outcome") != "event":
        reasons = str(row.get("reasons", "")).removeprefix("row 1: ")
        raise ValueError(f"the event cannot be kept: {parsed.refused or reasons or 'it says nothing'}")
    return {name: row[name] for name in EVENTS if name in row and name != "row_number"}


command.add_command(ingest_command, "take")
