"""From a CSV log to rows: every data row ends as a face, an event, quarantine with its reasons, or blank.

Nothing is lost: row numbers run without a gap and each row keeps its raw text. No disk of record is touched.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from spc.log.clock import read_times
from spc.log.coded import Coded, Sentences, as_written, constant, joined
from spc.log.columns import MINIMUM, ColumnMap, ColumnMapError, ColumnUse, match_columns
from spc.log.dialect import Dialect, LogRefusedError, decode, find_dialect
from spc.log.draft import Draft, Picked
from spc.log.fields import (
    read_events,
    read_grits,
    read_laps,
    read_methods,
    read_minutes,
    read_quantities,
    read_shapes,
    read_words,
)
from spc.log.lexicon import READINGS
from spc.log.records import Records, header_cells, split_records
from spc.log.rubbing import read_rubbing, without_doubtful
from spc.log.words import EMPTY_CELLS, MISSING_CELLS
from spc.measure.rubbing import QUANTITIES
from spc.settings import Settings

__all__ = ["OUTCOMES", "ROW_COLUMNS", "ParsedLog", "ScannedLog", "read_log", "scan_log"]

OUTCOMES: tuple[str, ...] = ("blank", "face", "event", "quarantine")
_FREE = ("time", "time_end", "serial", "note")  # texts that may differ in every row
CHUNK_ROWS = 50_000

_ABSENT = {"kind": "face", "planned": None}  # of the text columns, what stands where the file has none
_NUMBERS = (
    "grit_um", "cutoff_mm", "coverage", "temperature_c", "grit_from_um", "before_um", "after_um", "removed_um",
    "from_mm", "to_mm", *(q.column for q in QUANTITIES.values()),
    *(f"{c}_{end}_um" for c in READINGS for end in ("low", "high")),
)  # fmt: skip
ROW_COLUMNS: tuple[str, ...] = (
    "row_number", "raw", "outcome", "reasons", "remarks", "kind", "lap", "operator", "grit", "grit_um", "part",
    "serial", "face", "stage", "attempt", "minutes", "time_utc", "time_text", "sort_us", "shift", "shift_date",
    *(f"{c}_{part}" for c in READINGS for part in ("low_um", "high_um", "text")),
    "flatness_unit", "lamp", "shape", "method", "cutoff_mm", "coverage", "face_outcome", "scratch", "temperature_c",
    *(name for field, q in QUANTITIES.items() for name in (q.column, f"{field}_text")),
    "note", "material", "event", "grit_from", "grit_from_um", "abrasive", "lot", "reason", "planned", "found_late",
    "before_um", "after_um", "removed_um", "from_mm", "to_mm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ParsedLog:
    """One log, read whole."""

    name: str
    refused: str  # why the whole file cannot be read, '' if it can
    dialect: Dialect | None  # None when refused before it was found
    columns: tuple[ColumnUse, ...]  # how each header was understood
    remarks: tuple[str, ...]  # on the whole file
    rows: pd.DataFrame  # ROW_COLUMNS, one row per data row of the file, in file order

    @property
    def counts(self) -> dict[str, int]:
        """Rows per outcome; they add up to the file's data rows."""
        found = self.rows["outcome"].value_counts()
        return {o: int(found.get(o, 0)) for o in OUTCOMES}


