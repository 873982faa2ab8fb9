"""A log into the store: one file, one transaction; each row a face, a repeat, an event, quarantined or known already.

What is the same log, and what the same row
-------------------------------------------
A file is known by its text: the same text under another name, with other line ends or in another encoding is the same
delivery and changes nothing. Otherwise it is a delivery of the log of its name (or of the log stated), or, under
another name, of the log whose earlier text stands at its start (at least three rows of it): then it is that log, grown.

Rows with a serial number or a time of day are recognised wherever they come from. Rows with neither are compared only
within their own log, by counting: two logs can hold the same words for different faces, and one log can hold them
twice. If a file carries the name of such a log but less than half of the rows held, it is another log of that name.

A row of the log that is no longer there in its old words, while a new row stands for the same face, is a changed row:
a new version, the old one kept. Rows that are merely no longer there stay, and a remark says so.
A row that another column map, other settings or a new alias read differently becomes a new version, or leaves
quarantine, when the file is delivered again.
"""

import hashlib
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spc.log.columns import ColumnMap, ColumnUse
from spc.log.delivery import Delivery, Tally
from spc.log.dialect import Dialect, LogRefusedError, decode
from spc.log.rereading import reading_digest, reading_notes
from spc.log.rows import ScannedLog, scan_log
from spc.settings import Settings
from spc.store.database import StoreError
from spc.store.store import Store

__all__ = ["IntakeResult", "ingest"]

CHUNK_ROWS = 50_000
_LEAST_START = 3  # rows of an earlier delivery that must stand at the start of a file under another name

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class IntakeResult:
    """What became of one file; rows = faces + repeats + events + quarantined + doubles."""

    name: str
    source: str  # the log it was taken as a delivery of
    sha256: str
    rows: int  # data rows, blank lines not counted
    blank: int
    faces: int
    repeats: int
    events: int
    quarantined: int
    doubles: int  # rows the store held already, and double entries
    new_versions: int  # of the faces, repeats and events: rows that changed one held already
    settled: int  # quarantined rows of earlier deliveries that this one made readable
    refused: bool  # the file as a whole could not be read; `error` says why
    error: str
    remarks: tuple[str, ...]
    dialect: Dialect | None
    columns: tuple[ColumnUse, ...]
    intake_id: int = 0  # 0: nothing was written
    accepted_rows: pd.DataFrame | None = None  # faces columns of the faces and repeats, when asked for
    event_rows: pd.DataFrame | None = None  # events columns of the events, when asked for
    quarantined_rows: pd.DataFrame | None = None  # row_number, raw, reasons, when asked for

    @property
    def accepted(self) -> int:
        """Rows taken in."""
        return self.faces + self.repeats + self.events


@dataclass(frozen=True, slots=True)
class _Text:
    """A file's text, by which it is known again: line ends and encoding made alike, blank ends left out."""

    text: bytes
    n_bytes: int
    digest: str

    def starts_with(self, *, digest: str, n_bytes: int) -> bool:
        if not 0 < n_bytes < self.n_bytes or self.text[n_bytes : n_bytes + 1] != b"\n":
            return False
        return hashlib.sha256(memoryview(self.text)[:n_bytes]).hexdigest() == digest


