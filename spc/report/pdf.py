"""A report as a PDF, set without a browser: page numbers, fonts inside the file, the same bytes each time."""

import io
from datetime import UTC

from spc.report.content import Block, Bullets, Content, Facts, Figure, Paragraph, Section, Table, shown
from spc.report.locale import Locale
from spc.report.pdf_page import MARGIN_MM, Sheet
from spc.report.picture import HEIGHT_IN, WIDTH_IN, draw_png

__all__ = ["write_pdf"]

_BODY, _SMALL, _LIST = 9.0, 7.6, 6.0  # points
_LONGEST_TITLE = 160
_LONGEST_CELL = 400  # characters; a longer text is cut and says so
_LONGEST_PARAGRAPH = 4000
_WIDEST = 20  # characters of a column of a long list
_KEPT_WHOLE_MM = 90.0  # a table up to this tall stands on one page
_SCALES = (1.0, 0.94, 0.88, 0.82, 0.76, 0.7)  # tried one after the other where a report is to be one page


def write_pdf(content: Content, *, paper: str = "A4") -> bytes:
    """Write a report as a PDF.

    Parameters
    ----------
    content : Content
    paper : {'A4', 'Letter'}

    Returns
    -------
    bytes
        The same content gives the same bytes.

    Raises
    ------
    ValueError
        If the paper is not known.

    Notes
    -----
    Letters written from right to left stand in their order but are not joined. What the font has no shape for is shown
    as a replacement mark; the end of the report says how many there are.
    """
    scales = _SCALES if content.one_page else (1.0,)
    for scale in scales:
        sheet = Sheet(paper, scale=scale)
        _set(sheet, content)
        if sheet.pdf.page == 1 or scale == scales[-1]:
            break
        sheet.close()
    return sheet.finish()


def _set(sheet: Sheet, content: Content) -> None:
    pdf = sheet.pdf
    pdf.set_title(sheet.clean(_cut(content.title, _LONGEST_TITLE)))
    pdf.set_subject(sheet.clean(content.subtitle))
    pdf.set_creator(content.software)
    pdf.set_producer(content.software)
    pdf.set_creation_date(content.made_at.replace(tzinfo=UTC))
    pdf.set_lang("en")
    sheet.paragraph(_cut(content.title, _LONGEST_TITLE), 16, "B", after_mm=0.5)
    sheet.paragraph(content.subtitle, _BODY, after_mm=2.5)
    if content.sentence:
        _answer(sheet, content.sentence)
    _facts(sheet, content.front)
    for section in content.sections:
        _section(sheet, section, content.locale)
    for at, section in enumerate(content.appendix):
        if at == 0:
            sheet.new_page()
        _section(sheet, section, content.locale)
    if sheet.missing:
        sheet.paragraph(
            f"{content.locale.count(sheet.missing)} characters have no shape in the font of this file and are shown "
            "as a replacement mark; the HTML and JSON forms of this report hold them.", _SMALL,
        )  # fmt: skip
    if sheet.turned:
        sheet.paragraph("Words written from right to left are set in their order with unjoined letters.", _SMALL)
    _feet(sheet, content)


def _section(sheet: Sheet, section: Section, locale: Locale) -> None:
    sheet.gap(3.0)
    first = section.blocks[0] if section.blocks else None
    rows = len(first.rows) if isinstance(first, Table) and not first.dense else 0
    sheet.need(min(42.0 + 6.0 * rows, _KEPT_WHOLE_MM + 20.0) * sheet.scale)  # a heading is never left alone
    sheet.paragraph(section.title, 12, "B", after_mm=0.6)
    sheet.rule(weight_mm=0.4)
    sheet.gap(2.2)
    for block in section.blocks:
        _block(sheet, block, locale)