@dataclass(frozen=True, slots=True)
class ScannedLog:
    """One log, understood but not yet written out: `frames` makes the row frame piece by piece."""

    name: str
    refused: str
    dialect: Dialect | None
    columns: tuple[ColumnUse, ...]
    remarks: tuple[str, ...]
    n_rows: int
    outcome: NDArray[np.int8]  # (n_rows,), index into OUTCOMES
    _records: Records | None
    _draft: Draft | None
    _clock: Mapping[str, NDArray[np.int64]]

    @property
    def counts(self) -> dict[str, int]:
        """Rows per outcome; they add up to the file's data rows."""
        found = np.bincount(self.outcome, minlength=len(OUTCOMES))
        return {o: int(found[i]) for i, o in enumerate(OUTCOMES)}

    def rows_within(self, lines: int) -> int:
        """Count the data rows that end within the first `lines` lines of the file."""
        if self._records is None:
            return 0
        ends = np.flatnonzero(np.frombuffer(self._records.text, dtype=np.uint8) == ord("\n"))
        return int(np.searchsorted(self._records.ends, ends[lines - 1], side="right")) if lines <= len(ends) else 0

    def frames(
        self, *, rows: int = CHUNK_ROWS, coded: bool = False, start: int = 0, stop: int | None = None
    ) -> Iterator[pd.DataFrame]:
        """Yield the row frame in pieces of at most `rows` rows, in file order.

        Parameters
        ----------
        rows : int
        coded : bool
            Texts that come many times as categories, in place of dtype object: faster where only codes are needed.
        start, stop : int
            The first row, and the row before which to stop; left out, all rows.
        """
        end = self.n_rows if stop is None else stop
        for at in range(start, end, rows):
            yield self._frame(slice(at, min(at + rows, end)), coded=coded)

    def _frame(self, rows: slice, *, coded: bool) -> pd.DataFrame:
        draft, records = self._draft, self._records
        assert draft is not None and records is not None  # only a refused log has none, and it has no rows
        n = rows.stop - rows.start
        data: dict[str, object] = {}
        data["row_number"] = np.arange(rows.start + 1, rows.stop + 1, dtype=np.int64)
        data["raw"] = np.array(records.raw(rows), dtype=object)
        outcome = self.outcome[rows]
        data["outcome"] = np.array(OUTCOMES, dtype=object)[outcome]
        reasons = draft.reasons.texts(rows)
        for at in np.flatnonzero(outcome == OUTCOMES.index("quarantine")).tolist():
            reasons[at] = f"row {rows.start + at + 1}: {reasons[at]}"
        data["reasons"] = reasons
        data["remarks"] = draft.row_remarks.texts(rows)
        for name in ROW_COLUMNS[5:]:
            column = draft.columns.get(name)
            if column is not None:
                data[name] = column.coded(rows) if coded else column.take(rows)
            elif name in self._clock:
                data[name] = self._clock[name][rows]
            else:
                data[name] = _absent(name, n, coded=coded)
        data["time_utc"] = pd.DatetimeIndex(np.asarray(data["time_utc"]).view("M8[us]"), tz="UTC")
        # The dtype said outright, as pandas would otherwise copy texts into another one.
        kinds = {k: None if isinstance(v, pd.Categorical) else _dtype(k) for k, v in data.items()}
        return pd.DataFrame({k: pd.Series(v, dtype=kinds[k], copy=False) for k, v in data.items()}, copy=False)


def read_log(
    source: Path | bytes, *, name: str, settings: Settings, column_map: ColumnMap | None = None,
    aliases: Mapping[str, str] | None = None,
) -> ParsedLog:  # fmt: skip
    """Read one CSV log whole.

    Parameters
    ----------
    source : Path or bytes
    name : str
        The file's name, for reports.
    settings : Settings
        What the site says; with an empty one nothing is assumed.
    column_map : ColumnMap, optional
        Which column feeds which field; left out, found from the headers.
    aliases : mapping of str to str, optional
        Approved lap aliases, as typed -> known name.

    Returns
    -------
    ParsedLog
        Never raises for what a file holds: `refused` says why the whole cannot be read.
    """
    scanned = scan_log(source, name=name, settings=settings, column_map=column_map, aliases=aliases)
    frames = list(scanned.frames())
    rows = pd.concat(frames, ignore_index=True) if frames else _empty()
    return ParsedLog(scanned.name, scanned.refused, scanned.dialect, scanned.columns, scanned.remarks, rows)


