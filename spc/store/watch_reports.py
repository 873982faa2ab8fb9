"""What watched folders could not give, reported until put right; and files dropped there that held nothing new."""

import pandas as pd

from spc.store.frames import frame
from spc.store.registers import Registers, now_us

__all__ = ["WatchReports"]

_PROBLEMS = {"folder": "str", "name": "str", "problem": "str", "at": "datetime64[us, UTC]"}
_KNOWN = {"folder": "str", "name": "str", "sentence": "str", "at": "datetime64[us, UTC]"}
_SAME_US = 3_600_000_000  # one file that comes again and again is told once an hour; our own rule


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

    def note_known(self, folder: str, name: str, sentence: str, *, who: str) -> bool:
        """
        Keep that a file was dropped into a watched folder and held nothing new.

        Parameters
        ----------
        folder, name : str
            As in `report_watched`.
        sentence : str
            Why nothing was taken in.
        who : str

        Returns
        -------
        bool
            Whether it was written: the same of the same file is not, within an hour.
        """
        with self.writing(who=who, what=f"{name} held nothing new"):
            last = self._connection.execute(
                "SELECT sentence, at_us FROM watch_known WHERE folder = ? AND name = ? ORDER BY known_id DESC LIMIT 1",
                (folder, name),
            ).fetchone()
            if last and last[0] == sentence and now_us() - last[1] < _SAME_US:
                return False
            self._insert("watch_known", folder=folder, name=name, sentence=sentence, who=who, at_us=now_us())
            return True

    def known_drops(self, *, last: int) -> pd.DataFrame:
        """List the newest so many files dropped that held nothing new, newest first: folder, name, sentence, at."""
        rows = self._connection.execute(
            "SELECT folder, name, sentence, at_us FROM watch_known ORDER BY known_id DESC LIMIT ?", (last,)
        ).fetchall()
        return frame(_KNOWN, rows)
