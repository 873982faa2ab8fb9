"""The column map as a person edits it on screen: a table of columns out of a parsed log, and back into a map."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from spc.log.columns import ColumnMap, ColumnUse, FieldSource
from spc.measure.number import parse_number

__all__ = ["EDITED", "column_table", "edited_map", "map_text"]

EDITED = ("read as", "unit", "lamp", "step")
_BETWEEN = "  |  "  # of two cells of one column
_LONGEST = 30  # characters told of one cell


def column_table(columns: Sequence[ColumnUse], cells: Mapping[int, Sequence[str]]) -> pd.DataFrame:
    """Return one row per column of the file: its header, first cells, field, unit, lamp and step; index = position."""
    rows = {
        position: {
            "header": use.header or f"column {position}",
            "holds": _BETWEEN.join(_cut(cell) for cell in cells.get(position, ())),
            "read as": use.field,
            "unit": use.source.unit,
            "lamp": use.source.lamp,
            "step": f"{use.source.step:.12g}" if use.source.step else "",
        }
        for use in columns
        for position in use.positions
    }
    return pd.DataFrame.from_dict(rows, orient="index", columns=["header", "holds", *EDITED]).sort_index()


def _cut(cell: str) -> str:
    return cell if len(cell) <= _LONGEST else f"{cell[: _LONGEST - 1]}\u2026"


def edited_map(found: pd.DataFrame, edited: pd.DataFrame, columns: Sequence[ColumnUse], base: ColumnMap) -> ColumnMap:
    """Return `base` with the columns a person changed; unchanged columns keep the way they were understood.

    Parameters
    ----------
    found, edited : DataFrame
        As from `column_table`, before and after editing; same index.
    columns : sequence of ColumnUse
        How the file was understood before the edit.
    base : ColumnMap
        Encoding, decimal mark and the like.

    Returns
    -------
    ColumnMap
        `base` itself when nothing was changed.

    Raises
    ------
    ValueError
        If one field is given to two columns, or a step is no length.
    """
    known, wanted = found.fillna(""), edited.fillna("")
    if (known[list(EDITED)] == wanted[list(EDITED)]).all(axis=None):
        return base
    sources = {position: use.source for use in columns for position in use.positions}
    chosen: dict[str, FieldSource] = {}
    for position, row in wanted.iterrows():
        field = str(row["read as"])
        if not field:
            continue
        if field in chosen:
            raise ValueError(
                f"`read as` must name each field once, got {field} for two columns; leave one of them empty."
            )
        chosen[field] = replace(
            sources.get(position, FieldSource()),
            headers=(),
            positions=(int(position),),
            unit=str(row["unit"]),
            lamp=str(row["lamp"]),
            step=_step(str(row["step"]), str(row["header"])),
        )
    lost = [str(name) for name in known["read as"] if name and name not in chosen]
    return replace(base, columns=chosen, absent=tuple(dict.fromkeys([*base.absent, *lost])))


def _step(typed: str, header: str) -> float | None:
    """Read a step as typed, with a point or a comma; None where none is typed."""
    if not typed.strip():
        return None
    try:
        step = float(parse_number(typed).value)
    except ValueError as error:
        raise ValueError(f"The step of {header} {error}.") from None
    if step <= 0:
        raise ValueError(f"The step of {header} must be a length greater than 0, got {typed}.")
    return step


def map_text(column_map: ColumnMap) -> str:
    """Return a column map as the TOML text to keep beside the logs it reads."""
    lines = [f"name = {_quoted(column_map.name)}"] if column_map.name else []
    if column_map.absent:
        lines.append(f"absent = [{', '.join(_quoted(name) for name in column_map.absent)}]")
    names = ("encoding", "separator", "quote", "decimal", "date_order", "time_zone")
    said = [(name, getattr(column_map, name)) for name in names if getattr(column_map, name)]
    if said:
        lines += ["", "[file]", *(f"{name} = {_quoted(value)}" for name, value in said)]
    for field, source in column_map.columns.items():
        lines += ["", f"[columns.{field}]", f"position = {list(source.positions)}"]
        lines += [
            f"{key} = {_quoted(getattr(source, key))}"
            for key in ("unit", "lamp", "negative", "format")
            if getattr(source, key)
        ]
        lines += [f"step = {source.step}"] if source.step else []
        lines += ["cumulative = true"] if source.cumulative else []
        if source.values:
            pairs = ", ".join(f"{_quoted(old)} = {_quoted(new)}" for old, new in source.values.items())
            lines.append(f"values = {{ {pairs} }}")
    if column_map.constants:
        lines += ["", "[constants]", *(f"{name} = {_quoted(text)}" for name, text in column_map.constants.items())]
    return "\n".join(lines).strip() + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return f'"{escaped}"'
