"""Makes the forecasts of every lap and its bow, and keeps them, for a process that reports on the same cell meanwhile.

`python -m spc.board.ahead STORE SETTINGS`; SETTINGS '' = none.
"""

import subprocess
import sys
from pathlib import Path

from spc.board.kept import keeps

__all__ = ["forecast_ahead", "forecast_beside"]


def forecast_beside(store: Path, settings: Path | None) -> "subprocess.Popen[bytes] | None":
    """Begin `forecast_ahead` in a process of its own; None where nothing is kept that it could hand over."""
    if not keeps() or not store.exists():
        return None
    return subprocess.Popen([sys.executable, "-P", "-m", "spc.board.ahead", str(store), str(settings or "")])


def forecast_ahead(store: Path, settings: Path | None) -> None:
    """Forecast every lap of a store, and fit its bow; what is found lies in the folder of kept results.

    Parameters
    ----------
    store : Path
    settings : Path or None
    """
    from spc.board.bow_signals import running_bow
    from spc.board.cell_view import look_at_cell
    from spc.board.lap_forecast import forecast_laps
    from spc.board.room_history import NO_ROOM
    from spc.settings import load_settings
    from spc.store.store import Store

    with Store.open(store, create=False) as opened:
        view = look_at_cell(opened, load_settings(settings))
    forecast_laps(view)
    for lap in view.by_lap:
        running_bow(view, lap, NO_ROOM)


if __name__ == "__main__":
    forecast_ahead(Path(sys.argv[1]), Path(sys.argv[2]) if sys.argv[2] else None)
