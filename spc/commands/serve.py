"""`lapcell serve`: open the screens in a browser, on this machine alone unless told otherwise."""

import errno
import importlib.util
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click

from spc.attended import attended_command
from spc.cli import DONE, Session, common_options
from spc.commands.output import print_json
from spc.commands.watch import watch_command
from spc.store.database import connect

__all__ = ["attend", "command", "screen_command"]

_RESTART_S = 10.0  # the least time from one start of the watch to the next
# Matrices here are small: threads that share one product cost more than they save. What a person has set stands.
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")


@click.command("serve")
@click.option("--port", type=click.IntRange(1, 65535), default=8501, show_default=True, help="Port of the screens.")
@click.option("--address", default="127.0.0.1", show_default=True, help="Listen on; 0.0.0.0 = every network.")
@click.option("--host", "hosts", multiple=True, help="A name other machines reach these screens by; may be repeated.")
@click.option(
    "--watch", "folder", metavar="DIR", type=click.Path(path_type=Path),
    help="Take in the logs dropped into this folder, see `lapcell watch`.",
)  # fmt: skip
@common_options
def command(session: Session, *, port: int, address: str, hosts: tuple[str, ...], folder: Path | None) -> int:
    """Open the screens: shift, lap, proof and log.

    They listen on this machine alone unless `--address` says otherwise. There is no sign-in: whoever reaches the
    address may read and write the log. With --json the address is printed as one document before they start.
    """
    session.settings()  # a settings file that cannot be read is said here, not on the screens
    environment = _ONE_THREAD | os.environ | {"LAPCELL_STORE": str(session.store_path.resolve())}
    if session.settings_path is not None:
        environment["LAPCELL_SETTINGS"] = str(session.settings_path.resolve())
    if folder is not None:
        if folder.exists() and not folder.is_dir():
            raise ValueError(f"{folder}: is a file; name the folder that it lies in")
        environment["LAPCELL_WATCH"] = str(folder.resolve())
    shown = "localhost" if address in ("127.0.0.1", "0.0.0.0", "::") else address
    url = f"http://{shown}:{port}"
    _refuse_taken_port(address, port, url)
    connect(session.store_path).close()  # so is a file that is no store
    if session.as_json:
        print_json({"url": url, "store": environment["LAPCELL_STORE"]})
    else:
        click.echo(f"The screens are at {url} (stop with Ctrl+C).")
    sys.stdout.flush()
    lines_to = sys.stderr if session.as_json else None  # standard output is the one document

    lifeline, _held = os.pipe()  # held open by this process alone: it closes with it, and they end, see `spc.attended`

    def start_watch() -> "subprocess.Popen[bytes] | None":
        if folder is None:
            return None
        return subprocess.Popen(watch_command(folder.resolve()), env=environment, stdin=lifeline, stdout=lines_to)

    screens = subprocess.Popen(screen_command(port=port, address=address, hosts=hosts), env=environment, stdin=lifeline)
    signal.signal(signal.SIGTERM, lambda *_: screens.terminate())
    code = attend(screens, start_watch)
    if code > 0:
        raise ValueError(f"the screens stopped with code {code}; the lines above say why")
    return DONE


def attend(screens: "subprocess.Popen[bytes]", start_watch: Callable[[], "subprocess.Popen[bytes] | None"]) -> int:
    """Wait for the screens to end; keep the watch of a folder alive meanwhile, and end it with them.

    Parameters
    ----------
    screens : subprocess.Popen
    start_watch : callable
        Starts the watch; gives None where no folder is watched.

    Returns
    -------
    int
        The screens' exit code; 0 when a person ended them.
    """
    watch, started = start_watch(), time.monotonic()
    try:
        while True:
            try:
                return screens.wait(timeout=None if watch is None else 1.0)
            except subprocess.TimeoutExpired:
                ended = watch is not None and watch.poll() is not None
                if ended and time.monotonic() - started >= _RESTART_S:
                    click.echo("lapcell: the watch of the folder stopped, and is started again", err=True)
                    watch, started = start_watch(), time.monotonic()
    except KeyboardInterrupt:
        screens.terminate()
        screens.wait()
        return DONE
    finally:
        if watch is not None:
            watch.terminate()
            watch.wait()


def screen_command(*, port: int, address: str = "127.0.0.1", hosts: tuple[str, ...] = ()) -> list[str]:
    """Return the command line that serves the screens.

    Parameters
    ----------
    port : int
        Port, 1 to 65535.
    address : str
        Address to listen on.
    hosts : tuple of str
        Names allowed in a request besides the loopback names and the address; for any name at all give '*'.

    Returns
    -------
    list of str

    Raises
    ------
    ValueError
        If the screens are not installed beside this package.
    """
    if importlib.util.find_spec("dashboard") is None:
        raise ValueError("the screens are not installed; install lapcell again, complete")
    allowed = dict.fromkeys([*_LOOPBACK, *_reached_by(address), *hosts])
    return attended_command("dashboard.start", address, str(port), *allowed)


def _reached_by(address: str) -> list[str]:
    if address in ("0.0.0.0", "::"):
        return [socket.gethostname()]
    return [address]


def _refuse_taken_port(address: str, port: int, url: str) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            cannot = f"the screens cannot listen on {address}:{port}"
            if error.errno == errno.EADDRINUSE:
                raise ValueError(
                    f"{cannot}: a program listens there already; it may be the screens, up at {url}; if it is not, "
                    "choose another with --port"
                ) from None
            raise ValueError(f"{cannot}: {error.strerror or error}; choose another with --port") from None
