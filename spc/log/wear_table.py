"""A foreign table of wear readings: any CSV with a unit, a clock and a wear column, read into one path per unit."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.log.dialect import LogRefusedError, decode, find_dialect
from spc.log.records import Records, header_cells, split_records
from spc.log.words import MISSING_CELLS
from spc.measure.length import unit_name
from spc.measure.number import decimal_evidence, parse_number
from spc.measure.reading import parse_typed

__all__ = ["CLOCKS", "WearColumns", "WearTable", "WearUnit", "read_wear_table"]

Array = NDArray[np.float64]

_DAY = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}:\d{2}")
_WITH_UNIT = re.compile(r"\s*(.*\d)\s*([^\d\s]+)\s*")
_NO_DAYS = " (days and times of day are not read here: give what has passed, such as hours, or count rows)"
_FALLS_BELOW = "add one amount to every value of the clock, so that the least is 0"
_ADDS_BELOW = "what a row adds is never less; where the column holds a running clock, say --clock-kind runs"
_TOO_EARLY = "; later readings of its unit stand too early by what it would have added to the clock"
_MANY_COPIES = 3  # and a third of a unit's rows: fewer are readings taken twice that agree; our own rule
CLOCKS: dict[str, str] = {
    "runs": "the column holds a running clock, never falling within a unit: its age or a meter, as the readings tell",
    "age": "the same, and 0 is where the unit was new",
    "meter": "the same, and the unit was new at its first reading, whatever the meter stood at",
    "adds": "the column holds what each row adds to the clock, such as minutes per face",
    "counts": "there is no clock column: every row of a unit counts one",
}


@dataclass(frozen=True, slots=True)
class WearColumns:
    """Which columns hold what; names as in the file's header, case and outer blanks aside."""

    unit: tuple[str, ...] = ()  # several are joined
    clock: str = ""
    wear: str = ""
    clock_kind: str = "runs"  # a key of CLOCKS
    clock_unit: str = ""  # for the sentences; '' = the clock's header, 'readings' where rows are counted
    limit: float = float("nan")  # one limit for all units
    limit_column: str = ""  # a column that holds it
    limit_by: str = ""  # a column whose value chooses it from `limits`
    limits: Mapping[str, float] = field(default_factory=dict)
    covariates: tuple[str, ...] = ()
    falls: bool | None = None  # wear falls to a lower limit; None = the readings tell
    file: Mapping[str, Any] = field(default_factory=dict)  # encoding, separator, quote, decimal, header_line


@dataclass(frozen=True, slots=True)
class WearUnit:
    """Readings of one unit, in file order."""

    unit: str
    clock: Array
    low: Array
    high: Array  # inf = open above
    row_number: NDArray[np.int64]
    limit: float  # NaN = none
    limit_cell: str  # what chooses or holds it, as typed in the unit's first row; '' where no column does
    covariates: tuple[str, ...]  # as typed in the unit's first row
    origin: float = 0.0  # clock value from which its age counts, see `spc.log.clock_origin`


@dataclass(frozen=True, slots=True)
class WearTable:
    """One foreign table, every data row accounted for."""

    units: tuple[WearUnit, ...]
    clock_unit: str
    covariates: tuple[str, ...]  # names
    rows: int
    used: int
    blank: int
    not_measured: tuple[int, ...]  # row numbers with an empty wear cell
    problems: tuple[tuple[int, str, str], ...]  # (row number, row as in the file, why it is not used)
    remarks: tuple[str, ...]
    decimal: str  # the file's decimal mark
    unread: tuple[str, ...] = ()  # units none of whose rows has a reading that can be used


