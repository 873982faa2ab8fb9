"""Which columns of a foreign wear table hold what, from a small TOML file of two kinds."""

import tomllib
from math import isfinite
from pathlib import Path
from typing import Any

from spc.log.columns import ColumnMap, load_column_map
from spc.log.wear_table import WearColumns

__all__ = ["load_wear_columns"]

_LIMITS = ("limit", "limit_column", "limit_by")  # one of them says what the limit of a unit is
_TEXTS = ("clock", "clock_kind", "wear", "clock_unit", "limit_column", "limit_by")


def load_wear_columns(path: str | Path) -> WearColumns:
    """Read the columns of a foreign wear table from a TOML file: a wear map, or a column map as intake takes it.

    Raises
    ------
    ValueError
        If it cannot be read, or holds a key or value that cannot be.

    Notes
    -----
    Keys of a wear map: unit (text or list of texts), clock, clock_kind, wear, clock_unit, covariates (list), limit
    (number), limit_column, limit_by with a table [limits], falls (true or false), and a table [file] with encoding,
    separator, quote, decimal, header_line. A file with a table [columns] is a column map: its lap is the unit, its
    minutes the clock (rows are counted where it has none), its flatness (else its finish) the wear; it holds no limit.
    """
    try:
        table = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ValueError(f"{path}: the map cannot be read: {error}") from None
    if "columns" in table:
        return _from_column_map(path)
    known = {*_TEXTS, "unit", "limit", "limits", "covariates", "falls", "file"}
    for key in table:
        if key not in known:
            raise ValueError(f"{path}: `{key}` is not a key of this map; known are {', '.join(sorted(known))}")
    named = [key for key in _LIMITS if key in table]
    if len(named) > 1:
        raise ValueError(f"{path}: `{named[0]}` and `{named[1]}` do not go together: keep one of them")
    if "limits" in table and "limit_by" not in table:
        raise ValueError(f"{path}: `limits` needs `limit_by`, the column whose value chooses among them: add it")
    out: dict[str, Any] = {}
    for key in _TEXTS:
        if key in table:
            out[key] = _of_kind(path, key, table[key], str)
    for key in ("unit", "covariates"):
        value = table.get(key, [])
        values = [value] if isinstance(value, str) else value
        if not isinstance(values, list) or not all(isinstance(v, str) for v in values):
            raise ValueError(f"{path}: `{key}` must be a column name or a list of them, got {value!r}")
        out[key] = tuple(values)
    if "limit" in table:
        out["limit"] = float(_of_kind(path, "limit", table["limit"], (int, float)))
    if "falls" in table:
        if not isinstance(table["falls"], bool):
            raise ValueError(f"{path}: `falls` must be true or false, got {table['falls']!r}")
        out["falls"] = table["falls"]
    limits = _of_kind(path, "limits", table.get("limits", {}), dict)
    out["limits"] = {str(k): float(_of_kind(path, f"limits.{k}", v, (int, float))) for k, v in limits.items()}
    out["file"] = _of_kind(path, "file", table.get("file", {}), dict)
    wrong = set(out["file"]) - {"encoding", "separator", "quote", "decimal", "header_line"}
    if wrong:
        raise ValueError(f"{path}: `file.{sorted(wrong)[0]}` is not a key of this map")
    return WearColumns(**out)


def _of_kind(path: str | Path, key: str, value: Any, kind: Any) -> Any:
    if not isinstance(value, kind) or isinstance(value, bool) or (isinstance(value, float) and not isfinite(value)):
        name = {str: "a text", dict: "a table"}.get(kind, "a number")
        raise ValueError(f"{path}: `{key}` must be {name}, got {value!r}")
    return value


def _from_column_map(path: str | Path) -> WearColumns:
    column_map = load_column_map(path)
    unit = _headers(path, column_map, "lap")
    minutes = column_map.columns.get("minutes")
    clock = _headers(path, column_map, "minutes")[0] if minutes else ""
    wear = "flatness" if "flatness" in column_map.columns else "finish"
    kind = "counts" if minutes is None else "runs" if minutes.cumulative else "adds"
    given = {name: getattr(column_map, name) for name in ("encoding", "separator", "quote", "decimal", "header_line")}
    return WearColumns(
        unit=unit,
        clock=clock,
        clock_kind=kind,
        wear=_headers(path, column_map, wear)[0],
        file={name: value for name, value in given.items() if value},
    )


def _headers(path: str | Path, column_map: ColumnMap, field: str) -> tuple[str, ...]:
    source = column_map.columns.get(field)
    if source is None or not source.headers:
        raise ValueError(
            f"{path}: a forecast needs the header of `columns.{field}` in this column map; add it, or name the columns "
            "with --unit, --clock and --wear and leave the map out"
        )
    return source.headers