def scan_log(
    source: Path | bytes, *, name: str, settings: Settings, column_map: ColumnMap | None = None,
    aliases: Mapping[str, str] | None = None,
) -> ScannedLog:  # fmt: skip
    """Understand one CSV log; its rows are then had in pieces by `ScannedLog.frames`. Parameters as `read_log`."""
    plan = column_map or ColumnMap()
    dialect: Dialect | None = None
    uses: tuple[ColumnUse, ...] = ()
    try:
        data = source if isinstance(source, bytes) else _load(source)
        text, encoding, evidence = decode(data, encoding=plan.encoding)
        dialect = find_dialect(
            text, encoding=encoding, encoding_evidence=evidence, separator=plan.separator, quote=plan.quote,
            decimal=plan.decimal, fallback_decimal=settings.decimal, header=plan.header, header_line=plan.header_line,
            known_headers=[h for s in plan.columns.values() for h in s.headers],
        )  # fmt: skip
        headers, n_columns = header_cells(text, dialect)
        uses = match_columns(headers, column_map=plan, has_header=dialect.header_line > 0)
        _refuse_unusable(uses, dialect)
        wanted = sorted({p for use in uses if use.field for p in use.positions})
        free = frozenset(p for use in uses if use.field in _FREE for p in use.positions)
        records = split_records(text, dialect, n_columns=n_columns, wanted=wanted, free=free)
        uses = without_doubtful(uses, records.columns, plan)
    except (LogRefusedError, ColumnMapError) as error:
        return ScannedLog(name, str(error), dialect, uses, (), 0, np.empty(0, dtype=np.int8), None, None, {})
    return _understand(name, dialect, uses, records, plan, settings, aliases or {})


def _understand(
    name: str, dialect: Dialect, uses: tuple[ColumnUse, ...], records: Records, plan: ColumnMap, settings: Settings,
    aliases: Mapping[str, str],
) -> ScannedLog:  # fmt: skip
    n = len(records)
    by_field = {use.field: use for use in uses if use.field}
    cells = {field: _cells(field, use, records, plan, n) for field, use in by_field.items()}
    draft = Draft(n, settings, dialect.decimal, cells, by_field, Sentences(n), Sentences(n), np.ones(n, dtype=bool))
    draft.remarks.extend(_whole_file_remarks(uses, by_field, plan))
    distinct = {f: i for i, f in enumerate(dict.fromkeys(records.faults.values()), start=1)}
    if distinct:
        codes = np.zeros(n, dtype=np.int64)
        codes[list(records.faults)] = [distinct[f] for f in records.faults.values()]
        draft.reasons.add(codes, list(distinct))
    broken = draft.reasons.any()
    blank = records.blank | (_empty_cells(records, draft, dialect) & ~broken)
    draft.usable = ~broken & ~blank
    read_laps(draft, aliases)
    minutes = read_minutes(draft)
    clock = read_times(draft, plan, minutes)
    read_grits(draft)
    measured = read_quantities(draft)
    read_rubbing(draft)
    read_shapes(draft)
    read_words(draft)
    is_event = read_events(draft)
    read_methods(draft, is_event)
    draft.columns["minutes"] = Picked(np.arange(n, dtype=np.int32), minutes)
    if "outcome" in draft.columns:
        draft.columns["face_outcome"] = draft.columns.pop("outcome")
    both = is_event & measured & ~broken
    draft.reasons.add_where(both, "the row carries both an event and a face reading; write them as two rows")
    tried = np.zeros(n, dtype=bool)
    for field in (*READINGS, "event"):
        tried |= ~draft.blank(field)
    nothing = ~is_event & ~measured & np.isnan(minutes) & ~broken & ~tried
    draft.reasons.add_where(nothing & ~blank, "nothing measured: no reading, no minutes, no event")
    outcome = np.where(is_event, 2, 1).astype(np.int8)
    outcome[draft.reasons.any()] = 3
    outcome[blank] = 0
    draft.remarks.extend(_days_among_times(draft, outcome == 1))
    return ScannedLog(name, "", dialect, uses, tuple(draft.remarks), n, outcome, records, draft, clock)


def _cells(field: str, use: ColumnUse, records: Records, plan: ColumnMap, n: int) -> Coded:
    if not use.positions:
        return constant(plan.constants[field], n)
    column = joined([records.columns[p] for p in use.positions], use.source.join)
    if field != "note":  # what nobody sees makes no other lap; a note stays as typed
        column = as_written(column)
    texts = column.texts
    if field != "note":
        words = MISSING_CELLS - {"na"} if field == "lamp" else MISSING_CELLS  # "Na" is a sodium lamp
        words = EMPTY_CELLS if field in ("shape", "face", "scratch", "planned", "found_late", "event") else words
        missing = pc.is_in(pc.utf8_lower(texts), value_set=pa.array(sorted(words)))
        texts = pc.if_else(missing, "", texts) if pc.any(missing).as_py() else texts
    change = use.source.values
    if change:
        texts = pa.array([change.get(t, t) for t in texts.to_pylist()], pa.string())
    return Coded(column.codes, texts)


