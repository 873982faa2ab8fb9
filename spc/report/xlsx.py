"""A report as a workbook: one sheet per table with live numbers, one for the words, and a chart for each figure.

Every text from a log is written as text and nothing else: no formula, no link.
"""

import io
import math
from typing import Any

from spc.report.content import Bullets, Cell, Column, Content, Facts, Figure, Paragraph, Series, Table
from spc.report.locale import told_ppm
from spc.report.picture import COLOUR

__all__ = ["write_xlsx"]

_LONGEST = 32_000  # characters a cell can hold, a little less than the format allows
_FORMATS = {
    "count": "#,##0", "exact": "General",
    "ppm": '[=0]0;[<1]"under 1";#,##0', "percent": '[=0]0;[<0.001]"under 0.001";0.000',
}  # fmt: skip
_FIGURE = " figure"  # ends the name of the sheet of one
_WIDEST = 60
_MOST_DECIMALS = 12  # of a significant number


def write_xlsx(content: Content) -> bytes:
    """Write a report as a workbook.

    Parameters
    ----------
    content : Content

    Returns
    -------
    bytes
        The same content gives the same bytes. Numbers are numbers, shown with the marks of the program that opens them;
        parts per million are told to two digits, as everywhere, and with every digit in CSV and JSON alone.
    """
    import xlsxwriter

    file = io.BytesIO()
    options = {
        "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
    }  # fmt: skip
    book = xlsxwriter.Workbook(file, options)
    book.set_properties(
        {"title": _text(content.title)[:200], "author": _text(content.made_by)[:200], "created": content.made_at,
         "comments": f"data {content.fingerprint}; {content.software}"}
    )  # fmt: skip
    writer = _Writer(book, content)
    writer.words()
    for table in content.tables():
        writer.table(table)
    for figure in content.figures():
        writer.figure(figure)
    book.close()
    return file.getvalue()


