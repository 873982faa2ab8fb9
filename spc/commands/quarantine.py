"""`lapcell quarantine`: the rows that wait for a person."""

from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import clean, one_line, print_json, print_table, records
from spc.commands.registers import ListingGroup

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["command"]

HELP = """List rows that could not be read; show, fix or discard one, or let a discarded one wait again.
Every decision is signed and kept.

\b
JSON of list: {"rows": [ROW, ...]}; of show: ROW; each ROW:
  quarantine_id, name (file), row_number, raw, reasons, lap, how ("" while open, else fixed, alias, discarded),
  new_text, why, who, resolved_at (null while open)
JSON of fix: {"quarantine_id", "taken_in": {lap, kind or event, ...}}; of discard, take-back: {"quarantine_id", "how"}
"""


@click.group(cls=ListingGroup, help=HELP)
def command() -> None:
    """Quarantine."""


@command.command("list")
@click.option("--all", "every", is_flag=True, help="Settled rows too.")
@common_options
def list_rows(session: Session, *, every: bool) -> int:
    """List the rows that are open."""
    with session.store() as store:
        rows = store.quarantine(open_only=not every)
    shown = _records(rows)
    if session.as_json:
        print_json({"rows": shown})
    else:
        columns = {"quarantine_id": "id", "name": "file", "row_number": "row", "reasons": "reasons", "how": "settled"}
        print_table(shown, columns, nothing="No row waits for a person.")
    return NEEDS_A_PERSON if (rows["how"] == "").any() else DONE


@command.command("show")
@click.argument("quarantine_id", type=int)
@common_options
def show(session: Session, *, quarantine_id: int) -> int:
    """Show one row whole, as it stands in its file."""
    record = _record(session, quarantine_id)
    if session.as_json:
        print_json(record)
    else:
        for name, value in clean(record).items():
            if value not in ("", None):
                click.echo(f"{name.replace('_', ' ')}: {one_line(str(value))}")
    return DONE


@command.command("fix")
@click.argument("quarantine_id", type=int)
@click.argument("new_text")
@click.option("--who", required=True, help="Who puts it right.")
@click.option("--why", required=True, help="Why it is right now.")
@common_options
def fix(session: Session, *, quarantine_id: int, new_text: str, who: str, why: str) -> int:
    """Read a row again with NEW_TEXT, the whole row written as in its file, and take it in."""
    from spc.log.rereading import fix_quarantined

    with session.store() as store:
        taken = fix_quarantined(store, quarantine_id, new_text, settings=session.settings(), who=who, reason=why)
    row = records(taken)[0]
    if session.as_json:
        print_json({"quarantine_id": quarantine_id, "taken_in": row})
    else:
        click.echo(f"Row {quarantine_id} is taken in as {row.get('event') or row.get('kind')} of lap {row['lap']}.")
    return DONE


@command.command("discard")
@click.argument("quarantine_id", type=int)
@click.option("--who", required=True, help="Who decides.")
@click.option("--why", required=True, help="Why the row is not to be taken in.")
@common_options
def discard(session: Session, *, quarantine_id: int, who: str, why: str) -> int:
    """Settle a row as not to be taken in; it stays on record."""
    with session.store() as store:
        store.discard_quarantined(quarantine_id, who=who, reason=why)
    if session.as_json:
        print_json({"quarantine_id": quarantine_id, "how": "discarded"})
    else:
        click.echo(f"Row {quarantine_id} is discarded; it stays on record.")
    return DONE


@command.command("take-back")
@click.argument("quarantine_id", type=int)
@click.option("--who", required=True, help="Who takes it back.")
@click.option("--why", required=True, help="Why the row is to wait again.")
@common_options
def take_back(session: Session, *, quarantine_id: int, who: str, why: str) -> int:
    """Let a row that was discarded by mistake wait again; the discarding stays on record."""
    with session.store() as store:
        place = store.take_back_discard(quarantine_id, who=who, reason=why)
    if session.as_json:
        print_json({"quarantine_id": quarantine_id, "how": ""})
    else:
        click.echo(one_line(f"{place[:1].upper()}{place[1:]} waits again; that it was discarded stays on record."))
    return NEEDS_A_PERSON


def _record(session: Session, quarantine_id: int) -> dict[str, Any]:
    from spc.store.database import StoreError

    with session.store() as store:
        rows = store.quarantine(open_only=False)
    found = rows.loc[rows["quarantine_id"] == quarantine_id]
    if found.empty:
        raise StoreError(f"no row {quarantine_id} in quarantine; `lapcell quarantine list --all` shows every one")
    return _records(found)[0]


def _records(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    return records(rows.drop(columns="intake_id").rename(columns={"reason": "why"}))
