"""What a report says, apart from how it is written: one model from which every format is made.

Lengths in tables and figures are already in the report's unit; numbers stay numbers, and each column says how it is
shown. Text is plain text: what a name from a log may hold is the writer's business to escape.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from spc.report.locale import Locale

__all__ = [
    "Block",
    "Bullets",
    "Cell",
    "Column",
    "Content",
    "Facts",
    "Figure",
    "Paragraph",
    "Section",
    "Series",
    "Table",
    "shown",
]

_LEAST_PERCENT = 0.001  # below it a share is no longer worth digits

Cell = str | int | float | None


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    head: str
    kind: str = "text"  # or "count", "number", "significant", "percent", "ppm", "exact" (every digit a number has)
    decimals: int = 3  # of a 'number'; significant digits of a 'significant' one and of a 'percent'
    unit: str = ""
    width: float = 1.0  # relative, for formats that set columns


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of typed cells."""

    name: str  # short, plain letters: name of a sheet or file
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    dense: bool = False  # a long list, set small and in several columns where the format can


@dataclass(frozen=True, slots=True)
class Series:
    """One set of marks of a figure."""

    label: str
    kind: str  # 'line' (x, y), 'bars' (each from x to x2, high y), 'intervals' (at x, from y to y2), 'upright' (at x)
    role: str  # 'data', 'law', 'limit', 'mark', 'faint'
    x: tuple[float, ...]
    y: tuple[float, ...] = ()
    x2: tuple[float, ...] = ()
    y2: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture as data, with its words for those who cannot see it."""

    name: str
    title: str
    caption: str
    alternative: str
    x_label: str
    y_label: str
    series: tuple[Series, ...]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One paragraph; 'strong' for the answer itself, 'caution' for what protects people, 'code' for a command."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """Short statements."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and values side by side."""

    pairs: tuple[tuple[str, str], ...]


Block = Paragraph | Bullets | Facts | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Content:
    """A whole report."""

    kind: str  # 'study' or 'handover'
    title: str
    subtitle: str
    sentence: str  # the answer, first of all
    front: tuple[tuple[str, str], ...]  # what the report is of, by whom, when, with what
    sections: tuple[Section, ...]
    appendix: tuple[Section, ...]
    fingerprint: str  # of the data
    made_at: datetime  # wall clock of the site, without zone
    made_by: str
    software: str
    locale: Locale
    one_page: bool = False  # set smaller where that makes it one page of paper

    def blocks(self) -> Iterator[tuple[str, Block]]:
        """Every block with the heading it stands under, in order."""
        for section in (*self.sections, *self.appendix):
            for block in section.blocks:
                yield section.title, block

    def tables(self) -> tuple[Table, ...]:
        """Every table, in order."""
        return tuple(block for _, block in self.blocks() if isinstance(block, Table))

    def figures(self) -> tuple[Figure, ...]:
        """Every figure, in order."""
        return tuple(block for _, block in self.blocks() if isinstance(block, Figure))


def shown(cell: Cell, column: Column, locale: Locale) -> str:
    """Write one cell as people read it."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return cell
    if column.kind == "count" and float(cell).is_integer():
        return locale.count(int(cell))
    if column.kind == "ppm" and cell == 0:  # counted, and none found
        return "0"
    if column.kind == "ppm":
        return locale.ppm(float(cell))
    if column.kind == "percent" and 0 < cell < _LEAST_PERCENT:
        return f"under {locale.number(_LEAST_PERCENT, 3)}"
    if column.kind in ("significant", "percent"):
        return locale.significant(float(cell), column.decimals)
    if column.kind == "exact":
        return "open" if cell == float("inf") else repr(cell).replace(".", locale.decimal)
    return locale.number(float(cell), column.decimals)
