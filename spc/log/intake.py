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
A log that says again what it said before a change has changed back: new versions again. The same old text under
another name is an old copy and changes nothing; a remark names the newer delivery. What a person corrected, fixed or
withdrew stands when the text that it was about comes again.
A file whose very bytes were taken in before, and would be read in the same way, is known without being read.
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
from spc.log.dialect import Dialect, LogRefusedError
from spc.log.known import Standing, standing_of, text_of
from spc.log.lap_names import are_they_one, laps_written_alike
from spc.log.rereading import reading_digest, reading_notes, with_registered_laps
from spc.log.rows import ScannedLog, scan_log
from spc.settings import Settings
from spc.store.database import StoreError
from spc.store.store import Store

__all__ = ["IntakeResult", "ingest"]

CHUNK_ROWS = 25_000

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
    dialect: Dialect | None  # None, as `columns` is empty, of a file that was known by its bytes and not read
    columns: tuple[ColumnUse, ...]
    intake_id: int = 0  # 0: nothing was written
    accepted_rows: pd.DataFrame | None = None  # faces columns of the faces and repeats, when asked for
    event_rows: pd.DataFrame | None = None  # events columns of the events, when asked for
    quarantined_rows: pd.DataFrame | None = None  # row_number, raw, reasons, when asked for

    @property
    def accepted(self) -> int:
        """Rows taken in."""
        return self.faces + self.repeats + self.events


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
    sha256 = hashlib.sha256(data).hexdigest()
    aliases, settings = store.aliases(), with_registered_laps(settings, store)
    reading = reading_digest(settings, column_map, aliases)
    same = store.delivered_bytes(sha256, reading_digest=reading)
    if same is not None:
        standing = standing_of(store, same.text_digest, name=name, stated=log, reading=reading)
        if standing.known:
            return _known(name, standing, sha256, n_rows=same.rows)
    with ThreadPoolExecutor(1) as second:  # hashing leaves the interpreter free: it costs no time beside the reading
        told = second.submit(text_of, data, column_map)
        scanned = scan_log(data, name=name, settings=settings, column_map=column_map, aliases=aliases)
    if scanned.refused:
        return _refused(name, sha256, f"{name}: {scanned.refused}", scanned.dialect, scanned.columns)
    try:
        text = told.result()
    except LogRefusedError as error:
        return _refused(name, sha256, f"{name}: {error}", scanned.dialect, scanned.columns)
    n_bytes = len(data)
    del data, told
    with store.writing(who=who, what=f"{name} taken in"):
        standing = standing_of(store, text, name=name, stated=log, reading=reading)
        if standing.known:
            return _known(name, standing, sha256, n_rows=scanned.n_rows, scanned=scanned)
        remarks = list(scanned.remarks)
        if not scanned.n_rows:
            remarks.append("the file has a header and no rows under it")
        if standing.by_start:
            remarks.append(
                f"taken as the log {standing.log!r}, grown: the text of its earlier delivery stands at the start"
            )
        delivery = Delivery(
            store, scanned, standing=standing, reading=reading, who=who, keep_rows=keep_rows, progress=progress
        )
        before = set(store.laps()["lap"])
        tally = delivery.take_in(rows_at_once=CHUNK_ROWS)
        alike = laps_written_alike(store.laps()["lap"].tolist())
        remarks += [are_they_one(names) for names in alike if not before.issuperset(names)]
        if standing.back and tally.new_versions:
            remarks.append("the log says again what it said in an earlier delivery: changed back")
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


def _known(
    name: str, standing: Standing, sha256: str, *, n_rows: int, scanned: ScannedLog | None = None
) -> IntakeResult:
    """Give the result of a file that is known; `n_rows` is with blank lines where it was scanned."""
    blank = scanned.counts["blank"] if scanned else 0
    return IntakeResult(
        name=name, source=standing.log, sha256=sha256, rows=n_rows - blank, blank=blank, faces=0, repeats=0, events=0,
        quarantined=0, doubles=n_rows - blank, new_versions=0, settled=0, refused=False, error="",
        remarks=(standing.known,), dialect=scanned.dialect if scanned else None,
        columns=scanned.columns if scanned else (),
    )  # fmt: skip


def _refused(
    name: str, sha256: str, error: str, dialect: Dialect | None, columns: tuple[ColumnUse, ...]
) -> IntakeResult:
    return IntakeResult(
        name=name, source="", sha256=sha256, rows=0, blank=0, faces=0, repeats=0, events=0, quarantined=0, doubles=0,
        new_versions=0, settled=0, refused=True, error=error, remarks=(), dialect=dialect, columns=columns,
    )  # fmt: skip


def _result(
    scanned: ScannedLog, sha256: str, log: str, tally: Tally, intake_id: int, remarks: tuple[str, ...],
    delivery: Delivery,
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
        accepted_rows=delivery.accepted_rows(),
        event_rows=delivery.event_rows(),
        quarantined_rows=delivery.quarantined_rows(),
    )  # fmt: skip


def _dialect(dialect: Dialect | None) -> dict[str, object]:
    if dialect is None:
        return {}
    return {
        "encoding": dialect.encoding, "separator": dialect.separator, "quote": dialect.quote,
        "decimal": dialect.decimal, "header_line": dialect.header_line, "first_line": dialect.first_line,
        "evidence": list(dialect.evidence),
    }  # fmt: skip