def read_wear_table(source: Path | bytes, columns: WearColumns) -> WearTable:
    """Read a foreign wear table.

    Parameters
    ----------
    source : Path or bytes
    columns : WearColumns
        `unit`, `clock` and `wear` must be named, unless the file's headers are just these words.

    Raises
    ------
    ValueError
        If the file cannot be a table, lacks a named column or `clock_kind` is unknown.
    """
    if columns.clock_kind not in CLOCKS:
        raise ValueError(f"`clock_kind` must be one of {', '.join(CLOCKS)}, got {columns.clock_kind!r}")
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    stated = dict(columns.file)
    text, encoding, evidence = decode(data, encoding=str(stated.pop("encoding", "")))
    dialect = find_dialect(text, encoding=encoding, encoding_evidence=evidence, header=True, **stated)
    headers, width = header_cells(text, dialect)

    def at(name: str, role: str) -> int:
        return _place(name, role, headers)

    unit_at = [at(name, "unit") for name in columns.unit or ("unit",)]
    counts = columns.clock_kind == "counts"
    clock_at, wear_at = 0 if counts else at(columns.clock or "clock", "clock"), at(columns.wear or "wear", "wear")
    limit_name = columns.limit_column or columns.limit_by
    limit_at = at(limit_name, "limit") if limit_name else 0
    extra_at = [at(name, "covariates") for name in columns.covariates]
    _hold_apart([("unit", unit_at), ("clock", [clock_at]), ("wear", [wear_at])], headers)
    wanted = sorted({*unit_at, clock_at, wear_at, *extra_at, limit_at} - {0})
    records = split_records(text, dialect, n_columns=width, wanted=wanted, free=frozenset(wanted))
    cells = {position: records.columns[position].objects()[records.columns[position].codes] for position in wanted}
    for position in {*wanted} - {*unit_at}:
        nothing = [str(cell).strip().lower() in MISSING_CELLS for cell in cells[position]]
        cells[position] = np.where(nothing, "", cells[position])
    decimal = dialect.decimal or _decimal_of([cells[at] for at in (clock_at, wear_at) if at])
    behind = re.search(r"[\[(<]([^\])>]*)[\])>]\s*$", headers[wear_at - 1])
    reader = _Reader(records, cells, decimal, columns, limit_at, wear_unit=_unit_of(behind[1] if behind else ""))
    clock_unit = columns.clock_unit or ("readings" if counts else headers[clock_at - 1])
    return reader.table(unit_at, clock_at, wear_at, extra_at, clock_unit)


def _decimal_of(columns: Sequence[NDArray[np.object_]]) -> str:
    """Take the decimal point where no number of the columns has a comma; where one could be either, ask."""
    for cells in columns:
        for cell in cells:
            if "," in str(cell) and decimal_evidence(str(cell)) == "?":
                either = f"{str(cell).replace(',', '')} or {str(cell).replace(',', '.')}"
                raise LogRefusedError(
                    f"{str(cell)!r} could be {either}: say the decimal mark with --decimal, or as `file.decimal` of a "
                    "map"
                )
    return "."


def _place(name: str, role: str, headers: Sequence[str]) -> int:
    """Find a column by its header: as it stands, else whatever its case, else without the unit behind it."""
    for read in (str.strip, _plain, _bare):
        asked = name.strip() if read is str.strip else _plain(name)
        found = [place for place, header in enumerate(headers, start=1) if read(header) == asked]
        if len(found) == 1:
            return found[0]
        if found:
            where = ", ".join(f"column {place}: {headers[place - 1]}" for place in found)
            raise LogRefusedError(
                f"`{role}`: column {name!r} could be any of {len(found)} ({where}): give each another header"
            )
    raise LogRefusedError(
        f"there is no column {name!r} for `{role}`; the file has {', '.join(headers)}: name one of these"
    )


def _hold_apart(roles: Sequence[tuple[str, Sequence[int]]], headers: Sequence[str]) -> None:
    """Refuse a column that is named for two of what must be different columns."""
    named: dict[int, str] = {}
    for role, places in roles:
        for place in places:
            if named.setdefault(place, role) != role:
                raise LogRefusedError(
                    f"column {headers[place - 1]!r} is named both for `{named[place]}` and for `{role}`: each is a "
                    "column of its own"
                )


def _bare(name: str) -> str:
    return re.sub(r"\s*[\[(<][^\])>]*[\])>]\s*$", "", _plain(name))


def _plain(name: str) -> str:
    return name.strip().casefold()


def _unit_of(text: str) -> str:
    """Give a unit of length its usual name; any other word as it stands."""
    try:
        return unit_name(text) if text else ""
    except ValueError:
        return text.strip()