def _block(sheet: Sheet, block: Block, locale: Locale) -> None:
    if isinstance(block, Paragraph):
        text = _cut(block.text, _LONGEST_PARAGRAPH)
        if block.kind == "caution":
            _boxed(sheet, text)
        else:
            style = {"strong": "B", "code": "M"}.get(block.kind, "")
            sheet.paragraph(text, _SMALL if block.kind == "code" else _BODY, style)
    elif isinstance(block, Bullets):
        for at, item in enumerate(block.items, start=1):
            sheet.need(sheet.line_mm(_BODY))
            sheet.put(f"{at}." if block.numbered else "\u2022", MARGIN_MM + 0.8, _BODY)
            sheet.paragraph(_cut(item, _LONGEST_PARAGRAPH), _BODY, indent_mm=6.0, after_mm=0.8)
        sheet.gap(1.0)
    elif isinstance(block, Facts):
        _facts(sheet, block.pairs)
    elif isinstance(block, Figure):
        _figure(sheet, block, locale)
    elif block.dense:
        _long_list(sheet, block, locale)
    else:
        _table(sheet, block, locale)


def _answer(sheet: Sheet, text: str) -> None:
    """Set the answer large, with a bar beside it."""
    size = 11.5
    height = sheet.line_mm(size)
    for line in sheet.wrap(_cut(text, _LONGEST_PARAGRAPH), sheet.inner_mm - 6, size):
        sheet.need(height)
        sheet.pdf.set_fill_color(0, 114, 178)
        sheet.pdf.rect(MARGIN_MM, sheet.y, 2.0, height, style="F")
        sheet.put(line, MARGIN_MM + 5, size)
        sheet.y += height
    sheet.gap(3.5)


def _boxed(sheet: Sheet, text: str) -> None:
    """Set a caution with a bar beside it."""
    height = sheet.line_mm(_BODY)
    for line in sheet.wrap(text, sheet.inner_mm - 6, _BODY):
        sheet.need(height)
        sheet.pdf.set_fill_color(213, 94, 0)
        sheet.pdf.rect(MARGIN_MM, sheet.y, 2.0, height, style="F")
        sheet.put(line, MARGIN_MM + 5, _BODY)
        sheet.y += height
    sheet.gap(2.0)


def _facts(sheet: Sheet, pairs: tuple[tuple[str, str], ...]) -> None:
    size, left = 8.2, 38.0
    height = sheet.line_mm(size)
    for name, value in pairs:
        heads = sheet.wrap(name, left - 2, size)
        lines = sheet.wrap(_cut(value, _LONGEST_PARAGRAPH), sheet.inner_mm - left, size)
        for at in range(max(len(heads), len(lines))):
            sheet.need(height)
            if at < len(heads):
                sheet.pdf.set_text_color(80)
                sheet.put(heads[at], MARGIN_MM, size)
                sheet.pdf.set_text_color(0)
            if at < len(lines):
                sheet.put(lines[at], MARGIN_MM + left, size)
            sheet.y += height
        sheet.gap(0.5)
    sheet.gap(2.0)


def _figure(sheet: Sheet, figure: Figure, locale: Locale) -> None:
    height = sheet.inner_mm * HEIGHT_IN / WIDTH_IN
    sheet.need(height + 14)
    sheet.paragraph(figure.title, _BODY, "B", after_mm=0.5)
    picture = io.BytesIO(draw_png(figure, decimal=locale.decimal))
    sheet.pdf.image(
        picture, x=MARGIN_MM, y=sheet.y, w=sheet.inner_mm, alt_text=sheet.clean(figure.alternative), title=figure.name
    )
    sheet.y += height + 1
    sheet.paragraph(figure.caption, _SMALL, after_mm=3)


