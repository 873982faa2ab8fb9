"""A watched folder: which of its logs are whole, which have changed, and what became of each.

The folder is polled by `os.scandir`, listing and file facts alone: that works on network drives, where notices of the
operating system often do not arrive, needs nothing installed, and costs the same however large the files are. Nothing
in the folder is ever moved, renamed, written or deleted.

Looked for are *.csv, *.txt and *.tsv, in the folder and in the folders directly in it. Left alone are hidden names and
names that programs give to a file they are still writing ('~x.csv', 'x.part', 'x.tmp.csv').

When is a file whole? When its size and times have not changed for a short quiet time; a file whose last line does not
end, or that is empty, waits longer. A file taken in too early does no harm: it is read again when it has grown, and
the intake knows the rows it holds.

A column map beside a log is used: 'week 12.map.toml' for 'week 12.csv', 'folder.map.toml' for every log of its folder
that has none of its own. A map that is added, changed or taken away has its logs read again.

What has been taken in is not remembered here but by the store, which knows the same text again; after a restart every
file is read once more and nothing is taken twice. Files hold faces and events, as for any intake; a register of limits
or of laps is no log, and a watched folder does not take it in.
"""

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from spc.log.columns import ColumnMap, ColumnMapError, load_column_map

if TYPE_CHECKING:
    from spc.log.intake import IntakeResult

__all__ = ["OUTCOMES", "FolderWatch", "NotNowError", "Outcome", "Take", "printable_name"]

# What can become of a file, or of a folder.
OUTCOMES: dict[str, str] = {
    "taken": "rows of it are new in the store",
    "known": "the store held every row of it already",
    "failed": "it cannot be read; it is tried again when it changes",
    "waits": "it is in order, but the store could not take it; it is tried again by itself",
    "cleared": "it had failed, and is now gone or reachable again",
}

QUIET_S = 1.0
OPEN_LINE_QUIET_S = 5.0
AT_ONCE = 10  # files per look, so that a file that has just come is not kept waiting by a long backlog
MOST_BYTES = 1 << 30
_RETRY_S = 5.0
_LONGEST_RETRY_S = 60.0

_ENDINGS = (".csv", ".txt", ".tsv")
_UNFINISHED = frozenset({"part", "partial", "tmp", "temp", "crdownload", "download", "filepart", "swp"})
_MAP = ".map.toml"

Stamp = tuple[int, int, int]  # size, time of last change, time of last change of its facts
Take = Callable[[bytes, str, ColumnMap | None], "IntakeResult"]


class NotNowError(Exception):
    """The store cannot take a file at the moment, for a reason that is not the file's; one sentence."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one file, or of a folder."""

    name: str  # path within the watched folder, '/' between its parts; '' = the watched folder itself
    what: str  # a key of OUTCOMES
    sentence: str  # why; '' for 'taken'
    result: "IntakeResult | None" = None  # of the intake, for 'taken' and 'known', and for a file that was refused
    dropped: bool = False  # the file came, or changed, while the folder was watched


@dataclass(slots=True)
class _File:
    """What is known of one log."""

    path: str
    stamp: tuple[Stamp, str, Stamp | None]  # of the log; path ('' = none) and stamp of its column map
    since_s: float  # watch time at which this stamp was first seen
    late: bool  # came, or changed, while the folder was watched
    failed: bool = False  # was reported as failed, and has not been read since
    done: bool = False  # nothing is to be done until the stamp changes
    open_line: bool = False  # its last line does not end
    tries: int = 0  # in vain, for this stamp
    again_s: float = 0.0  # watch time of the next try
    said: str = ""  # the sentence reported for this stamp


@dataclass(frozen=True, slots=True)
class _Listing:
    """What lies in the folder."""

    logs: dict[str, tuple[str, Stamp]]  # name -> path and stamp
    maps: dict[str, Stamp]  # by path
    lost: dict[str, str]  # folder, '' = the watched one -> why it cannot be listed