class _Reader:
    """Reads row by row; a row that cannot be used is kept with its reason."""

    def __init__(
        self, records: Records, cells: dict[int, NDArray[np.object_]], decimal: str, columns: WearColumns,
        limit_at: int, *, wear_unit: str,
    ) -> None:  # fmt: skip
        self._records, self._cells, self._decimal = records, cells, decimal
        self._columns, self._limit_at = columns, limit_at
        self._wear_unit = wear_unit  # that of the header, else of the first reading written with one; '' = none yet
        self._problems: list[tuple[int, str, str]] = []
        self._remarks: list[str] = []

    def table(
        self, unit_at: Sequence[int], clock_at: int, wear_at: int, extra_at: Sequence[int], clock_unit: str
    ) -> WearTable:
        rows: dict[str, list[tuple[float, float, float, int]]] = {}
        first: dict[str, tuple[str, ...]] = {}
        limits: dict[str, float] = {}
        limit_cells: dict[str, str] = {}
        passed: dict[str, float] = {}
        named: dict[str, None] = {}  # units, in their order
        blank, unread = 0, []
        kind = self._columns.clock_kind
        sums = kind in ("adds", "counts")
        for i in range(len(self._records)):
            if i in self._records.faults:
                self._refuse(i, self._records.faults[i] + _TOO_EARLY * sums)
                continue
            if self._records.blank[i] or not any(str(cells[i]) for cells in self._cells.values()):
                blank += 1
                continue
            unit = " ".join(str(self._cells[a][i]) for a in unit_at).strip()
            extra = tuple(str(self._cells[a][i]) for a in extra_at)
            added = False
            try:
                if not unit:
                    raise ValueError("the unit is empty")
                named[unit] = None
                clock = self._number(str(self._cells[clock_at][i]), "clock") if clock_at else 1.0
                if clock < 0:
                    why = _ADDS_BELOW if kind == "adds" else _FALLS_BELOW
                    raise ValueError(f"the clock is {clock:g}; it must be 0 or more: {why}")
                if sums:
                    clock = passed[unit] = passed.get(unit, 0.0) + clock
                added = True
                limit = self._limit(i)
                first[unit] = self._settled(unit, i, first.get(unit, ()), extra)
                cell = str(self._cells[self._limit_at][i]) if self._limit_at else ""
                limit_cells[unit] = limit_cells.get(unit, "") or cell
                if unit not in limits or np.isnan(limits[unit]):
                    limits[unit] = limit
                elif not (np.isnan(limit) or _same(limits[unit], limit)):
                    self._remark(f"unit {unit}: its limit changes in row {i + 1}; the first value is used")
                if not str(self._cells[wear_at][i]):
                    unread.append(i + 1)
                    continue
                low, high = self._interval(str(self._cells[wear_at][i]))
            except ValueError as error:
                self._refuse(i, str(error) + _TOO_EARLY * (sums and not added))
                continue
            rows.setdefault(unit, []).append((clock, low, high, i + 1))
        units = []
        for unit, read in rows.items():
            path = np.array(read, dtype=np.float64)
            self._remark_copies(unit, path[:, :3])
            numbers = path[:, 3].astype(np.int64)
            limit = limits[unit]
            units.append(
                WearUnit(unit, path[:, 0], path[:, 1], path[:, 2], numbers, limit, limit_cells[unit], first[unit])
            )
        self._remarks += _of_one_name(rows, self._decimal)
        return WearTable(
            tuple(units), clock_unit, self._columns.covariates, len(self._records), sum(u.clock.size for u in units),
            blank, tuple(unread), tuple(self._problems), tuple(self._remarks), self._decimal,
            tuple(unit for unit in named if unit not in rows),
        )  # fmt: skip

    def _remark_copies(self, unit: str, read: Array) -> None:
        """Point at rows that may be copies; two readings at one clock value may agree."""
        again = len(read) - len(np.unique(read, axis=0))
        if again >= _MANY_COPIES and 3 * again >= len(read):
            self._remarks.append(
                f"unit {unit}: {again} of {len(read)} rows read what another row of it reads at the same clock value, "
                "and each counts by itself: take out those that are copies"
            )

    def _settled(self, unit: str, i: int, known: tuple[str, ...], extra: tuple[str, ...]) -> tuple[str, ...]:
        """Covariates of a unit: the first that is written counts, a blank neither sets nor changes one."""
        if not known:
            return extra
        other = [(a, b) for a, b in zip(known, extra, strict=True) if a and b and a != b]
        if any(_key_of(a, self._decimal) != _key_of(b, self._decimal) for a, b in other):
            self._remark(f"unit {unit}: a covariate changes in row {i + 1}; the first value is used")
        return tuple(a or b for a, b in zip(known, extra, strict=True))

    def _refuse(self, i: int, why: str) -> None:
        self._problems.append((i + 1, self._records.raw(slice(i, i + 1))[0], why))

    def _remark(self, sentence: str) -> None:
        subject = sentence.split(" changes in row")[0]
        if not any(r.startswith(subject) for r in self._remarks):
            self._remarks.append(sentence)

    def _number(self, cell: str, role: str) -> float:
        if not cell:
            raise ValueError(f"the {role} is empty")
        try:
            return float(parse_number(cell, decimal=self._decimal).value)
        except ValueError as error:
            days = _NO_DAYS if role == "clock" and _DAY.match(cell) else ""
            raise ValueError(f"the {role} {error}{days}") from None

    def _interval(self, cell: str) -> tuple[float, float]:
        below_zero = cell.strip().startswith(("-", "−", "–"))
        number, unit = _number_and_unit(cell) if below_zero else (cell, "")
        try:
            if below_zero:
                low = high = float(parse_number(number, decimal=self._decimal).value)
            else:
                typed = parse_typed(cell.rstrip().removesuffix("%"), decimal=self._decimal)
                unit = "%" if cell.rstrip().endswith("%") else typed.unit
                low = 0.0 if typed.kind == "below" else float(typed.low)
                high = float("inf") if typed.kind == "above" else float(typed.high)
        except ValueError as error:
            raise ValueError(f"the wear {error}") from None
        self._in_one_unit(unit, cell, "wear", "readings are written", "the limit is taken")
        return low, high

    def _in_one_unit(self, unit: str, cell: str, role: str, said: str, so: str) -> None:
        """Hold that what is written with its unit is in that of the readings; where none is known yet, it tells it."""
        if unit and not self._wear_unit:
            self._wear_unit = unit
            self._remark(f"{said} in {unit}; {so} to be in {unit} too")
        if unit and unit != self._wear_unit:
            raise ValueError(f"the {role} is in {unit} where readings are in {self._wear_unit}: {cell!r}")

    def _limit(self, i: int) -> float:
        if not self._limit_at:
            return self._columns.limit
        cell = str(self._cells[self._limit_at][i])
        if self._columns.limit_column:
            number, unit = _number_and_unit(cell)
            self._in_one_unit(unit, cell, "limit", "the limit is written", "readings are taken")
            return self._number(number, "limit") if cell else float("nan")
        for key, value in self._columns.limits.items():
            if key.strip() == cell or _key_of(key, ".") == _key_of(cell, self._decimal):
                return value
        return float("nan")


