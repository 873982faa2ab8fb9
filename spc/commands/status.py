"""`lapcell status`: what the store holds, and whether it is sound."""

from typing import Any

import click

from spc.cli import COULD_NOT, DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import print_json, print_table

__all__ = ["command"]

HELP = """Show what the store holds, and whether it is sound.

\b
JSON: store (path), schema, revision, faces (face readings, repeats among them), events, laps, open_quarantine,
  last_intake: {name, at, rows} or null, newest_face: time as typed or null, newest_face_utc or null,
  settings: path or null, health: "ok" or what SQLite found
"""


@click.command(help=HELP)
@common_options
def command(session: Session) -> int:
    """Count, check, print."""
    from spc.log.moments import shown_text, shown_time

    settings = session.settings()
    with session.store() as store:
        health = store.health()
        intakes = store.intakes()
    logs = intakes.loc[intakes["kind"] == "log"]
    last = logs.iloc[-1] if len(logs) else None
    document: dict[str, Any] = {
        "store": str(session.store_path),
        "schema": health["schema"],
        "revision": health["revision"],
        "faces": health["faces"],
        "events": health["events"],
        "laps": health["laps"],
        "open_quarantine": health["open_quarantine"],
        "last_intake": None if last is None else {"name": last["name"], "at": last["at"], "rows": last["rows"]},
        "newest_face": health["newest_face_text"] or None,
        "newest_face_utc": shown_time(health["newest_face_us"], "") or None,
        "settings": str(session.settings_path) if session.settings_path else None,
        "health": health["check"],
    }
    if session.as_json:
        print_json(document)
    else:
        intake = document["last_intake"]
        newest = shown_time(health["newest_face_us"], settings.time_zone)
        shown = document | {
            "last_intake": "none" if intake is None else f"{intake['name']}, {intake['rows']} rows",
            "newest_face": newest or shown_text(health["newest_face_text"], settings) or "none",
            "settings": document["settings"] or "none: nothing is assumed",
        }
        del shown["newest_face_utc"]
        named = {"faces": "face readings, repeats too"}  # what a delivery counts apart
        rows = [{"what": named.get(name, name.replace("_", " ")), "value": str(v)} for name, v in shown.items()]
        print_table(rows, {"what": "store", "value": ""})
    if health["check"] != "ok":
        click.echo("lapcell: the store's file is damaged; restore it from a copy", err=True)
        return COULD_NOT
    return NEEDS_A_PERSON if health["open_quarantine"] else DONE
