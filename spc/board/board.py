"""The whole board at one moment: the cell looked at once, each lap's report made once, when it is first asked for."""

import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from spc.board.kept import digest_of_values, find_kept, keep
from spc.board.results import LapReport, ShiftReport
from spc.settings import Settings
from spc.store.database import state_of
from spc.store.store import Store

if TYPE_CHECKING:  # what makes a report is loaded when one has to be made
    from spc.board.cell_charts import CellCharts
    from spc.board.cell_view import CellView
    from spc.board.room_history import RoomHistory

__all__ = ["Board"]

_MOST_KEPT = 4  # shift reports kept between runs


class Board:
    """What screens and commands ask of one state of one store; safe to share between threads.

    Parameters
    ----------
    path : Path
        The store.
    settings : Settings

    Notes
    -----
    Nothing is read before it is asked for. A replayed log, whose clock the settings give, always gives the same shift
    report for the same revision: it is kept between runs, and the first screen needs no more than that.
    """

    def __init__(self, path: Path, settings: Settings) -> None:
        self._path = path
        self._settings = settings
        self._lock = threading.RLock()
        self._seen: tuple[CellView, CellCharts, RoomHistory] | None = None
        self._laps: dict[str, LapReport] = {}
        self._single: dict[str, LapReport] = {}
        self._out: dict[str, str] = {}
        self._digest = self._replayed_digest()
        found = find_kept("shift", self._digest) if self._digest else None
        self._shift = found if isinstance(found, ShiftReport) else None

    @property
    def made(self) -> bool:
        """Whether the shift report is at hand."""
        return self._shift is not None

    def look(self) -> "tuple[CellView, CellCharts, RoomHistory]":
        """Give the cell, its charts and what the room did."""
        from spc.board.cell_charts import chart_cell
        from spc.board.cell_view import look_at_cell
        from spc.board.room_history import look_at_room

        with self._lock:
            if self._seen is None:
                with Store.open(self._path) as store:
                    view = look_at_cell(store, self._settings)
                if self._digest != self._replayed_digest():
                    self._digest = ""  # the store has grown meanwhile: right to show, not to keep under the old name
                charts = chart_cell(view)
                self._seen = view, charts, look_at_room(view, charts)
            return self._seen

    def lap(self, name: str) -> LapReport:
        """Report on one lap; raises `UnknownLapError` when no log and no register names it."""
        with self._lock:
            if self._shift is not None and not self._laps:
                self._laps = {report.lap: report for report in self._shift.laps}
            if name not in self._laps:
                from spc.board.answers import with_lap_that_serves
                from spc.board.lap_report import known_lap
                from spc.board.lap_that_serves import lap_that_serves

                view, _, _ = self.look()
                known_lap(view, name)
                own = self._by_itself(name)
                serves = lap_that_serves(
                    view, name, out_of_use=self._out_of_use, state_of=lambda other: self._by_itself(other).state
                )
                self._laps[name] = replace(own, answers=with_lap_that_serves(own.answers, serves))
            return self._laps[name]

    def _by_itself(self, name: str) -> LapReport:
        """Report on one lap without the answer that hangs on the states of others."""
        if name not in self._single:
            from spc.board.lap_report import report_of

            view, charts, room = self.look()
            self._single[name] = report_of(view, charts, name, room=room)
        return self._single[name]

    def _out_of_use(self, name: str) -> str:
        """Say once why nothing may go on a lap; '' = it may."""
        if name not in self._out:
            from spc.board.lap_that_serves import why_out_of_use

            self._out[name] = why_out_of_use(self.look()[0], name)
        return self._out[name]

    def shift(self) -> ShiftReport:
        """Report on the whole cell."""
        with self._lock:
            if self._shift is None:
                self._shift = self._report()
                if self._digest:
                    keep("shift", self._digest, self._shift, place=str(self._path), most=_MOST_KEPT)
            return self._shift

    def _report(self) -> ShiftReport:
        from spc.board.shift import shift_of

        view, charts, room = self.look()
        return shift_of(view, charts, [self.lap(str(name)) for name in view.laps["lap"]], room=room)

    def _replayed_digest(self) -> str:
        """Digest of all that the shift report hangs on; '' where that is the wall clock too."""
        if self._settings.clock is None:
            return ""
        return digest_of_values(*state_of(self._path), repr(self._settings))