def _table(sheet: Sheet, table: Table, locale: Locale) -> None:
    size, gap = 8.0, 2.2
    height = sheet.line_mm(size)
    whole = sum(column.width for column in table.columns)
    widths = [sheet.inner_mm * column.width / whole for column in table.columns]
    lefts = [MARGIN_MM + sum(widths[:at]) for at in range(len(widths))]
    right = [column.kind != "text" for column in table.columns]
    heads = [
        sheet.wrap(f"{column.head}, {column.unit}" if column.unit else column.head, width - gap, size, "B")
        for column, width in zip(table.columns, widths, strict=True)
    ]

    def row(cells: list[list[str]], style: str) -> None:
        for at in range(max((len(cell) for cell in cells), default=0)):
            if sheet.y + height > sheet.bottom_mm:
                sheet.new_page()
                if not style:
                    row(heads, "B")
            for cell, left, width, number in zip(cells, lefts, widths, right, strict=True):
                if at < len(cell):
                    sheet.put(cell[at], left, size, style, right_mm=left + width - gap if number else None)
            sheet.y += height
        sheet.gap(0.5)
        sheet.rule(grey=0 if style else 170, weight_mm=0.25 if style else 0.12)
        sheet.gap(0.5)

    rows = [
        [
            sheet.wrap(_cut(shown(cell, column, locale), _LONGEST_CELL), width - gap, size)
            for cell, column, width in zip(cells, table.columns, widths, strict=True)
        ]
        for cells in table.rows
    ]
    note = sheet.wrap(table.note, sheet.inner_mm, _SMALL) if table.note else []
    tall = [height * max(len(cell) for cell in lines) + 1.0 for lines in [heads, *rows]]
    under = sheet.line_mm(_SMALL) * len(note) + 3
    sheet.gap(1.2)
    whole_mm = sheet.line_mm(_BODY) + sum(tall) + under
    sheet.need(whole_mm if whole_mm < _KEPT_WHOLE_MM else sheet.line_mm(_BODY) + sum(tall[:3]))
    sheet.paragraph(table.title, _BODY, "B", after_mm=0.8)
    row(heads, "B")
    for place, lines in enumerate(rows, start=1):
        with_note = under if place == len(rows) else 0.0
        if sheet.y + min(tall[place], 6 * height) + with_note > sheet.bottom_mm:
            sheet.new_page()
            row(heads, "B")
        row(lines, "")
    sheet.gap(0.8)
    if table.note:
        sheet.paragraph(table.note, _SMALL, after_mm=3)


def _long_list(sheet: Sheet, table: Table, locale: Locale) -> None:
    """Set a long list in letters of one width, a line for each row."""
    texts = [
        [_cut(sheet.clean(shown(cell, column, locale), "M"), _WIDEST) for cell in cells]
        for cells, column in zip(zip(*table.rows, strict=True), table.columns, strict=True)
    ]
    heads = [sheet.clean(f"{c.head}, {c.unit}" if c.unit else c.head, "M") for c in table.columns]
    heads = [_cut(head, _WIDEST) for head in heads]
    wide = [max(len(text) for text in [head, *column]) for head, column in zip(heads, texts, strict=True)]
    right = [column.kind != "text" for column in table.columns]
    size = min(_LIST, sheet.inner_mm / max(sheet.measure("0" * (sum(wide) + 2 * len(wide)), 1.0, "M"), 1e-9))
    height = 0.91 * sheet.line_mm(size)

    def line(cells: list[str]) -> str:
        padded = [
            cell.rjust(width) if number else cell.ljust(width)
            for cell, width, number in zip(cells, wide, right, strict=True)
        ]
        return "  ".join(padded).rstrip()

    def head() -> None:
        sheet.put(line(heads), MARGIN_MM, size, "M")
        sheet.y += height + 0.4
        sheet.rule(weight_mm=0.2)
        sheet.gap(0.6)

    sheet.paragraph(table.title, _BODY, "B", after_mm=0.8)
    if table.note:
        sheet.paragraph(table.note, _SMALL, after_mm=1.5)
    head()
    for cells in zip(*texts, strict=True):
        if sheet.y + height > sheet.bottom_mm:
            sheet.new_page()
            head()
        sheet.put(line(list(cells)), MARGIN_MM, size, "M")
        sheet.y += height
    sheet.gap(2.0)


def _feet(sheet: Sheet, content: Content) -> None:
    """Write each page its number, now that all are set."""
    pdf, last = sheet.pdf, sheet.pdf.page
    title = sheet.clean(_cut(content.title, 60))
    for page in range(1, last + 1):
        pdf.page = page
        pdf.set_font("faceB", "", 7.1)  # a change of font is what makes this page name it again
        sheet.y = sheet.height_mm - 11.0
        sheet.put(f"{title}  \u00b7  data {content.fingerprint[:16]}", MARGIN_MM, 7.0)
        sheet.put(f"page {page} of {last}", 0.0, 7.0, right_mm=sheet.width_mm - MARGIN_MM)


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "\u2026"
