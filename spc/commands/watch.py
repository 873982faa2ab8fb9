"""`lapcell watch`: take in the logs that are dropped into a folder, as soon as each is whole."""

import os
import signal
import sqlite3
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.attended import attended_command
from spc.cli import COULD_NOT, DONE, NEEDS_A_PERSON, Session, common_options, one_sentence
from spc.commands.output import clean, counted, one_line
from spc.settings import Settings, SettingsError, load_settings

if TYPE_CHECKING:
    from spc.log.columns import ColumnMap
    from spc.log.intake import IntakeResult
    from spc.log.watch import FolderWatch, Outcome, Take

__all__ = ["command", "rest_s", "watch_command"]

_WHO = "watched folder"
_LEAST_REST = 4.0  # times as long as a listing took

HELP = """Take in the logs that are dropped into the folder DIR, as soon as each is whole; stop with Ctrl+C.

Looked for are *.csv, *.txt and *.tsv in DIR and in the folders directly in it. A file is whole when it has not changed
for a second; when its last line does not end, for five. A file that has grown or changed is read again; a file whose
rows the store holds changes nothing, and the log screen says when one was dropped again. A file that cannot be read is
reported, once, and again when it changes; the log screen lists it until it is put right or taken away. Nothing in DIR
is moved, renamed, written or deleted.

A column map beside a log is used: NAME.map.toml for NAME.csv, folder.map.toml for all logs of a folder; --map serves
the logs that have neither. Registers of limits or laps are no logs and are not taken in here: see `lapcell parts` and
`lapcell laps`. Events are read as in any log.

\b
One line per file taken in or failed; with --json each line is one JSON document:
  name (path within DIR, '' = DIR itself), what, sentence, at (UTC), and rows, accepted, faces, repeats, events,
  quarantined, doubles, new_versions, settled of a file that was read, else null
  what is one of
    taken    rows of it are new in the store
    known    every row was held already (with --once, or of a file that came while DIR was watched)
    failed   it cannot be read
    waits    it is in order, but the store could not take it now; tried again
    cleared  it had failed, and is gone or can be reached again
    growing  it was still being written (with --once only)
"""


@click.command("watch", help=HELP)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--map", "map_path", type=click.Path(path_type=Path), help="A column map, TOML.")
@click.option(
    "--every", type=click.FloatRange(0.1, 3600), default=0.5, show_default=True, help="Seconds from look to look."
)
@click.option("--once", is_flag=True, help="Take in what is whole now, then end.")
@common_options
def command(session: Session, *, folder: Path, map_path: Path | None, every: float, once: bool) -> int:
    """Look, print, rest; until told to stop."""
    from spc.log.columns import load_column_map
    from spc.log.watch import FolderWatch

    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder}: is a file; name the folder that it lies in")
    if once and not folder.exists():
        raise ValueError(f"{folder}: there is no such folder; create it first")
    site = _Site(session)
    given = load_column_map(map_path) if map_path else None
    with session.store(create=True) as store:
        place = str(folder.resolve())
        failed = set(store.watch_problems(folder=place)["name"])
    watch = FolderWatch(folder, take=_take_into(session, site, given), failed=failed)
    told = _Told(session, place, failed, once=once)
    with _stopped_by_signal():
        try:
            if not (once or session.as_json):
                click.echo(f"Watching {one_line(place)} (stop with Ctrl+C).")
                sys.stdout.flush()
            return _once(watch, told) if once else _watch(watch, told, site, every_s=every)
        except KeyboardInterrupt:
            if not session.as_json:
                click.echo("Stopped watching; what was printed is in the store, and nothing is half taken in.")
            return DONE


def watch_command(folder: Path) -> list[str]:
    """Give the command that watches `folder` until its input ends; the environment names store and settings."""
    return attended_command("spc.cli", "watch", str(folder))


