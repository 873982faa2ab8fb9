"""Which column feeds which field: found from the headers, or stated by a small TOML column map.

The column map is our own format. Every part is optional::

    name = "sliding wear"                 # shown in reports
    absent = ["operator", "grit"]         # minimum fields this file does not have, said on purpose

    [file]
    encoding = "utf-8"                    # utf-8, cp1252, utf-16, ...
    separator = ";"                       # or "tab"
    quote = '"'
    decimal = ","                         # "." or ","
    header = true                         # false: no header, columns go by position
    header_line = 3                       # 1-based line of the header
    date_order = "dmy"                    # dmy, mdy, ymd
    time_zone = "Europe/Vienna"           # of times that carry none

    [columns.flatness]
    header = "microns"                    # or position = 1, or header = ["a", "b"] joined by join = "-"
    unit = "um"                           # um, uin, nm, mm, in, mil, band
    lamp = "helium"                       # or a wavelength, "546.07 nm"
    step = 0.5                            # reading step in that unit
    negative = "concave"                  # what a minus means: concave, convex, or deviation (kept signed)

    [columns.minutes]
    header = "cycles"
    cumulative = true                     # a running clock: minutes are its increase since the lap's row before

    [columns.time]
    header = "Date.Time"
    format = "excel serial"               # "unix seconds", "unix milliseconds", or strptime: "%d.%m.%y %H:%M"

    [columns.outcome]
    header = "Befund"
    values = { "i.O." = "ok", "n.i.O." = "re-lap" }   # cell text -> text to read instead

    [columns.load]
    header = "weights kg"
    unit = "kgf"                          # load: N, kN, daN, kgf, gf, lbf; area: mm2, cm2, m2, in2

    [columns.speed]
    header = "plate rpm"
    unit = "rpm"                          # or m/s, m/min, mm/s, ft/min, ft/s
    radius_mm = 120                       # where the face runs on the lap: what rpm needs

    [constants]                           # as if typed in every row
    material = "cast iron"
    grit = "15 um"
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from spc.log.lexicon import FIELDS, header_meaning, stated_unit
from spc.measure.length import lamp

__all__ = ["MINIMUM", "ColumnMap", "ColumnMapError", "ColumnUse", "FieldSource", "load_column_map", "match_columns"]

MINIMUM: tuple[str, ...] = ("operator", "lap", "grit", "minutes", "flatness", "finish")
NEGATIVE = ("", "concave", "convex", "deviation")
_FILE_KEYS = ("encoding", "separator", "quote", "decimal", "header", "header_line", "date_order", "time_zone")
_COLUMN_KEYS = (
    "header",
    "position",
    "join",
    "unit",
    "lamp",
    "step",
    "negative",
    "cumulative",
    "format",
    "values",
    "radius_mm",
)
_SEPARATOR_WORDS = {"tab": "\t", "comma": ",", "semicolon": ";", "pipe": "|"}


class ColumnMapError(ValueError):
    """A column map that cannot be used; the sentence names the file, the key and what it must be."""


@dataclass(frozen=True, slots=True)
class FieldSource:
    """Where one field comes from, and how its text is to be read."""

    headers: tuple[str, ...] = ()
    positions: tuple[int, ...] = ()  # 1-based
    join: str = "-"
    unit: str = ""
    lamp: str = ""
    step: float | None = None
    negative: str = ""
    cumulative: bool = False
    format: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    radius_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """One column map; every part optional."""

    name: str = ""
    absent: tuple[str, ...] = ()
    encoding: str = ""
    separator: str = ""
    quote: str = ""
    decimal: str = ""
    header: bool | None = None
    header_line: int = 0
    date_order: str = ""
    time_zone: str = ""
    columns: Mapping[str, FieldSource] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """How one column of the file (or one constant of the map) was understood."""

    field: str  # key of FIELDS, '' = not understood, kept in the raw text only
    header: str  # as in the file; '' = no header or a constant
    positions: tuple[int, ...]  # 1-based columns; empty = a constant of the column map
    source: FieldSource
    how: str  # sentence


def load_column_map(source: str | Path) -> ColumnMap:
    """Read a column map.

    Parameters
    ----------
    source : path, or str holding TOML text (anything with a line end in it)

    Returns
    -------
    ColumnMap

    Raises
    ------
    ColumnMapError
        If it cannot be read, holds an unknown key, or a value that cannot be.
    """
    inline = isinstance(source, str) and "\n" in source
    where = "column map" if inline else str(source)
    try:
        text = str(source) if inline else Path(source).read_text(encoding="utf-8-sig")
        table = tomllib.loads(text)
    except OSError as error:
        raise ColumnMapError(f"{where}: the column map cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise ColumnMapError(f"{where}: a column map must be UTF-8 text; save it again as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ColumnMapError(f"{where}: not valid TOML: {error}") from None
    return _Checked(where).column_map(table)


def match_columns(headers: list[str], *, column_map: ColumnMap, has_header: bool) -> tuple[ColumnUse, ...]:
    """Say for every column which field it feeds.

    Parameters
    ----------
    headers : list of str
        As in the file; with no header, empty texts, one per column.
    column_map : ColumnMap
        An empty one for automatic recognition.
    has_header : bool

    Returns
    -------
    tuple of ColumnUse
        One per column in file order (a joined field once, at its first column), then the constants.

    Raises
    ------
    ColumnMapError
        If the map names a header or position the file does not have.
    """
    uses: dict[int, ColumnUse] = {}
    taken: dict[str, str] = dict.fromkeys(column_map.constants, "a constant of the column map")
    for name, source in column_map.columns.items():
        positions = source.positions or tuple(_find(headers, h, has_header, name) for h in source.headers)
        for at in positions:
            if not 1 <= at <= len(headers):
                raise ColumnMapError(f"`columns.{name}`: there is no column {at}, the file has {len(headers)}")
        shown = ", ".join(headers[p - 1] or f"column {p}" for p in positions)
        # The header's own unit still counts where the map says nothing of it.
        meaning = header_meaning(headers[positions[0] - 1])
        full = _filled(source, unit=meaning.unit if meaning.field == name else "", lamp_name=meaning.lamp)
        uses_at = positions[0]
        while uses_at in uses:  # one column may feed two fields
            uses_at += len(headers)
        uses[uses_at] = ColumnUse(name, shown, positions, full, f"{shown} -> {name}, by the column map{_said(full)}")
        taken[name] = shown
    mapped = {p for use in uses.values() for p in use.positions}
    meanings = {at: header_meaning(h) for at, h in enumerate(headers, start=1) if at not in mapped}
    dated = "date" in taken or any(m.field == "date" for m in meanings.values())
    for at, meaning in meanings.items():
        header = headers[at - 1]
        name = meaning.field
        if name == "date" and not ("time" in taken or any(m.field == "time" for m in meanings.values())):
            name = "time"
        if not name or name in column_map.absent:
            reason = "not a known header" if not name else "said to be absent by the column map"
            uses[at] = ColumnUse(
                "", header, (at,), FieldSource(), f"{header or f'column {at}'}: {reason}, kept in the raw text"
            )
            continue
        if name in taken:
            why = f"{header}: {name} already comes from {taken[name]}, kept in the raw text; a column map can choose"
            uses[at] = ColumnUse("", header, (at,), FieldSource(), why)
            continue
        full = FieldSource(unit=meaning.unit, lamp=meaning.lamp)
        aside = " (time of day)" if name == "time" and dated and meaning.field == "time" else ""
        uses[at] = ColumnUse(name, header, (at,), full, f"{header} -> {name}{aside}{_said(full)}")
        taken[name] = header
    constants = [
        ColumnUse(name, "", (), FieldSource(), f"{name} = {text!r} in every row, by the column map")
        for name, text in column_map.constants.items()
    ]
    return (*(uses[at] for at in sorted(uses)), *constants)


def _find(headers: list[str], wanted: str, has_header: bool, name: str) -> int:
    if not has_header:
        raise ColumnMapError(f"`columns.{name}`: the file has no header, so give position = N instead of header")
    exact = [at for at, h in enumerate(headers, start=1) if h.strip() == wanted.strip()]
    loose = exact or [at for at, h in enumerate(headers, start=1) if h.strip().lower() == wanted.strip().lower()]
    if not loose:
        raise ColumnMapError(f"`columns.{name}`: no header {wanted!r}; the file has {', '.join(headers[:30])}")
    if len(loose) > 1:
        raise ColumnMapError(f"`columns.{name}`: header {wanted!r} stands over {len(loose)} columns; give position = N")
    return loose[0]


def _filled(source: FieldSource, *, unit: str, lamp_name: str) -> FieldSource:
    if (source.unit or not unit) and (source.lamp or not lamp_name):
        return source
    return replace(source, unit=source.unit or unit, lamp=source.lamp or lamp_name)


def _said(source: FieldSource) -> str:
    parts = [f"in {source.unit}"] if source.unit else []
    parts += [f"lamp {source.lamp}"] if source.lamp else []
    parts += [f"step {source.step:g}"] if source.step else []
    parts += [f"at a radius of {source.radius_mm:g} mm"] if source.radius_mm else []
    parts += ["a running clock"] if source.cumulative else []
    parts += [f"minus means {source.negative}"] if source.negative else []
    return f" ({', '.join(parts)})" if parts else ""


@dataclass(frozen=True, slots=True)
class _Checked:
    """Checks one column map key by key, so that every refusal names file, key and what it must be."""

    where: str

    def column_map(self, table: dict[str, Any]) -> ColumnMap:
        self._keys(table, ("name", "absent", "file", "columns", "constants"), "")
        file, columns, constants = (self._table(table, key) for key in ("file", "columns", "constants"))
        self._keys(file, _FILE_KEYS, "file.")
        absent = table.get("absent", [])
        if not isinstance(absent, list) or not all(name in FIELDS for name in absent):
            self._refuse("absent", "a list of field names", absent)
        separator = self._text(file, "separator", "file.")
        separator = _SEPARATOR_WORDS.get(separator, separator)
        if separator and (len(separator) != 1 or separator in "\r\n\"'"):
            self._refuse("file.separator", "one character or 'tab'", separator)
        header, line = file.get("header"), file.get("header_line", 0)
        if header is not None and not isinstance(header, bool):
            self._refuse("file.header", "true or false", header)
        if not isinstance(line, int) or isinstance(line, bool) or not 0 <= line <= 400:
            self._refuse("file.header_line", "a line number from 1 to 400", line)
        for name, text in constants.items():
            self._field(name, "constants")
            if not isinstance(text, str | int | float) or isinstance(text, bool):
                self._refuse(f"constants.{name}", "a text or number", text)
        return ColumnMap(
            name=self._text(table, "name", ""),
            absent=tuple(absent),
            encoding=self._text(file, "encoding", "file."),
            separator=separator,
            quote=self._one_of(file, "quote", "file.", ("", '"', "'")),
            decimal=self._one_of(file, "decimal", "file.", ("", ".", ",")),
            header=header,
            header_line=line,
            date_order=self._one_of(file, "date_order", "file.", ("", "dmy", "mdy", "ymd")),
            time_zone=self._zone(file),
            columns={name: self._source(name, body) for name, body in columns.items()},
            constants={name: str(text) for name, text in constants.items()},
        )

    def _source(self, name: str, body: Any) -> FieldSource:
        at = f"columns.{name}."
        self._field(name, "columns")
        if isinstance(body, str):
            body = {"header": body}
        if not isinstance(body, dict):
            self._refuse(f"columns.{name}", "a table, or the header's text", body)
        self._keys(body, _COLUMN_KEYS, at)
        headers, positions = self._many(body, "header", str, at), self._many(body, "position", int, at)
        if bool(headers) == bool(positions):
            self._refuse(f"columns.{name}", "given one of header and position", body)
        unit, lamp_name = self._text(body, "unit", at), self._text(body, "lamp", at)
        try:
            unit = stated_unit(name, unit)
            lamp_name = lamp(lamp_name).name if lamp_name else ""
        except ValueError as error:
            raise ColumnMapError(f"{self.where}: `{at[:-1]}`: {error}") from None
        step, radius = self._above_zero(body, "step", at), self._above_zero(body, "radius_mm", at)
        if radius is not None and name != "speed":
            self._refuse(f"{at}radius_mm", "left out: it goes with a speed in rpm", radius)
        values = body.get("values", {})
        if not isinstance(values, dict):
            self._refuse(f"{at}values", "a table of cell text = text to read instead", values)
        cumulative = body.get("cumulative", False)
        if not isinstance(cumulative, bool) or (cumulative and name != "minutes"):
            self._refuse(f"{at}cumulative", "true or false, for minutes only", cumulative)
        return FieldSource(
            headers=headers,
            positions=positions,
            join=self._text(body, "join", at) or "-",
            unit=unit,
            lamp=lamp_name,
            step=step,
            negative=self._one_of(body, "negative", at, NEGATIVE),
            cumulative=cumulative,
            format=self._text(body, "format", at),
            values={str(k): str(v) for k, v in values.items()},
            radius_mm=radius,
        )

    def _above_zero(self, body: dict[str, Any], key: str, at: str) -> float | None:
        value = body.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e9:
            self._refuse(f"{at}{key}", "a number greater than 0", value)
        return float(value)

    def _many(self, body: dict[str, Any], key: str, kind: type, at: str) -> tuple[Any, ...]:
        value = body.get(key, [])
        items = value if isinstance(value, list) else [value]
        if not all(isinstance(item, kind) and not isinstance(item, bool) for item in items):
            self._refuse(f"{at}{key}", f"{'a text' if kind is str else 'a whole number'} or a list of them", value)
        return tuple(items)

    def _zone(self, file: dict[str, Any]) -> str:
        from zoneinfo import ZoneInfo

        name = self._text(file, "time_zone", "file.")
        try:
            if name:
                ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            self._refuse("file.time_zone", "a name of the time-zone database such as Europe/Vienna", name)
        return name

    def _field(self, name: str, section: str) -> None:
        if name not in FIELDS:
            raise ColumnMapError(f"{self.where}: `{section}.{name}` is no field; the fields are {', '.join(FIELDS)}")

    def _keys(self, table: dict[str, Any], allowed: tuple[str, ...], at: str) -> None:
        for key in table:
            if key not in allowed:
                raise ColumnMapError(f"{self.where}: `{at}{key}` is not known here; known are {', '.join(allowed)}")

    def _table(self, table: dict[str, Any], key: str) -> dict[str, Any]:
        value = table.get(key, {})
        if not isinstance(value, dict):
            self._refuse(key, "a table", value)
        return dict(value)

    def _text(self, table: dict[str, Any], key: str, at: str) -> str:
        value = table.get(key, "")
        if not isinstance(value, str):
            self._refuse(f"{at}{key}", "a text", value)
        return str(value)

    def _one_of(self, table: dict[str, Any], key: str, at: str, allowed: tuple[str, ...]) -> str:
        value = self._text(table, key, at)
        if value not in allowed:
            self._refuse(f"{at}{key}", f"one of {', '.join(a for a in allowed if a)}", value)
        return value

    def _refuse(self, key: str, must: str, got: object) -> None:
        raise ColumnMapError(f"{self.where}: `{key}` must be {must}, got {got!r}")