def ingest(
    store: Store, source: Path | bytes, *, name: str, settings: Settings, column_map: ColumnMap | None = None,
    log: str = "", who: str = "", keep_rows: bool = False, progress: Progress | None = None,
) -> IntakeResult:  # fmt: skip
    """
    Take one CSV log into the store, all of it or, when killed on the way, nothing.

    Parameters
    ----------
    store : Store
    source : Path or bytes
        The file.
    name : str
        Its name, for reports.
    settings : Settings
    column_map : ColumnMap, optional
        Which column feeds which field; left out, found from the headers.
    log : str
        The log it is a delivery of, stated; '' = found (see the module's text).
    who : str
        Who delivers it.
    keep_rows : bool
        Whether the result carries every accepted and every quarantined row.
    progress : callable, optional
        Called with (rows done, rows in all).

    Returns
    -------
    IntakeResult
        A file that cannot be read is a result too: `refused`, with the sentence in `error`.
    """
    try:
        data = source if isinstance(source, bytes) else source.read_bytes()
    except OSError as error:
        return _refused(name, "", f"{name}: the file cannot be read: {error.strerror}", None, ())
    with ThreadPoolExecutor(1) as second:  # hashing leaves the interpreter free: it costs no time beside the reading
        hashed = second.submit(_sha256, data)
        told = second.submit(_text, data, column_map)
        scanned = scan_log(data, name=name, settings=settings, column_map=column_map, aliases=store.aliases())
    sha256 = hashed.result()
    if scanned.refused:
        return _refused(name, sha256, f"{name}: {scanned.refused}", scanned.dialect, scanned.columns)
    try:
        text = told.result()
    except LogRefusedError as error:
        return _refused(name, sha256, f"{name}: {error}", scanned.dialect, scanned.columns)
    n_bytes = len(data)
    del data, hashed, told
    reading = reading_digest(settings, column_map, store.aliases())
    with store.writing(who=who, what=f"{name} taken in"):
        known_as, by_start = _log_of(store, text, name=name, stated=log)
        if _same_delivery(store, text, reading, log=known_as):
            tally = Tally(doubles=scanned.n_rows - scanned.counts["blank"])
            known = "every row is held already: the same text was taken in before"
            if known_as != name and not log:
                known += f" as the log {known_as!r}; if this is another log in the same words, state its name as source"
            return _result(scanned, sha256, known_as, tally, 0, (known,))
        remarks = list(scanned.remarks)
        if not scanned.n_rows:
            remarks.append("the file has a header and no rows under it")
        if by_start:
            remarks.append(
                f"taken as the log {known_as!r}, grown: the text of its earlier delivery stands at the start"
            )
        delivery = Delivery(
            store, scanned, log=known_as, reading=reading, who=who, keep_rows=keep_rows, progress=progress
        )
        tally = delivery.take_in(rows_at_once=CHUNK_ROWS)
        remarks += delivery.remarks
        intake_id = 0
        if tally.wrote:
            intake_id = store.add_intake(
                kind="log", name=name, source=delivery.log, who=who, sha256=sha256, text_digest=text.digest,
                text_bytes=text.n_bytes, reading_digest=reading, bytes=n_bytes, remarks=json.dumps(remarks),
                dialect=json.dumps(_dialect(scanned.dialect)), column_map=reading_notes(scanned, column_map),
                rows=tally.rows, faces=tally.faces, repeats=tally.repeats, events=tally.events,
                quarantined=tally.quarantined, doubles=tally.doubles, new_versions=tally.new_versions,
                **delivery.row_ranges(),
            )  # fmt: skip
        return _result(scanned, sha256, delivery.log, tally, intake_id, tuple(remarks), delivery)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _text(data: bytes, column_map: ColumnMap | None) -> _Text:
    text, _, _ = decode(data, encoding=column_map.encoding if column_map else "")
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n")
    n_bytes = len(text)
    while n_bytes and text[n_bytes - 1] in b" \t\n":  # no copy: the text may be long
        n_bytes -= 1
    return _Text(text, n_bytes, hashlib.sha256(memoryview(text)[:n_bytes]).hexdigest())


def _log_of(store: Store, text: _Text, *, name: str, stated: str) -> tuple[str, bool]:
    """Find the log that a file is a delivery of, and whether it was found by the text at its start."""
    if stated:
        return stated, False
    intakes = store.deliveries()
    same = [one for one in intakes if one.text_digest == text.digest]
    if same:
        return same[-1].source, False
    if any(one.source == name for one in intakes):
        return name, False
    for one in reversed(intakes):
        if one.rows >= _LEAST_START and text.starts_with(digest=one.text_digest, n_bytes=one.text_bytes):
            return one.source, True
    return name, False


def _same_delivery(store: Store, text: _Text, reading: str, *, log: str) -> bool:
    """Whether the text was taken in before as this log, and was last read in the same way."""
    same = [one for one in store.deliveries() if one.text_digest == text.digest and one.source == log]
    return bool(same) and same[-1].reading_digest == reading


def _refused(
    name: str, sha256: str, error: str, dialect: Dialect | None, columns: tuple[ColumnUse, ...]
) -> IntakeResult:
    return IntakeResult(
        name=name, source="", sha256=sha256, rows=0, blank=0, faces=0, repeats=0, events=0, quarantined=0, doubles=0,
        new_versions=0, settled=0, refused=True, error=error, remarks=(), dialect=dialect, columns=columns,
    )  # fmt: skip


def _result(
    scanned: ScannedLog, sha256: str, log: str, tally: Tally, intake_id: int, remarks: tuple[str, ...],
    delivery: Delivery | None = None,
) -> IntakeResult:  # fmt: skip
    blank = scanned.counts["blank"]
    if tally.rows + blank != scanned.n_rows:
        lost = f"{tally.rows} accounted for and {blank} blank of {scanned.n_rows}"
        raise StoreError(
            f"{scanned.name}: rows would be lost ({lost}), so nothing was taken in; this is a fault of lapcell"
        )
    return IntakeResult(
        name=scanned.name, source=log, sha256=sha256, rows=tally.rows, blank=blank, faces=tally.faces,
        repeats=tally.repeats, events=tally.events, quarantined=tally.quarantined, doubles=tally.doubles,
        new_versions=tally.new_versions, settled=tally.settled, refused=False, error="", remarks=remarks,
        dialect=scanned.dialect, columns=scanned.columns, intake_id=intake_id,
        accepted_rows=delivery.accepted_rows() if delivery else None,
        event_rows=delivery.event_rows() if delivery else None,
        quarantined_rows=delivery.quarantined_rows() if delivery else None,
    )  # fmt: skip


def _dialect(dialect: Dialect | None) -> dict[str, object]:
    if dialect is None:
        return {}
    return {
        "encoding": dialect.encoding, "separator": dialect.separator, "quote": dialect.quote,
        "decimal": dialect.decimal, "header_line": dialect.header_line, "first_line": dialect.first_line,
        "evidence": list(dialect.evidence),
    }  # fmt: skip
