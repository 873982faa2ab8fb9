"""The invented cell on its way into an empty log: it goes on to its end, whoever leaves the page that asked for it."""

import threading
import time
from pathlib import Path

import streamlit as st

__all__ = ["Filling", "fill", "filling_of", "wait_for"]

_STEP_S = 0.2


class Filling:
    """One log being filled, by a thread of its own."""

    def __init__(self, folder: Path) -> None:
        self.done, self.total = 0, 1  # papers
        self.error: Exception | None = None
        self._folder = folder
        self._thread = threading.Thread(target=self._run, name="lapcell fills an empty log", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether papers are still to be taken in."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            from demo_data.scenario import build

            build(self._folder, progress=self._told)
        except Exception as error:  # told on the page that waits
            self.error = error

    def _told(self, done: int, total: int) -> None:
        self.done, self.total = done, max(1, total)


_OF_FOLDER: dict[Path, Filling] = {}
_LOCK = threading.Lock()


def fill(folder: Path) -> Filling:
    """Begin to fill the log of a folder, or join whoever asked for it a moment ago."""
    with _LOCK:
        under_way = _OF_FOLDER.get(folder)
        if under_way is None or not under_way.running:
            under_way = _OF_FOLDER[folder] = Filling(folder)
        return under_way


def filling_of(folder: Path) -> Filling | None:
    """Return the filling of a folder's log that is under way, if one is."""
    under_way = _OF_FOLDER.get(folder)
    return under_way if under_way is not None and under_way.running else None


def wait_for(under_way: Filling) -> None:
    """Show how far it is, then draw the page of the full log; what went wrong is raised."""
    bar = st.progress(0.0, text="Inventing four months of faces")
    while under_way.running:
        if under_way.done:
            bar.progress(under_way.done / under_way.total, text="Taking in the papers")
        time.sleep(_STEP_S)
    if under_way.error is not None:
        raise under_way.error
    st.rerun()