def _refuse_unusable(uses: tuple[ColumnUse, ...], dialect: Dialect) -> None:
    fields = {use.field for use in uses if use.field}
    if not fields and not dialect.header_line:
        raise LogRefusedError(
            "no line of the file is a header; give a column map with header = false and position = N for each field"
        )
    if not fields:
        heads = ", ".join(repr(u.header[:30]) for u in uses[:12])
        raise LogRefusedError(f"no header is known ({heads}); give a column map that says which column is which")
    if "lap" not in fields:
        raise LogRefusedError(
            "no column says which lap; name it in a column map (columns.lap), or one lap for all (constants.lap)"
        )
    if not fields & {*READINGS, "minutes", "event", "time_end"}:
        raise LogRefusedError("no column holds a reading, minutes or an event; name one in a column map")


def _whole_file_remarks(uses: tuple[ColumnUse, ...], by_field: dict[str, ColumnUse], plan: ColumnMap) -> list[str]:
    out = []
    had = {*by_field, *plan.absent}
    if {"time", "time_end"} <= had:
        had.add("minutes")  # worked out, and said
    missing = [name for name in MINIMUM if name not in had]
    if missing and "event" not in by_field:
        out.append(f"no column for {', '.join(missing)}; say so in the column map (absent) if it is meant")
    if plan.absent:
        out.append(f"absent by the column map: {', '.join(plan.absent)}")
    unknown = [use.header or f"column {use.positions[0]}" for use in uses if not use.field]
    if unknown:
        shown = ", ".join(unknown[:20]) + (f" and {len(unknown) - 20} more" if len(unknown) > 20 else "")
        out.append(f"kept in the raw text only: {shown}")
    return out


def _days_among_times(draft: Draft, faces: NDArray[np.bool_]) -> list[str]:
    """Say where the faces lie that carry but a day, where others carry a time of day too."""
    if draft.days is None or draft.times is None or not (draft.times & faces).any():
        return []
    alone = int((draft.days & faces).sum())
    have, they = ("1 face has", "it lies") if alone == 1 else (f"{alone:,} faces have", "each lies")
    lies = f"{they} at the beginning of its day, before the faces of that day that have one"
    said = f"{have} a day and no time of day: {lies}; write the time and take the log in again"
    return [said] if alone else []


def _empty_cells(records: Records, draft: Draft, dialect: Dialect) -> NDArray[np.bool_]:
    """Rows of nothing but separators, quotes and spaces."""
    out = np.ones(draft.n, dtype=bool)
    for field, column in draft.cells.items():
        if draft.uses[field].positions:
            out &= column.blank()
    strip = (dialect.separator + dialect.quote + " \t\r").encode()
    for at in np.flatnonzero(out).tolist():
        out[at] = not records.text[records.starts[at] : records.ends[at]].strip(strip)
    return out


def _load(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise LogRefusedError(f"{path}: the file cannot be read: {error.strerror}") from None


def _empty() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=_dtype(name)) for name in ROW_COLUMNS})


@lru_cache(maxsize=256)
def _absent(name: str, n: int, *, coded: bool) -> "NDArray[np.generic] | pd.Categorical":
    """Column of a field that the file does not have, shared by all frames of one length, so not to be written to."""
    kind = _dtype(name)
    value = {"float64": np.nan, "int64": 0, "bool": False, "object": _ABSENT.get(name, "")}[kind]
    if coded and isinstance(value, str):
        one = pd.Index([value], dtype=object)
        return pd.Categorical.from_codes(np.zeros(n, dtype=np.int8), categories=one, validate=False)
    out = np.full(n, value, dtype=kind)
    out.flags.writeable = False
    return out


def _dtype(name: str) -> str:
    if name in ("row_number", "attempt", "sort_us"):
        return "int64"
    if name in ("scratch", "found_late"):
        return "bool"
    if name == "time_utc":
        return "datetime64[us, UTC]"
    return "float64" if name in _NUMBERS or name == "minutes" else "object"
