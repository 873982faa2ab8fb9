"""`lapcell laps`: what the cell's laps are, and how else they are written."""

from collections.abc import Mapping
from pathlib import Path

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import counted, one_line, print_json, print_table, records
from spc.commands.registers import ListingGroup, take_register
from spc.log.name_list import name_list

__all__ = ["command"]

_WORDS = {
    "lap": ("lap", "lap id", "name", "läppscheibe", "rodoir"),
    "material": ("material", "lap material", "werkstoff", "matériau"),
    "kind": ("kind", "type", "art"),
    "size_text": ("size", "size text", "diameter", "grösse", "größe", "taille"),
    "home_grit": ("home grit", "grit", "körnung", "grain"),
    "group": ("group", "pooling group", "gruppe", "groupe"),
    "state": ("state", "zustand", "état"),
    "note": ("note", "notes", "remark", "bemerkung", "remarque"),
}

HELP = """List laps; describe one, approve another way of writing it or take that back, retire it, or
take in a CSV of laps.

\b
JSON of list: {"laps": [{lap, material, kind, size_text, home_grit, group, state, note,
  state_us}], "aliases": {as typed: lap}}, state_us when all this was last written down, microseconds since
  1970, 0 = never; of retire: the lap; of set: the lap with {"settled", "still_waiting", "reasons"};
  of alias: {"typed", "lap", "settled", "still_waiting", "reasons", "faces_as_typed", "events_as_typed", "files",
  "faces_moved"}, the faces and events that still stand under what was typed, the files they came in, and the faces
  typed on the screens that were corrected to the lap;
  of take-back: {"typed", "lap", "faces_moved"}, the lap it was read as, and the faces that went back;
  of take: {"name", "rows", "accepted", "refused": [{row_number, reason}]}
"""


@click.group(cls=ListingGroup, help=HELP)
def command() -> None:
    """Laps."""


@command.command("list")
@common_options
def list_laps(session: Session) -> int:
    """List every lap that is described or that a face or event names."""
    with session.store() as store:
        laps, aliases = records(store.laps()), store.aliases()
    if session.as_json:
        print_json({"laps": laps, "aliases": aliases})
        return DONE
    columns = ("lap", "material", "kind", "size_text", "home_grit", "group", "state", "note")
    print_table(laps, {name: name.replace("_text", "").replace("_", " ") for name in columns}, nothing="No lap yet.")
    for typed, lap in aliases.items():
        click.echo(f"{one_line(typed)} is read as {one_line(lap)}")
    return DONE


@command.command("set")
@click.argument("lap")
@click.option("--material", help="Such as cast iron, copper, ceramic, diamond-impregnated, paper on plate, stone.")
@click.option("--kind", help="Such as ring machine plate, hand lap, plate.")
@click.option("--size", "size_text", help="As written on it.")
@click.option("--home-grit", help="The grit it is kept to.")
@click.option("--group", help="Laps of one group lend each other their past; left out: material and home grit.")
@click.option("--state", type=click.Choice(["in use", "stand-by"]), help="Whether it is in use.")
@click.option("--note")
@click.option("--who", default="", help="Who says so.")
@click.option("--why", default="")
@common_options
def set_lap(session: Session, *, lap: str, who: str, why: str, **said: str | None) -> int:
    """Describe a lap, or add one; what is left out stays as it was.

    Where the settings list the laps of the site, a lap set here is known too, and rows that waited for it are read
    again.
    """
    from spc.log.rereading import add_lap

    with session.store(create=True) as store:
        again = said["state"] is not None
        done = add_lap(store, lap, settings=session.settings(), who=who, why=why, again=again, **said)
        record = next(one for one in records(store.laps()) if one["lap"] == lap)
    document = {"settled": done.settled, "still_waiting": done.still_waiting, "reasons": done.reasons}
    freed = f"; {counted(done.settled, 'row')} left quarantine" if done.settled else ""
    _say(session, record | document, f"Lap {lap} is set{freed}.", done.reasons)
    return NEEDS_A_PERSON if done.still_waiting else DONE


@command.command("retire")
@click.argument("lap")
@click.option("--who", required=True)
@click.option("--why", required=True)
@common_options
def retire(session: Session, *, lap: str, who: str, why: str) -> int:
    """Take a lap out of use for good; its history stays."""
    from spc.store.database import StoreError

    with session.store() as store:
        if lap not in set(store.laps()["lap"]):
            raise StoreError(f"no lap called {lap!r}; `lapcell laps` lists them")
        store.set_lap(lap, state="retired", who=who, why=why, again=True)
        record = next(one for one in records(store.laps()) if one["lap"] == lap)
    _say(session, record, f"Lap {lap} is retired.")
    return DONE


