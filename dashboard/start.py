"""Starts the web server of the screens; what the first page needs is made ready while a browser loads.

`python -m dashboard.start ADDRESS PORT [HOST ...]`, as `lapcell serve` does; HOST is a name that is answered to.
"""

import asyncio
import contextlib
import gc
import sys
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

__all__ = ["main", "make_ready", "server_options"]

_HEAD_START_S = 0.25  # of the server, before what is made ready takes time from it
_SWITCH_S = 0.0005  # what a browser asks for goes before what is made ready
_KEEP_AFTER_S = 2.0  # what was made for a page is written down for the next start when nobody waits for it
_PAUSE_S = 2.0  # after the first report, for the page that shows it


def main() -> None:
    """Serve the screens, making them ready meanwhile."""
    gc.disable()  # most of what is loaded stays: looking through it time and again would cost a fifth of the start
    address, port, *hosts = sys.argv[1:]
    from starlette.middleware import Middleware
    from streamlit.starlette import App

    screens = App(Path(__file__).parent / "app.py", lifespan=_life, middleware=[Middleware(_Opened)])
    screens.run(config=server_options(address, int(port), hosts))


@contextlib.asynccontextmanager
async def _life(_app: object) -> AsyncIterator[None]:
    """Make ready once the server answers: whatever is loaded beside it, it would answer the later."""
    ready = threading.Thread(target=_once_served, name="lapcell makes ready", daemon=True)
    asyncio.get_running_loop().call_later(_HEAD_START_S, ready.start)
    yield


class _Opened:
    """The layer that puts style and first words into a page, loaded when the first browser asks."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self._layer: Any = None

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if self._layer is None:
            from dashboard.opening import Opening

            self._layer = Opening(self._app)
        await self._layer(scope, receive, send)


def server_options(address: str, port: int, hosts: list[str]) -> dict[str, object]:
    """Return the options of the web server, safe defaults spelled out.

    Parameters
    ----------
    address : str
        Address to listen on.
    port : int
        Port, 1 to 65535.
    hosts : list of str
        Names that a request may ask for.
    """
    return {
        "server.address": address,
        "server.port": port,
        "server.allowedHosts": hosts,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": 64,
        "browser.gatherUsageStats": False,
        "client.showErrorDetails": "none",
        "client.toolbarMode": "minimal",
    }


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
        from dashboard.parts.display import first_display
        from dashboard.parts.page import Page
        from dashboard.theme import LIGHT
        from dashboard.views.shift import keep_first

        board.shift()
        site = data.settings(now)
        seen = first_display(site)
        keep_first(Page(now, site, LIGHT, seen.unit, unit_as_typed=seen.as_typed, numbers=seen.numbers))
        if helper is not None:
            helper.wait()
        time.sleep(pause_s)
        data.look_ahead(now)


def _once_served() -> None:
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
