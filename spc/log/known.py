"""Which log a file's text is a delivery of, and what that log says of it: new, known, an older copy, or a change back.

A text that its log delivered before, and has since delivered otherwise, is two different things by the name it comes
under. Under the log's own name the log says again what it said before: a change back. Under another name it is an old
copy that somebody found; it changes nothing.
"""

import hashlib
import re
from dataclasses import dataclass, replace

from spc.log.columns import ColumnMap
from spc.log.dialect import decode
from spc.log.moments import shown_time
from spc.store.quarantine import Delivered
from spc.store.store import Store

__all__ = ["FileText", "Standing", "standing_of", "text_of"]

_LEAST_START = 3  # rows of an earlier delivery that must stand at the start of a file under another name


@dataclass(frozen=True, slots=True)
class FileText:
    """A file's text, by which it is known again: line ends and encoding made alike, blank ends left out."""

    text: bytes
    n_bytes: int
    digest: str

    def starts_with(self, *, digest: str, n_bytes: int) -> bool:
        """Whether a shorter text, whole lines of it, stands at the start."""
        if not 0 < n_bytes < self.n_bytes or self.text[n_bytes : n_bytes + 1] != b"\n":
            return False
        return hashlib.sha256(memoryview(self.text)[:n_bytes]).hexdigest() == digest

    def grown_lines(self, newest: Delivered | None, *, reading: str) -> int:
        """Count the lines at the start that are the whole text of a delivery read in the same way; 0 = not so."""
        if newest is None or newest.reading_digest != reading:
            return 0
        if not self.starts_with(digest=newest.text_digest, n_bytes=newest.text_bytes):
            return 0
        return self.text.count(b"\n", 0, newest.text_bytes) + 1


@dataclass(frozen=True, slots=True)
class Standing:
    """What a text is to the log that it is a delivery of."""

    log: str
    own: bool  # it comes under the log's own name, so that its changes are the log's changes
    known: str = ""  # why there is nothing to take in; '' = there may be
    back: bool = False  # the log said the same before the delivery that is now its newest
    by_start: bool = False  # the log was found by its earlier text at the start of this one
    grown_lines: int = 0  # lines at the start that are the whole of its newest delivery, read as now; 0 = none


def text_of(data: bytes, column_map: ColumnMap | None) -> FileText:
    """
    Make the text by which a file is known again.

    Parameters
    ----------
    data : bytes
        The file.
    column_map : ColumnMap or None
        States the encoding, where it is stated.

    Returns
    -------
    FileText

    Raises
    ------
    LogRefusedError
        If the bytes are no text.
    """
    text, _, _ = decode(data, encoding=column_map.encoding if column_map else "")
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n")
    n_bytes = len(text)
    while n_bytes and text[n_bytes - 1] in b" \t\n":  # no copy: the text may be long
        n_bytes -= 1
    return FileText(text, n_bytes, hashlib.sha256(memoryview(text)[:n_bytes]).hexdigest())


def standing_of(store: Store, text: FileText | str, *, name: str, stated: str, reading: str) -> Standing:
    """
    Find the log of a text, and how the text stands to what that log delivered last.

    Parameters
    ----------
    store : Store
    text : FileText or str
        The text; its digest is enough where it was delivered before.
    name : str
        The file's name.
    stated : str
        The log as stated; '' = find it.
    reading : str
        Digest of column map, settings and aliases; a text read otherwise than before is not known.

    Returns
    -------
    Standing
    """
    digest = text if isinstance(text, str) else text.digest
    same = store.deliveries(text_digest=digest)
    if stated:
        same = [one for one in same if one.source == stated]
    else:
        same = [one for one in same if _is_own(one.source, name)] or same
    if not same:
        new = Standing(stated, own=True) if stated else _by_start(store, text, name)
        if isinstance(text, str):
            return new
        return replace(new, grown_lines=text.grown_lines(store.newest_delivery(new.log), reading=reading))
    log = same[-1].source
    own = bool(stated) or _is_own(log, name)
    newest = store.newest_delivery(log)
    if newest is not None and newest.text_digest != digest:
        return Standing(log, own, back=True) if own else Standing(log, own, known=_older(log, newest))
    if same[-1].reading_digest != reading:
        return Standing(log, own)
    known = "every row is held already: the same text was taken in before"
    if log != name and not stated:
        known += f" as the log {log!r}; if this is another log in the same words, state its name as source"
    return Standing(log, own, known=known)


def _by_start(store: Store, text: FileText | str, name: str) -> Standing:
    if not isinstance(text, str) and not store.newest_delivery(name):
        for one in reversed(store.deliveries()):
            if one.rows >= _LEAST_START and text.starts_with(digest=one.text_digest, n_bytes=one.text_bytes):
                return Standing(one.source, own=False, by_start=True)
    return Standing(name, own=True)


def _is_own(log: str, name: str) -> bool:
    """Whether a log carries that name, by itself or with the number by which it was told from others of the name."""
    return log == name or re.fullmatch(rf"{re.escape(name)} \(\d+\)", log) is not None


def _older(log: str, newest: Delivered) -> str:
    under = f" as {newest.name!r}" if newest.name != log else ""
    return (
        f"nothing is taken from it: it is an older copy of the log {log!r}, whose delivery {newest.intake_id} of "
        f"{shown_time(newest.at_us, '')}{under} is newer and stands"
    )