@command.command("alias")
@click.argument("typed")
@click.argument("lap")
@click.option("--who", required=True, help="The person who approves.")
@click.option("--why", default="")
@common_options
def alias(session: Session, *, typed: str, lap: str, who: str, why: str) -> int:
    """Approve TYPED as a way of writing LAP; rows that waited for it are read again."""
    from spc.log.rereading import approve_alias

    with session.store() as store:
        done = approve_alias(store, typed, lap, settings=session.settings(), who=who, why=why)
        lap = store.aliases()[typed]
        faces, events, intakes = store.faces(lap=typed), store.events(lap=typed), store.intakes()
    logs = intakes[intakes["kind"] == "log"].set_index("intake_id")["name"]
    files = sorted({*faces["intake_id"].map(logs).dropna(), *events["intake_id"].map(logs).dropna()})
    if session.as_json:
        document = {"typed": typed, "lap": lap, "settled": done.settled, "still_waiting": done.still_waiting}
        as_typed = {"faces_as_typed": len(faces), "events_as_typed": len(events), "files": files}
        as_typed |= {"faces_moved": done.moved}
        print_json(document | {"reasons": done.reasons} | as_typed)
    else:
        click.echo(f"{one_line(typed)} is read as {one_line(lap)}; {counted(done.settled, 'row')} left quarantine.")
        if done.moved:
            click.echo(f"{counted(done.moved, 'face')} typed in before: corrected, and on {one_line(lap)} now.")
        by_log = [rows["intake_id"].isin(logs.index) for rows in (faces, events)]
        cures = (
            (faces[by_log[0]], events[by_log[1]], "taken in before", f"take in again {name_list(files)}"),
            (faces[~by_log[0]], events[~by_log[1]], "typed in before", "take back and add again"),
        )
        for of_faces, of_events, how, cure in cures:
            stand = [counted(len(rows), what) for rows, what in ((of_faces, "face"), (of_events, "event")) if len(rows)]
            if stand:
                click.echo(f"{' and '.join(stand)} {how} still on {one_line(typed)}: {cure}.")
        _say_waiting(done.reasons)
    return NEEDS_A_PERSON if done.still_waiting else DONE


@command.command("take-back")
@click.argument("typed")
@click.option("--who", required=True, help="Who takes it back.")
@click.option("--why", required=True, help="Why TYPED is not the lap.")
@common_options
def take_back(session: Session, *, typed: str, who: str, why: str) -> int:
    """Take back that TYPED is a way of writing a lap; that it was approved stays on record."""
    from spc.log.rereading import take_back_alias

    with session.store() as store:
        done = take_back_alias(store, typed, who=who, why=why)
    if session.as_json:
        print_json({"typed": typed, "lap": done.lap, "faces_moved": done.moved})
        return DONE
    name, lap = one_line(typed), one_line(done.lap)
    click.echo(f"{name} is no longer read as {lap}.")
    if done.moved:
        click.echo(f"{counted(done.moved, 'face')} typed in under it: corrected, and on {name} again.")
    click.echo(
        f"Rows of logs that were read so stay on {lap} until their log is taken in again; where the settings list "
        f"laps, say first which lap {name} is, with `lapcell laps alias`, or describe it with `lapcell laps set`."
    )
    return DONE


@command.command("take")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--who", default="", help="Who delivers it.")
@common_options
def take(session: Session, *, file: Path, who: str) -> int:
    """Take in a CSV of laps: lap, material, kind, size, home grit, group, state, note."""
    from spc.log.rereading import add_lap
    from spc.log.watch import printable_name

    settings = session.settings()
    with session.store(create=True) as store:

        def one(cells: Mapping[str, str], _: str) -> None:
            said = {name: text for name, text in cells.items() if name != "lap" and text}
            why = f"as {printable_name(file.name)} says"
            add_lap(store, cells["lap"], settings=settings, who=who, why=why, again=False, **said)

        return take_register(session, file, words=_WORDS, take=one)


def _say(session: Session, record: dict[str, object], sentence: str, reasons: tuple[str, ...] = ()) -> None:
    if session.as_json:
        print_json(record)
    else:
        click.echo(one_line(sentence))
        _say_waiting(reasons)


def _say_waiting(reasons: tuple[str, ...]) -> None:
    for reason in reasons:
        click.echo(f"  still waiting: {one_line(reason)}")