def _watch(watch: "FolderWatch", told: "_Told", site: "_Site", *, every_s: float) -> int:
    listing_s = 0.0
    while True:
        started = time.monotonic()
        if site.changed():
            watch.read_all_again()
        outcomes = watch.look(started)
        if not outcomes:  # it only looked
            listing_s = time.monotonic() - started
        told.tell(outcomes)
        if not watch.behind:
            time.sleep(rest_s(every_s, quiet_s=watch.quiet_s, unsettled=bool(watch.unsettled), listing_s=listing_s))


def rest_s(every_s: float, *, quiet_s: float, unsettled: bool, listing_s: float) -> float:
    """Seconds from one look to the next.

    Parameters
    ----------
    every_s : float
        As asked for.
    quiet_s : float
        For which a file must not change; not longer than this while one is `unsettled`.
    unsettled : bool
        Whether a file there is not yet whole.
    listing_s : float
        What the last listing of the folder took; a slow drive is given a multiple of it, a minute at most.
    """
    return max(min(every_s, quiet_s) if unsettled else every_s, min(_LEAST_REST * listing_s, 60.0))


def _once(watch: "FolderWatch", told: "_Told") -> int:
    """Look until every file there is whole, or has had time to be."""
    patience = 2 * round(watch.open_line_quiet_s / watch.quiet_s)
    while True:
        told.tell(watch.look(time.monotonic()))
        if watch.behind:
            continue
        if not watch.unsettled or not patience:
            break
        patience -= 1
        time.sleep(watch.quiet_s)
    for name in watch.unsettled:
        told.say(name, "growing", f"{name}: is still being written, and was left")
    return told.closing()


class _Site:
    """The site settings, read again when their file changes; a file that cannot be read leaves the last good ones."""

    def __init__(self, session: Session) -> None:
        self._path = session.settings_path or session.store_path.parent / "lapcell.toml"  # may yet be written
        self._stamp = self._stamped()
        self.settings: Settings = session.settings()

    def changed(self) -> bool:
        """Whether other settings are in force now than at the last question."""
        stamp = self._stamped()
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        before = self.settings
        try:
            self.settings = load_settings(self._path)
        except SettingsError as error:
            click.echo(f"lapcell: {one_line(str(error))}; the settings read before stay in force", err=True)
        return self.settings != before

    def _stamped(self) -> tuple[int, int]:
        try:
            facts = os.stat(self._path)
        except OSError:
            return (0, 0)
        return (facts.st_mtime_ns, facts.st_size)


def _take_into(session: Session, site: _Site, given: "ColumnMap | None") -> "Take":
    """Make the function that takes one file in, as its own transaction."""
    from spc.log.intake import ingest
    from spc.log.watch import NotNowError
    from spc.store.database import StoreError

    def take(data: bytes, name: str, column_map: "ColumnMap | None") -> "IntakeResult":
        try:
            with session.store(create=True) as store:
                plan = column_map or given
                return ingest(store, data, name=name, settings=site.settings, column_map=plan, who=_WHO)
        except (StoreError, sqlite3.Error, OSError) as error:
            raise NotNowError(one_sentence(error)) from None

    return take


