"""A planned gauge study as a table: one row per reading, with a face, a reader and what was read."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from spc.log.dialect import Dialect, LogRefusedError, decode, find_dialect
from spc.log.lexicon import HeaderMeaning, header_meaning
from spc.log.records import header_cells, split_records
from spc.log.words import MISSING_CELLS
from spc.measure.length import lamp, unit_name
from spc.measure.reading import Typed, as_reading, finest_step, parse_typed
from spc.settings import Settings

__all__ = ["GaugeColumns", "GaugeRow", "GaugeTable", "gauge_heads", "read_gauge_table"]

# What a header may say where no column is named; the first column that says it is taken.
_SAYS = {"face": ("face", "serial"), "reader": ("operator",), "reading": ("flatness", "finish", "parallelism")}
_WORDS = {"face": ("face",), "reader": ("reader",), "reading": ("reading", "value"), "run": ("run", "day", "round")}


@dataclass(frozen=True, slots=True)
class GaugeColumns:
    """Which columns hold what, and how readings are to be read; '' = find it, None = not said."""

    face: tuple[str, ...] = ()  # several are joined
    reader: str = ""
    reading: str = ""
    run: str = ""
    unit: str = ""  # of readings that carry none; 'plain' = plain numbers, whatever the site reads in
    lamp: str = ""  # of readings in light bands
    step: float | None = None  # of the readings, in their unit


@dataclass(frozen=True, slots=True)
class GaugeRow:
    """One reading; micrometres, or the table's own unit where `GaugeTable.unit` is ''."""

    face: str
    reader: str  # '' = not said
    run: str
    low_um: float
    high_um: float  # inf = open above
    row_number: int


@dataclass(frozen=True, slots=True)
class GaugeTable:
    """One planned study, every data row accounted for."""

    rows: tuple[GaugeRow, ...]
    unit: str  # 'um', or '' for a table of plain numbers
    has_run: bool
    of_rows: int
    blank: int
    not_read: tuple[int, ...]  # row numbers with an empty reading
    problems: tuple[tuple[int, str, str], ...]  # (row number, row as in the file, why it is not used)
    remarks: tuple[str, ...]


def read_gauge_table(source: Path | bytes, columns: GaugeColumns, settings: Settings) -> GaugeTable:
    """Read a planned study.

    Parameters
    ----------
    source : Path or bytes
    columns : GaugeColumns
    settings : Settings
        The site's unit, lamp, step in bands and meaning of zero, used where table and columns say nothing.

    Returns
    -------
    GaugeTable
        Readings with a unit are made micrometres; where no reading of the file has one, they stay as typed.

    Raises
    ------
    ValueError
        If the file cannot be a table, lacks a column, or a unit, lamp or step cannot be.
    """
    if columns.step is not None and not columns.step > 0:
        raise ValueError(f"`step` must be greater than 0, got {columns.step}")
    text, dialect, headers, width = _headed(source)
    face_at = [_named(headers, name, "face") for name in columns.face] or [_found(headers, "face")]
    reader_at = _named(headers, columns.reader, "reader") if columns.reader else _found(headers, "reader")
    reading_at = _named(headers, columns.reading, "reading") if columns.reading else _found(headers, "reading")
    run_at = _named(headers, columns.run, "run") if columns.run else _found(headers, "run", needed=False)
    unit_at = next((at for at, h in enumerate(headers, 1) if header_meaning(h).field == "flatness_unit"), 0)
    wanted = sorted({*face_at, reader_at, reading_at, *(at for at in (run_at, unit_at) if at)})
    records = split_records(text, dialect, n_columns=width, wanted=wanted, free=frozenset(wanted))
    cells = {at: records.columns[at].objects()[records.columns[at].codes] for at in wanted}
    meaning = _meaning(headers[reading_at - 1])
    stated = columns.unit or meaning.unit or settings.flatness_unit
    source_lamp = columns.lamp or meaning.lamp or settings.lamp
    unit = "" if stated in ("", "plain") else unit_name(stated)
    reader = _Reader(dialect.decimal or ".", unit, source_lamp, columns.step, settings)
    typed, blank, not_read, problems = [], 0, [], []
    for i in range(len(records)):
        if records.blank[i]:
            blank += 1
            continue
        try:
            if i in records.faults:
                raise ValueError(records.faults[i])
            face = " ".join(str(cells[at][i]).strip() for at in face_at).strip()
            if not face:
                raise ValueError("the face is empty")
            cell = str(cells[reading_at][i]).strip()
            if cell.lower() in MISSING_CELLS or not cell:
                not_read.append(i + 1)
                continue
            own = str(cells[unit_at][i]).strip() if unit_at else ""
            own = "" if own.lower() in MISSING_CELLS else own
            who = str(cells[reader_at][i]).strip()
            who = "" if who.lower() in MISSING_CELLS else who
            run = str(cells[run_at][i]).strip() if run_at else ""
            typed.append((face, who, run, i + 1, records.raw(slice(i, i + 1))[0], *reader.typed(cell, own)))
        except ValueError as error:
            problems.append((i + 1, records.raw(slice(i, i + 1))[0], str(error)))
    return _table(typed, reader, len(records), blank, not_read, problems, has_run=bool(run_at))


