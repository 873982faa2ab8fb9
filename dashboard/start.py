"""Starts the screens by the framework's own command; what the first page needs is made ready while a browser loads.

`python -m dashboard.start run APP [FLAGS]`, as `lapcell serve` does.
"""

import contextlib
import subprocess
import sys
import threading
import time
from pathlib import Path

__all__ = ["main", "make_ready"]

_STEP_S = 0.01
_PAUSE_S = 2.0  # after the first report, for the page that shows it


def main() -> None:
    """Serve the screens, making them ready meanwhile."""
    threading.Thread(target=_once_served, name="lapcell makes ready", daemon=True).start()
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
    from spc.settings import SettingsError
    from spc.store.database import StoreError

    with contextlib.suppress(SettingsError, StoreError):  # a page says so when it cannot look itself
        now = data.snapshot()
        board = data.board(now)
        helper = None if board.made else _forecast_beside(now.store, now.settings)
        import dashboard.views.shift  # noqa: F401  what the first page is drawn with

        board.shift()
        if helper is not None:
            helper.wait()
        time.sleep(pause_s)
        data.look_ahead(now)


def _once_served() -> None:
    """Wait for the framework: whatever it loads first, its port is open the sooner."""
    while not getattr(sys.modules.get("streamlit.runtime"), "exists", bool)():
        time.sleep(_STEP_S)
    make_ready()


def _forecast_beside(store: str, settings: str) -> "subprocess.Popen[bytes] | None":
    """Make the forecasts of every lap in a process of its own, where they can be handed over."""
    from spc.board.kept import keeps

    if not keeps() or not Path(store).exists():
        return None
    return subprocess.Popen([sys.executable, "-m", "spc.board.ahead", store, settings])


if __name__ == "__main__":
    main()
