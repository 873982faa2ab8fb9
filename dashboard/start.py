"""Starts the screens by the framework's own command; what the first page needs is made ready while a browser loads.

`python -m dashboard.start run APP --server.address ADDRESS --server.port PORT [FLAGS]`, as `lapcell serve` does.
"""

import contextlib
import gc
import socket
import sys
import threading
import time
from pathlib import Path

__all__ = ["main", "make_ready"]

_STEP_S = 0.01
_SWITCH_S = 0.0005  # what a browser asks for goes before what is made ready
_KEEP_AFTER_S = 2.0  # what was made for a page is written down for the next start when nobody waits for it
_PAUSE_S = 2.0  # after the first report, for the page that shows it


def main() -> None:
    """Serve the screens, making them ready meanwhile."""
    gc.disable()  # most of what is loaded stays: looking through it time and again would cost a fifth of the start
    flags = dict(zip(sys.argv[3::2], sys.argv[4::2], strict=False))
    where = flags["--server.address"], int(flags["--server.port"])
    threading.Thread(target=_once_served, args=where, name="lapcell makes ready", daemon=True).start()
    from streamlit.web.cli import main as framework

    framework(prog_name="streamlit")


def make_ready(*, pause_s: float = _PAUSE_S) -> None:
    """Load what pages are drawn with, make the report of the first page, and look at the cell for the first entry.

    Parameters
    ----------
    pause_s : float
        How long to leave the machine to the first page before the cell is looked at once more.
    """
    from dashboard import data
    from spc.board.ahead import forecast_beside
    from spc.settings import SettingsError
    from spc.store.database import StoreError

    with contextlib.suppress(SettingsError, StoreError):  # a page says so when it cannot look itself
        now = data.snapshot()
        board = data.board(now)
        helper = None if board.made else forecast_beside(Path(now.store), Path(now.settings) if now.settings else None)
        import dashboard.views.shift  # noqa: F401  what the first page is drawn with

        board.shift()
        if helper is not None:
            helper.wait()
        time.sleep(pause_s)
        data.look_ahead(now)


def _once_served(address: str, port: int) -> None:
    """Wait for the framework: whatever is loaded beside it, its port would open the later."""
    here = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(address, address)
    while True:
        with contextlib.suppress(OSError), socket.create_connection((here, port), timeout=1.0):
            break
        time.sleep(_STEP_S)
    sys.setswitchinterval(_SWITCH_S)
    from spc.board.kept import write_behind

    write_behind(_KEEP_AFTER_S)
    try:
        make_ready()
    finally:
        gc.freeze()
        gc.enable()


if __name__ == "__main__":
    main()
