"""What watched folders could not give: reported until it is put right, so that the screens can say so."""

import pandas as pd

from spc.store.frames import frame
from spc.store.registers import Registers, now_us

__all__ = ["WatchReports"]

_PROBLEMS = {"folder": "str", "name": "str", "problem": "str", "at": "datetime64[us, UTC]"}


class WatchReports(Registers):
    """The reports of folder watches; base of `Store`."""

    def report_watched(self, folder: str, name: str, problem: str, *, who: str) -> bool:
        """
        Keep what is wrong with a file of a watched folder, or that nothing is any more.

        Parameters
        ----------
        folder : str
            The watched folder's whole path.
        name : str
            The file within it; '' = the folder itself.
        problem : str
            A sentence; '' = put right, or taken away.
        who : str

        Returns
        -------
        bool
            Whether this is new; what was reported last is not written a second time.
        """
        with self.writing(who=who, what=f"{name or folder} {'reported' if problem else 'put right'}"):
            last = self._connection.execute(
                "SELECT problem FROM watch_report WHERE folder = ? AND name = ? ORDER BY report_id DESC LIMIT 1",
                (folder, name),
            ).fetchone()
            if problem == (last[0] if last else ""):
                return False
            self._insert("watch_report", folder=folder, name=name, problem=problem, who=who, at_us=now_us())
            return True

    def watch_problems(self, *, folder: str | None = None) -> pd.DataFrame:
        """List what is wrong with files of watched folders, or of one: folder, name ('' = the folder), problem, at."""
        rows = self._connection.execute(
            "SELECT folder, name, problem, at_us FROM watch_report WHERE report_id IN "
            "(SELECT max(report_id) FROM watch_report GROUP BY folder, name) "
            "AND problem <> '' AND coalesce(?, folder) = folder ORDER BY folder, name",
            (folder,),
        ).fetchall()
        return frame(_PROBLEMS, rows)
