"""Where the screens find the store and the settings, what is a page, and which stretch of the clock it is; light."""

import os
import time
from pathlib import Path

from spc.settings import Settings

__all__ = ["is_page", "settings_file", "slot_now", "store_path"]

_SLOT_SECONDS = 300  # how often what hangs on the clock alone (stale, which shift) is worked out anew


def is_page(path: str) -> bool:
    """Whether the address of a request is that of a page, '/' or '/lap', and not of a file or a connection."""
    name = path.strip("/")
    return not name.startswith("_") and "/" not in name and "." not in name


def store_path() -> Path:
    """Return the store that the screens are of."""
    return Path(os.environ.get("LAPCELL_STORE") or "lapcell.db")


def settings_file() -> tuple[str, int]:
    """Return the settings file and the nanosecond of its last change; ('', 0) = none."""
    named = os.environ.get("LAPCELL_SETTINGS")
    path = Path(named) if named else store_path().parent / "lapcell.toml"
    if not path.is_file():
        return (str(path), 0) if named else ("", 0)
    return str(path), path.stat().st_mtime_ns


def slot_now(settings: Settings) -> int:
    """Return the number of this stretch of the wall clock; always 0 for a replayed log, whose clock stands still."""
    return 0 if settings.clock is not None else int(time.time()) // _SLOT_SECONDS