def _of_one_name(units: Iterable[str], decimal: str) -> list[str]:
    """Point at names of units that may be one name."""
    alike: dict[str | Fraction, list[str]] = {}
    for unit in units:
        alike.setdefault(_key_of(" ".join(unit.casefold().split()), decimal), []).append(unit)
    return [
        f"units {' and '.join(names)} {_told_apart(names)} and are taken as {len(names)}: "
        "give them one name if they are one"
        for names in alike.values()
        if len(names) > 1
    ]


def _told_apart(names: Sequence[str]) -> str:
    letters = len({" ".join(name.casefold().split()) for name in names}) == 1
    return "differ in capitals or blanks only" if letters else "are one number"


def _key_of(cell: str, decimal: str) -> str | Fraction:
    """Give a number by its value, however it is written, and a word as it stands."""
    try:
        return parse_number(cell, decimal=decimal).value
    except ValueError:
        return cell


def _number_and_unit(cell: str) -> tuple[str, str]:
    """Split "10 um" or "5 %" into its number and the name of its unit; '' where no unit follows that is known."""
    found = _WITH_UNIT.fullmatch(cell)
    try:
        return (found[1], found[2] if found[2] == "%" else unit_name(found[2])) if found else (cell, "")
    except ValueError:
        return cell, ""


def _same(a: float, b: float) -> bool:
    return a == b or (np.isnan(a) and np.isnan(b))