class FolderWatch:
    """
    One watched folder.

    Parameters
    ----------
    folder : Path
        It need not be there yet.
    take : callable
        Takes (bytes, name, column map or None) into the store and returns the intake's result; raises `NotNowError`
        when the store cannot take anything at the moment.
    failed : iterable of str
        Names reported as failed by an earlier watch: each is either read now or reported as cleared.
    quiet_s : float
        Seconds for which a file must not change.
    open_line_quiet_s : float
        The same for a file whose last line does not end.
    """

    def __init__(
        self, folder: Path, *, take: Take, failed: Iterable[str] = (), quiet_s: float = QUIET_S,
        open_line_quiet_s: float = OPEN_LINE_QUIET_S,
    ) -> None:  # fmt: skip
        if not 0 < quiet_s <= open_line_quiet_s:
            raise ValueError(f"`quiet_s` must be greater than 0 and at most `open_line_quiet_s`, got {quiet_s}")
        self._folder = folder
        self._take = take
        self.quiet_s, self.open_line_quiet_s = quiet_s, open_line_quiet_s
        self._files: dict[str, _File] = {}
        self._failed_before = set(failed)
        self._lost: dict[str, str] = {}
        self._time_s = 0.0
        self._last: float | None = None
        self._listed_s = -quiet_s
        self._first = True
        self.behind = False  # more files are whole than one look takes
        self.unsettled: tuple[str, ...] = ()  # files that are not yet whole

    def look(self, now: float) -> tuple[Outcome, ...]:
        """
        Look once, and take in what is whole.

        Parameters
        ----------
        now : float
            Seconds of a clock. Between two looks it counts for no more than the quiet time and never backwards, so
            that a clock that jumps, or a computer that slept, makes no file whole.

        Returns
        -------
        tuple of Outcome
            Only what is new since the look before.
        """
        self._time_s += min(max(now - (now if self._last is None else self._last), 0.0), self.quiet_s)
        self._last = now
        outcomes: list[Outcome] = []
        if not self.behind or self._time_s - self._listed_s >= self.quiet_s:  # while behind, read rather than list
            self._listed_s = self._time_s
            outcomes += self._note_changes()
        if "" in self._lost:
            self.behind = False
            return tuple(outcomes)
        due = [(name, file) for name, file in self._files.items() if self._is_due(file)]
        due.sort(key=lambda item: (not item[1].late, item[1].stamp[0][1], item[0]))
        for name, file in due[:AT_ONCE]:
            outcome = self._read(name, file)
            if outcome is not None:
                outcomes.append(outcome)
        self.behind = len(due) > AT_ONCE
        self.unsettled = tuple(name for name, file in self._files.items() if not file.done and not file.tries)
        return tuple(outcomes)

    def read_all_again(self) -> None:
        """Have every file read again, as after a restart: the settings under which they are read have changed."""
        for file in self._files.values():
            file.done, file.late, file.said = False, False, ""

    def _note_changes(self) -> list[Outcome]:
        """List the folder, note what is new, changed or gone; say what is lost, found, or gone after it had failed."""
        listing = _Listing({}, {}, {})
        for folder in self._list(listing, self._folder, ""):
            self._list(listing, self._folder / folder, folder)
        outcomes = self._lost_and_found(listing)
        if "" not in listing.lost:
            self._compare(listing)
            outcomes += self._gone(listing)
            self._first = False
        return outcomes

    def _list(self, listing: _Listing, folder: Path, within: str) -> list[str]:
        """Enter the logs and maps of one folder; return the folders in it."""
        folders = []
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    lower = entry.name.lower()
                    if _is_unfinished(lower):
                        continue
                    try:
                        if lower.endswith(_ENDINGS) and entry.is_file():
                            name = printable_name(f"{within}/{entry.name}" if within else entry.name)
                            listing.logs[name] = (entry.path, _stamp(entry.stat()))
                        elif lower.endswith(_MAP) and entry.is_file():
                            listing.maps[entry.path] = _stamp(entry.stat())
                        elif not within and entry.is_dir():
                            folders.append(entry.name)
                    except OSError:  # went away between the listing and the question
                        continue
        except FileNotFoundError as error:
            if not within:
                listing.lost[within] = f"{folder}: the watched folder is not there: {error.strerror}"
        except OSError as error:
            listing.lost[printable_name(within)] = f"{folder}: the folder cannot be listed: {error.strerror}"
        return sorted(folders)

    def _lost_and_found(self, listing: _Listing) -> list[Outcome]:
        """Say which folders cannot be listed any more, and which can again."""
        lost = [
            Outcome(name, "failed", sentence)
            for name, sentence in listing.lost.items()
            if self._lost.get(name) != sentence
        ]
        if "" in listing.lost:  # of the folders in it nothing is known
            self._lost |= listing.lost
            return lost
        before = set(self._lost) | ({""} & self._failed_before)
        found = [
            Outcome(name, "cleared", f"{self._folder / name}: can be listed again{', or was taken away' * bool(name)}")
            for name in sorted(before - set(listing.lost))
        ]
        self._lost = dict(listing.lost)
        self._failed_before -= {"", *listing.lost}
        return lost + found

    def _compare(self, listing: _Listing) -> None:
        """Note what is new and what has changed."""
        for name, (path, stamp) in listing.logs.items():
            column_map = self._map_of(path, listing.maps)
            whole = (stamp, column_map, listing.maps.get(column_map))
            known = self._files.get(name)
            if known is None or known.stamp != whole:
                failed = known.failed if known else name in self._failed_before
                self._files[name] = _File(path, whole, self._time_s, late=not self._first, failed=failed)

    def _map_of(self, log: str, maps: dict[str, Stamp]) -> str:
        """Path of the column map of a log, the nearest one; '' for none."""
        if not maps:
            return ""
        own = os.path.splitext(log)[0] + _MAP
        shared = (os.path.join(folder, "folder" + _MAP) for folder in (os.path.dirname(log), self._folder))
        return next((path for path in (own, *shared) if path in maps), "")

    def _gone(self, listing: _Listing) -> list[Outcome]:
        """Forget files that are no longer there; say so of those that had failed."""
        gone = []
        for name in sorted((set(self._files) | self._failed_before) - set(listing.logs)):
            if name.rpartition("/")[0] in listing.lost:
                continue
            file = self._files.pop(name, None)
            if name in self._failed_before or (file is not None and file.failed):
                gone.append(Outcome(name, "cleared", f"{name}: was taken away"))
            self._failed_before.discard(name)
        self._failed_before -= set(listing.logs)
        return gone

    def _is_due(self, file: _File) -> bool:
        quiet_s = self.open_line_quiet_s if file.open_line else self.quiet_s
        return not file.done and self._time_s - file.since_s >= quiet_s and self._time_s >= file.again_s

    def _read(self, name: str, file: _File) -> Outcome | None:
        """Read one file that seems whole; None when it is not, or when there is nothing new to say."""
        size = file.stamp[0][0]
        if size > MOST_BYTES:
            sentence = f"{name}: holds {size / 2**30:.1f} GiB, more than a log can; at most 1 GiB is read"
            return self._settle(name, file, "failed", sentence)
        try:
            before = _stamp(os.stat(file.path))
            if before[:2] != file.stamp[0][:2]:
                return None  # the next listing sees it
            data = Path(file.path).read_bytes()
            after = _stamp(os.stat(file.path))
        except FileNotFoundError:
            return None  # the next listing says that it is gone
        except OSError as error:  # locked by another program, not allowed, or the drive is away
            return self._try_again(name, file, "failed", f"{name}: the file cannot be read: {error.strerror}")
        if before != after or len(data) != after[0]:
            return None
        file.open_line = not data.removesuffix(b"\0").endswith((b"\n", b"\r"))  # the zero: UTF-16
        if not self._is_due(file):
            return None
        try:
            column_map = load_column_map(file.stamp[1]) if file.stamp[1] else None
            result = self._take(data, name, column_map)
        except ColumnMapError as error:
            return self._settle(name, file, "failed", f"{name}: is not read, as its column map cannot be: {error}")
        except NotNowError as error:
            return self._try_again(name, file, "waits", f"{name}: waits: {error}")
        except Exception as error:  # one file must not end the watch for all others; the sentence names the fault
            fault = f"{name}: could not be taken in: {type(error).__name__}: {error}; this is a fault of lapcell"
            return self._settle(name, file, "failed", fault)
        if result.refused:
            return self._settle(name, file, "failed", result.error, result)
        what = "taken" if result.intake_id else "known"
        return self._settle(name, file, what, "; ".join(result.remarks) if what == "known" else "", result)

    def _settle(
        self, name: str, file: _File, what: str, sentence: str, result: "IntakeResult | None" = None
    ) -> Outcome:
        file.done, file.failed, file.said = True, what == "failed", sentence
        return Outcome(name, what, sentence, result, dropped=file.late)

    def _try_again(self, name: str, file: _File, what: str, sentence: str) -> Outcome | None:
        file.again_s = self._time_s + min(_RETRY_S * 2**file.tries, _LONGEST_RETRY_S)
        file.tries = min(file.tries + 1, 10)
        if file.said == sentence:
            return None
        file.failed, file.said = file.failed or what == "failed", sentence
        return Outcome(name, what, sentence)


def _stamp(facts: os.stat_result) -> Stamp:
    return facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def _is_unfinished(name: str) -> bool:
    """Whether a name (in small letters) is hidden, or one that programs give to a file they are still writing."""
    return name.startswith((".", "~", "#")) or not _UNFINISHED.isdisjoint(name.split(".")[1:])


def printable_name(name: str) -> str:
    """Make a file's name storable: bytes that are no text in the system's encoding are written out."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")