class _Writer:
    def __init__(self, book: Any, content: Content) -> None:
        self._book, self._content = book, content
        self._bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self._title = book.add_format({"bold": True, "font_size": 14})
        self._wrap = book.add_format({"text_wrap": True, "valign": "top"})
        self._formats: dict[str, Any] = {}

    def words(self) -> None:
        """Sheet of the title, the answer, the front matter and every sentence."""
        sheet = self._sheet("report")
        sheet.set_column(0, 0, 26, self._wrap)
        sheet.set_column(1, 1, 100, self._wrap)
        content, row = self._content, 0
        sheet.write_string(row, 0, _text(content.title), self._title)
        lines: list[tuple[str, str]] = [("", content.subtitle), ("Answer", content.sentence), *content.front]
        heading = ""
        for title, block in content.blocks():
            first = title if title != heading else ""
            heading = title
            if isinstance(block, Paragraph):
                lines.append((first, block.text))
            elif isinstance(block, Bullets):
                lines += [(first if at == 0 else "", item) for at, item in enumerate(block.items)]
            elif isinstance(block, Facts):
                lines += ([(first, "")] if first else []) + list(block.pairs)
            else:
                name = block.name + (_FIGURE if isinstance(block, Figure) else "")
                lines.append((first, f"{block.title}: see the sheet '{_sheet_name(name)}'."))
        for row, (name, text) in enumerate(lines, start=1):
            sheet.write_string(row, 0, _text(name), self._wrap)
            sheet.write_string(row, 1, _text(text), self._wrap)

    def table(self, table: Table) -> None:
        """One sheet: title, heads, rows, note."""
        sheet = self._sheet(table.name)
        sheet.write_string(0, 0, _text(table.title), self._title)
        for at, column in enumerate(table.columns):
            head = f"{column.head}, {column.unit}" if column.unit else column.head
            sheet.write_string(2, at, _text(head), self._bold)
            longest = max((len(_shown(row[at])) for row in table.rows), default=0)
            sheet.set_column(at, at, min(_WIDEST, max(10, longest + 2)))
        for row, cells in enumerate(table.rows, start=3):
            for at, (cell, column) in enumerate(zip(cells, table.columns, strict=True)):
                self._write(sheet, row, at, cell, column)
        sheet.freeze_panes(3, 0)
        sheet.repeat_rows(2)
        if table.note:
            sheet.write_string(len(table.rows) + 4, 0, _text(table.note))

    def figure(self, figure: Figure) -> None:
        """One sheet: the points of every series, and a chart that reads them; a reading is an upright bar."""
        from xlsxwriter.utility import xl_range_formula

        sheet = self._sheet(figure.name + _FIGURE)
        sheet.write_string(0, 0, _text(figure.title), self._title)
        sheet.write_string(1, 0, _text(figure.alternative))
        chart = self._book.add_chart({"type": "scatter", "subtype": "straight"})
        name = self._last
        top = max((v for series in figure.series for v in (*series.y, *series.y2) if math.isfinite(v)), default=1.0)
        left = 0
        for series in figure.series:
            x, y = _points(series, top)
            rows, colour = (4, 3 + len(x)), COLOUR[series.role]
            columns = [(figure.x_label, x), (figure.y_label, y)]
            drawn: dict[str, Any] = {"line": {"color": colour, "width": 1.5}, "marker": {"type": "none"}}
            if series.kind == "intervals":
                half = [(b - a) / 2 for a, b in zip(series.y, series.y2, strict=True)]
                columns.append((f"half its length, {figure.y_label}", half))
                place = xl_range_formula(name, rows[0], left + 2, rows[1], left + 2)
                stroke = {
                    "type": "custom", "end_style": 0, "plus_values": place, "minus_values": place, "plus_data": half,
                    "minus_data": half, "line": drawn["line"],
                }  # fmt: skip
                drawn |= {"line": {"none": True}, "y_error_bars": stroke}
            for at, (head, values) in enumerate(columns, start=left):
                sheet.write_string(3, at, _text(f"{series.label}: {head}"), self._bold)
                sheet.write_column(4, at, values)
            places = {"categories": [name, rows[0], left, rows[1], left]}
            places["values"] = [name, rows[0], left + 1, rows[1], left + 1]
            chart.add_series({"name": _text(series.label)} | places | drawn)
            left += len(columns)
        chart.set_x_axis({"name": _text(figure.x_label), "min": 0})
        chart.set_y_axis({"name": _text(figure.y_label), "min": 0})
        chart.set_size({"width": 720, "height": 380})
        sheet.insert_chart(4, left + 1, chart, {"description": _text(figure.alternative)})

    def _sheet(self, name: str) -> Any:
        self._last = _sheet_name(name)
        sheet = self._book.add_worksheet(self._last)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_footer(f"&Ldata {self._content.fingerprint[:16]}&Rpage &P of &N")
        return sheet

    def _write(self, sheet: Any, row: int, at: int, cell: Cell, column: Column) -> None:
        if isinstance(cell, bool) or cell is None or (isinstance(cell, float) and math.isnan(cell)):
            sheet.write_blank(row, at, None)
        elif isinstance(cell, str):
            sheet.write_string(row, at, _text(cell))
        elif math.isinf(cell):
            sheet.write_string(row, at, "open")
        else:
            told = told_ppm(cell) if column.kind == "ppm" and cell >= 1 else cell  # no format rounds to two digits
            sheet.write_number(row, at, told, self._format(column, cell))

    def _format(self, column: Column, cell: float) -> Any:
        decimals = column.decimals
        if column.kind == "significant" and cell:
            decimals = min(max(decimals - 1 - math.floor(math.log10(abs(cell))), 0), _MOST_DECIMALS)
        pattern = _FORMATS.get(column.kind) or ("0." + "0" * decimals).rstrip(".")
        if pattern not in self._formats:
            self._formats[pattern] = self._book.add_format({"num_format": pattern})
        return self._formats[pattern]


def _points(series: Series, top: float) -> tuple[list[float], list[float]]:
    """Corners of a line that draws the series."""
    if series.kind == "bars":
        corners = [
            point
            for a, b, y in zip(series.x, series.x2, series.y, strict=True)
            for point in ((a, 0.0), (a, y), (b, y), (b, 0.0))
        ]
        return [x for x, _ in corners], [y for _, y in corners]
    if series.kind == "intervals":
        return list(series.x), [(a + b) / 2 for a, b in zip(series.y, series.y2, strict=True)]
    if series.kind == "upright":
        return [series.x[0], series.x[0]], [0.0, top]
    return list(series.x), list(series.y)


def _sheet_name(name: str) -> str:
    return name[:31]


def _shown(cell: Cell) -> str:
    return "" if cell is None else cell if isinstance(cell, str) else f"{cell:.6g}"


def _text(text: str) -> str:
    return text[:_LONGEST].encode("utf-8", "replace").decode("utf-8")
