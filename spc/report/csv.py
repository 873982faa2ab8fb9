"""Every figure of a report as tidy CSV: one value per line, with the table, row and column it stands in."""

import csv
import io
from collections.abc import Iterator

from spc.report.content import Cell, Content, Facts, Figure, Table

__all__ = ["HEADER", "write_csv"]

HEADER = ("section", "kind", "name", "row", "column", "unit", "value")
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_csv(content: Content) -> bytes:
    """Write every table cell, point of a figure and fact of a report.

    Parameters
    ----------
    content : Content

    Returns
    -------
    bytes
        UTF-8 with a byte order mark, so that spreadsheets read it rightly; numbers with a decimal point and every
        digit, 'inf' for one open above, nothing for one that the readings do not carry. A text that a spreadsheet would
        take for a formula is given a leading apostrophe.
    """
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(HEADER)
    for row in _lines(content):
        writer.writerow([_plain(cell) for cell in row])
    return b"\xef\xbb\xbf" + file.getvalue().encode("utf-8", "replace")


def _lines(content: Content) -> Iterator[tuple[Cell, ...]]:
    front = (("Title", content.title), ("Answer", content.sentence), *content.front)
    for at, (name, value) in enumerate(front, start=1):
        yield "front", "fact", "front", at, name, "", value
    for section, block in content.blocks():
        if isinstance(block, Table):
            for at, row in enumerate(block.rows, start=1):
                for column, cell in zip(block.columns, row, strict=True):
                    yield section, "table", block.name, at, column.head, column.unit, cell
        elif isinstance(block, Facts):
            for at, (name, value) in enumerate(block.pairs, start=1):
                yield section, "fact", "facts", at, name, "", value
        elif isinstance(block, Figure):
            yield from _points(section, block)


def _points(section: str, figure: Figure) -> Iterator[tuple[Cell, ...]]:
    for series in figure.series:
        for name in ("x", "x2", "y", "y2"):
            for at, value in enumerate(getattr(series, name), start=1):
                yield section, "figure", f"{figure.name}: {series.label}", at, name, "", value


def _plain(cell: Cell) -> str:
    if cell is None or cell != cell:
        return ""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(_STARTS_FORMULA) else cell
    return repr(cell)