class _Told:
    """Prints what came of each file, keeps failures in the store, and counts."""

    def __init__(self, session: Session, place: str, failed: Iterable[str], *, once: bool) -> None:
        self._session, self._place, self._once = session, place, once
        self._open = set(failed)  # names with a problem in the store
        self._unwritten: dict[str, str] = {}  # name -> problem that is not written yet
        self._known: dict[str, str] = {}  # name -> why a file dropped again gave nothing, not written yet
        self._hindered = ""  # why it could not be, said once
        self._count = dict.fromkeys(("taken", "known", "failed", "waits", "growing", "quarantined"), 0)

    def tell(self, outcomes: "tuple[Outcome, ...]") -> None:
        """Keep and print the outcomes of one look: what is printed is in the store, whenever the watch is stopped."""
        from spc.log.watch import OUTCOMES

        for outcome in outcomes:
            if outcome.what == "failed":
                self._unwritten[outcome.name] = outcome.sentence
            elif outcome.what != "waits" and (outcome.name in self._open or outcome.name in self._unwritten):
                self._unwritten[outcome.name] = ""
            if outcome.what == "known" and outcome.dropped:
                self._known[outcome.name] = outcome.sentence or OUTCOMES["known"]
        if self._unwritten or self._known:
            self._write()
        for outcome in outcomes:
            quiet = outcome.what == "known" and not outcome.dropped
            self.say(outcome.name, outcome.what, outcome.sentence, outcome.result, quiet=quiet)

    def say(
        self, name: str, what: str, sentence: str, result: "IntakeResult | None" = None, *, quiet: bool = False
    ) -> None:
        """Print one line; nothing if it is to be `quiet`, unless this is a single run."""
        if what in self._count:
            self._count[what] += 1
        if result is not None:
            self._count["quarantined"] += result.quarantined
        if quiet and not self._once:
            return
        if self._session.as_json:
            click.echo(_line(name, what, sentence, result))
        elif result is not None and not result.refused:
            click.echo(_sentence(result))
        else:
            click.echo(f"lapcell: {one_line(sentence)}", err=True)
        sys.stdout.flush()

    def closing(self) -> int:
        """Print the counts of a single run; give its exit code."""
        count = self._count
        failed = count["failed"] + count["waits"]
        if not self._session.as_json:
            total = sum(count[name] for name in ("taken", "known", "failed", "waits", "growing"))
            click.echo(
                f"{counted(total, 'file')} = {count['taken']:,} taken in + {count['known']:,} held already "
                f"+ {count['growing']:,} still being written + {failed:,} that could not be taken in"
            )
        if failed:
            return COULD_NOT
        return NEEDS_A_PERSON if count["quarantined"] or count["growing"] else DONE

    def _write(self) -> None:
        try:
            with self._session.store(create=True) as store:
                for name, problem in list(self._unwritten.items()):
                    store.report_watched(self._place, name, problem, who=_WHO)
                    del self._unwritten[name]
                    (self._open.add if problem else self._open.discard)(name)
                for name, sentence in list(self._known.items()):
                    store.note_known(self._place, name, sentence, who=_WHO)
                    del self._known[name]
            self._hindered = ""
        except (ValueError, sqlite3.Error, OSError) as error:  # tried again after the next look
            why = one_sentence(error)
            if why != self._hindered:
                click.echo(f"lapcell: the screens cannot be told yet: {one_line(why)}", err=True)
            self._hindered = why


def _line(name: str, what: str, sentence: str, result: "IntakeResult | None") -> str:
    import json
    from datetime import UTC, datetime

    counts = "rows accepted faces repeats events quarantined doubles new_versions settled".split()
    read = result is not None and not result.refused
    document: dict[str, Any] = {"name": name, "what": what, "sentence": sentence, "at": datetime.now(UTC)}
    document |= {key: getattr(result, key) if read else None for key in counts}
    return json.dumps(clean(document), ensure_ascii=False, allow_nan=False)


def _sentence(result: "IntakeResult") -> str:
    parts = [
        counted(result.faces, "face"),
        *([counted(result.repeats, "repeat reading")] if result.repeats else []),
        *([counted(result.events, "event")] if result.events else []),
        *([f"{result.quarantined:,} in quarantine"] if result.quarantined else []),
        *([f"{result.doubles:,} held already"] if result.doubles else []),
    ]
    changed = f"; {counted(result.new_versions, 'row')} changed, the old one kept" if result.new_versions else ""
    return f"{one_line(result.name)}: {counted(result.rows, 'row')} = {' + '.join(parts)}{changed}"


@contextmanager
def _stopped_by_signal() -> Iterator[None]:
    """Make a request to end (SIGTERM) stop the work as Ctrl+C does, so that a running intake is rolled back whole."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
