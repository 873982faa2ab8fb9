"""The command `lapcell`: one group, whose commands are loaded only when they are used."""

import importlib
import importlib.util
import os
import sqlite3
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from spc.board.board import Board
    from spc.settings import Settings
    from spc.store.store import Store

__all__ = ["COMMANDS", "DONE", "COULD_NOT", "NEEDS_A_PERSON", "Session", "cli", "common_options", "main"]

DONE = 0
NEEDS_A_PERSON = 1
COULD_NOT = 3

# Command -> (module, one line of help). A command whose module is not installed is not listed.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("spc.commands.demo", "Build the invented demonstration cell and open the screens on it."),
    "serve": ("spc.commands.serve", "Open the dashboard in a browser."),
    "ingest": ("spc.commands.ingest", "Take CSV logs into the store."),
    "watch": ("spc.commands.watch", "Take in the logs that are dropped into a folder."),
    "events": ("spc.commands.events", "List lap events; add one, or take in a CSV."),
    "laps": ("spc.commands.laps", "List, describe and retire laps; approve other spellings."),
    "parts": ("spc.commands.parts", "List limits per part number, or set one."),
    "quarantine": ("spc.commands.quarantine", "List rows that wait for a person; fix or discard one."),
    "due": ("spc.commands.due", "Say which laps are due for reconditioning, and why."),
    "age": ("spc.commands.age", "Say how long a lap's cycles last, and when reconditioning costs least."),
    "answer": ("spc.commands.answer", "Keep what was found about a signal, so that the causes are ranked by it."),
    "chart": ("spc.commands.chart", "Chart one lap and say what signals."),
    "limits": ("spc.commands.limits", "Freeze, list, show and replay chart limits."),
    "capability": ("spc.commands.capability", "Give an index with its interval, or refuse with the reason."),
    "gauge": ("spc.commands.gauge", "Say how far readings of one face differ, and plan a gauge study."),
    "conformity": ("spc.commands.conformity", "Say which readings may be accepted, and at what risk."),
    "variation": ("spc.commands.variation", "Say where the spread of the readings comes from."),
    "forecast": ("spc.commands.forecast", "Say how many faces are left under the limit."),
    "report": ("spc.commands.report", "Write a report of a study: HTML, PDF, XLSX, CSV or JSON."),
    "handover": ("spc.commands.handover", "Write the page that one shift leaves to the next."),
    "status": ("spc.commands.status", "Show what the store holds and whether it is sound."),
}

EXIT_CODES = """\b
Exit codes:
  0  done
  1  done, but something needs a person (rows in quarantine, a signal, a lap due)
  2  the command was written wrongly
  3  it could not be done; one sentence on standard error says why"""


@dataclass(slots=True)
class Session:
    """What every command shares: where the store and the settings are, and how to print."""

    store_path: Path
    settings_path: Path | None
    as_json: bool

    def settings(self) -> "Settings":
        """Site settings, or none where no file is named and none lies beside the store."""
        from spc.settings import load_settings

        return load_settings(self.settings_path)

    def store(self, *, create: bool = False) -> "Store":
        """Open the store; use it in a `with` block."""
        from spc.store.store import Store

        return Store.open(self.store_path, create=create)

    def board(self) -> "Board":
        """Look at the store as the screens do: what is due there and here is one result."""
        from spc.board.board import Board

        with self.store():  # a store that is not there or not sound is refused before anything is asked of it
            return Board(self.store_path, self.settings())


class _LazyGroup(click.Group):
    """Imports the module of a command only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name, (module, _) in COMMANDS.items() if _is_there(module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS or not _is_there(COMMANDS[cmd_name][0]):
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in self.list_commands(ctx)])


def _is_there(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


@click.group(cls=_LazyGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lapcell", message="%(prog)s %(version)s")
def cli() -> None:
    """Watch the laps of a lapping cell: what drifts, how many faces are left, what is due.

    The store is one SQLite file: --store PATH, else the environment variable LAPCELL_STORE, else ./lapcell.db.
    Site settings are one TOML file: --settings PATH, else LAPCELL_SETTINGS, else lapcell.toml beside the store.
    """


def common_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command --store, --settings and --json as one `session`, and make every failure one sentence."""

    @click.option("--store", "store_path", type=click.Path(path_type=Path), help="The store's file.")
    @click.option("--settings", "settings_path", type=click.Path(path_type=Path), help="The site settings, TOML.")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
    @wraps(command)
    def run(*, store_path: Path | None, settings_path: Path | None, as_json: bool, **options: Any) -> None:
        store = store_path or Path(os.environ.get("LAPCELL_STORE") or "lapcell.db")
        named = os.environ.get("LAPCELL_SETTINGS")
        settings = settings_path or (Path(named) if named else store.parent / "lapcell.toml")
        known = settings_path is not None or bool(named) or settings.exists()
        session = Session(store, settings if known else None, as_json)
        try:
            code = command(session, **options)
        except BrokenPipeError:
            raise
        except (ValueError, OSError, sqlite3.Error) as error:
            click.echo(f"lapcell: {one_sentence(error)}", err=True)
            code = COULD_NOT
        except KeyboardInterrupt:
            click.echo("lapcell: stopped; a file that was being taken in is not in the store", err=True)
            code = COULD_NOT
        raise SystemExit(DONE if code is None else code)

    return run


def one_sentence(error: BaseException) -> str:
    """Put an error into one line for a person; an unexpected kind is named, so that it can be reported."""
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    # A name from a log may hold marks that a terminal would obey.
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in " ".join(str(error).split()))
    if isinstance(error, sqlite3.Error):
        return f"the store could not be used: {text}"
    return text or type(error).__name__


def main() -> None:
    """Run the command line."""
    # Many small matrices, never a large one: threads of the linear algebra only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        cli(prog_name="lapcell")
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        sys.stderr.close()
        raise SystemExit(DONE) from None


if __name__ == "__main__":
    main()