def gauge_heads(source: Path | bytes) -> list[str]:
    """Give the heads of a planned study's columns, as in the file.

    Raises
    ------
    ValueError
        If the file cannot be a table.
    """
    return [head.strip() for head in _headed(source)[2] if head.strip()]


def _headed(source: Path | bytes) -> tuple[bytes, Dialect, list[str], int]:
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    text, encoding, evidence = decode(data)
    dialect = find_dialect(text, encoding=encoding, encoding_evidence=evidence, header=True)
    return (text, dialect, *header_cells(text, dialect))


class _Reader:
    """Reads cells into what they say, then, once the step is known, into intervals."""

    def __init__(self, decimal: str, unit: str, lamp_name: str, step: float | None, settings: Settings) -> None:
        self.decimal, self.unit, self.step, self.settings = decimal, unit, step, settings
        self.lamp = lamp(lamp_name) if lamp_name else None
        self.negative = False  # whether a plain number of the table is below zero

    def typed(self, cell: str, unit_cell: str) -> tuple[Typed, str]:
        """Give what one cell says, and its unit; '' = none."""
        try:
            one = parse_typed(cell, decimal=self.decimal)
        except ValueError as error:
            raise ValueError(f"the reading {error}") from None
        unit = one.unit or (unit_name(unit_cell) if unit_cell else self.unit)
        if one.sign < 0 and unit:
            raise ValueError(f"the reading is negative ({cell}); a deviation of form is 0 or more")
        self.negative |= one.sign < 0
        if unit == "band" and self.lamp is None:
            raise ValueError("the reading is in bands but no lamp is known; name it (--lamp)")
        return one, unit

    def steps(self, typed: Sequence[tuple[Typed, str]]) -> dict[str, Fraction]:
        """Step of each unit: as stated, else the finest that its readings show."""
        units = {unit for _, unit in typed}
        shown = {unit: finest_step([t for t, u in typed if u == unit], unit=unit or "um") for unit in units}
        site = {"band": self.settings.step_bands}
        return {u: Fraction(str(stated)) if (stated := self.step or site.get(u)) else shown[u] for u in units}

    def interval(self, one: Typed, unit: str, step: Fraction) -> tuple[float, float]:
        """Low and high end, micrometres or plain numbers."""
        nm = self.lamp.wavelength_nm if self.lamp is not None and unit == "band" else None
        signed = "deviation" if self.negative and not unit else ""
        try:
            read = as_reading(
                one, text="", unit=unit or "um", step=step, wavelength_nm=nm, negative=signed,
                zero_means=self.settings.zero_means or "half step",
            )  # fmt: skip
        except ValueError as error:
            raise ValueError(f"the reading {error}") from None
        return read.low_um, read.high_um


def _table(
    typed: list[tuple[str, str, str, int, str, Typed, str]], reader: _Reader, of_rows: int, blank: int,
    not_read: list[int], problems: list[tuple[int, str, str]], *, has_run: bool,
) -> GaugeTable:  # fmt: skip
    units = {row[6] for row in typed}
    steps = reader.steps([(row[5], row[6]) for row in typed])
    rows = []
    for face, who, run, number, raw, one, unit in typed:
        try:
            if not unit and len(units) > 1:
                raise ValueError("the reading has no unit while others have one; say it (--unit)")
            low, high = reader.interval(one, unit, steps[unit])
        except ValueError as error:
            problems.append((number, raw, str(error)))
            continue
        rows.append(GaugeRow(face, who, run, low, high, number))
    used = {unit: step for unit, step in steps.items() if step > 0 and (unit or len(units) == 1)}
    remarks = [f"reading step {float(step):g} {unit}".strip() for unit, step in sorted(used.items())]
    if len(units - {""}) > 1:
        remarks.append(f"readings in {', '.join(sorted(units - {''}))}: each is taken in its own unit and step")
    if units == {""}:
        remarks.append("no unit is known: figures are in the unit of the table")
    plain = "" if units == {""} else "um"
    order = tuple(sorted(problems))
    return GaugeTable(tuple(rows), plain, has_run, of_rows, blank, tuple(not_read), order, tuple(remarks))


def _meaning(header: str) -> HeaderMeaning:
    """Understand a header; 'reading' and 'value' say no more than that a flatness follows, unit and lamp still do."""
    for word in _WORDS["reading"]:
        if header.strip().casefold().startswith(word):
            return header_meaning("flatness" + header.strip()[len(word) :])
    return header_meaning(header)


def _named(headers: list[str], name: str, role: str) -> int:
    plain = [h.strip().casefold() for h in headers]
    if name.strip().casefold() not in plain:
        raise LogRefusedError(f"there is no column {name!r} for `{role}`; the file has {', '.join(headers)}")
    return plain.index(name.strip().casefold()) + 1


def _found(headers: list[str], role: str, *, needed: bool = True) -> int:
    plain = [h.strip().casefold() for h in headers]
    for at, head in enumerate(plain, start=1):
        if head in _WORDS[role]:
            return at
    for meaning in _SAYS.get(role, ()):
        for at, header in enumerate(headers, start=1):
            if _meaning(header).field == meaning:
                return at
    if needed:
        raise LogRefusedError(f"no column is known as `{role}`; name it (--{role}), the file has {', '.join(headers)}")
    return 0
