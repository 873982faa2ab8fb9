"""A report as one HTML page that needs nothing else: no script, no outside file, and fit for A4 and Letter paper."""

from html import escape

from spc.report.content import Block, Bullets, Content, Facts, Figure, Paragraph, Section, Table, shown
from spc.report.picture import draw_svg

__all__ = ["write_html"]

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 10.5pt/1.45 "DejaVu Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif; color: #111; background: #fff;
  max-width: 186mm; margin: 10mm auto; padding: 0 5mm; overflow-wrap: anywhere; }
h1 { font-size: 19pt; line-height: 1.2; margin: 0 0 1mm; }
h2 { font-size: 13pt; margin: 8mm 0 2mm; border-bottom: 1.5pt solid #111; padding-bottom: 1mm; break-after: avoid; }
h3, caption, figure .name { font-size: 10.5pt; font-weight: 700; text-align: left; margin: 4mm 0 1mm;
  break-after: avoid; }
.under { color: #444; margin: 0 0 3mm; }
.answer { font-size: 12.5pt; border-left: 3mm solid #0072B2; padding: 1mm 0 1mm 4mm; margin: 3mm 0 5mm; }
.caution { border: 1pt solid #D55E00; border-left-width: 3mm; padding: 1mm 3mm; }
.strong { font-weight: 700; }
dl { display: grid; grid-template-columns: 38mm 1fr; gap: .6mm 4mm; margin: 0 0 4mm; font-size: 9pt; }
dt { color: #444; } dd { margin: 0; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; font-size: 9pt; margin: 1mm 0 1mm; }
th { text-align: left; vertical-align: bottom; border-bottom: 1pt solid #111; padding: .8mm 1.6mm .8mm 0; }
td { vertical-align: top; border-bottom: .4pt solid #bbb; padding: .7mm 1.6mm .7mm 0; }
th.n, td.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
th.n { white-space: normal; }
thead { display: table-header-group; } tr { break-inside: avoid; }
.dense { font-size: 7.2pt; line-height: 1.25; } .dense td { padding: .15mm 1.2mm .15mm 0; }
.note { font-size: 8.5pt; color: #444; margin: 0 0 3mm; }
figure { margin: 2mm 0 4mm; break-inside: avoid; } figure svg { width: 100%; height: auto; }
figcaption { font-size: 8.5pt; color: #444; }
ul, ol { margin: 1mm 0 3mm; padding-left: 6mm; } li { margin: .6mm 0; }
code { font: 9pt "DejaVu Sans Mono", Consolas, monospace; background: #f2f2f2; padding: .5mm 1.5mm; }
@page { margin: 16mm 15mm 18mm; @bottom-right { content: "page " counter(page) " of " counter(pages);
  font: 8pt sans-serif; } @bottom-left { content: "data FOOT"; font: 8pt sans-serif; } }
@page one { margin: 9mm 13mm 12mm; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 9.5pt; } h1 { font-size: 16pt; }
  h2.new { break-before: page; } table:not(.dense) { break-inside: avoid; }
  body.one { page: one; font-size: 7.6pt; line-height: 1.22; } .one h1 { font-size: 12pt; }
  .one h2 { font-size: 9pt; margin: 2mm 0 .6mm; padding: 0; } .one p { margin: .8mm 0; }
  .one table, .one dl, .one caption { font-size: 7.2pt; margin: .5mm 0; } .one td { padding: .2mm 1.6mm .2mm 0; }
  .one .answer { font-size: 9.5pt; margin: 1.2mm 0; } .one .under { margin: 0; } .one li { margin: .2mm 0; }
  .one ul, .one ol { margin: .5mm 0; } }
"""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def write_html(content: Content) -> bytes:
    """Write a report as a page.

    Parameters
    ----------
    content : Content

    Returns
    -------
    bytes
        UTF-8; the same content gives the same bytes.
    """
    foot = "".join(char for char in content.fingerprint[:16] if char.isalnum())
    parts = [
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{_text(content.title)}</title>",
        f"<style>{_STYLE.replace('FOOT', foot)}</style>\n</head>",
        f"<body{' class=one' if content.one_page else ''}>\n<main>",
        f"<h1>{_text(content.title)}</h1>\n<p class='under'>{_text(content.subtitle)}</p>",
        f"<p class='answer'>{_text(content.sentence)}</p>" if content.sentence else "",
        _facts(Facts(content.front)),
        *(_section(section, content, new=False) for section in content.sections),
        *(_section(section, content, new=at == 0) for at, section in enumerate(content.appendix)),
        "</main>\n</body>\n</html>\n",
    ]
    return "\n".join(part for part in parts if part).encode("utf-8", "replace")


def _section(section: Section, content: Content, *, new: bool) -> str:
    head = f"<h2{' class=new' if new else ''}>{_text(section.title)}</h2>"
    return "<section>\n" + "\n".join([head, *(_block(block, content) for block in section.blocks)]) + "\n</section>"


def _block(block: Block, content: Content) -> str:
    if isinstance(block, Paragraph):
        if block.kind == "code":
            return f"<p><code>{_text(block.text)}</code></p>"
        kind = f" class={block.kind}" if block.kind else ""
        return f"<p{kind}>{_text(block.text)}</p>"
    if isinstance(block, Bullets):
        kind = "ol" if block.numbered else "ul"
        return f"<{kind}>" + "".join(f"<li>{_text(item)}</li>" for item in block.items) + f"</{kind}>"
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Figure):
        return _figure(block, content)
    return _table(block, content)


def _facts(facts: Facts) -> str:
    rows = "".join(f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>" for name, value in facts.pairs)
    return f"<dl>{rows}</dl>"


def _table(table: Table, content: Content) -> str:
    dense = " class=dense" if table.dense else ""
    numeric = [column.kind != "text" for column in table.columns]
    heads = "".join(
        f"<th scope=col{' class=n' if number else ''}>{_text(_head(column.head, column.unit))}</th>"
        for column, number in zip(table.columns, numeric, strict=True)
    )
    starts = ["<td class=n>" if number else "<td>" for number in numeric]
    whole = sum(column.width for column in table.columns)
    widths = "".join(f'<col style="width:{100 * column.width / whole:.2f}%">' for column in table.columns)
    body = "\n".join(
        "<tr>"
        + "".join(
            f"{start}{_text(shown(cell, column, content.locale))}</td>"
            for start, cell, column in zip(starts, row, table.columns, strict=True)
        )
        + "</tr>"
        for row in table.rows
    )
    note = f"<p class='note'>{_text(table.note)}</p>" if table.note else ""
    return (
        f"<table{dense}><caption>{_text(table.title)}</caption>"
        f"<colgroup>{widths}</colgroup><thead><tr>{heads}</tr></thead>\n<tbody>\n{body}\n</tbody></table>{note}"
    )


def _figure(figure: Figure, content: Content) -> str:
    drawing = draw_svg(figure, decimal=content.locale.decimal)
    label = f'<svg role="img" aria-label="{_text(figure.alternative)}"'
    return (
        f"<figure><p class='name'>{_text(figure.title)}</p>{drawing.replace('<svg', label, 1)}"
        f"<figcaption>{_text(figure.caption)}</figcaption></figure>"
    )


def _head(head: str, unit: str) -> str:
    return f"{head}, {unit}" if unit else head


def _text(text: str) -> str:
    """Escape a text; what has no place in a page (control characters, marks that turn the line round) is shown as ?."""
    return escape("".join(char if _harmless(char) else "\ufffd" for char in text))


def _harmless(char: str) -> bool:
    code = ord(char)
    return (
        (code >= 32 or char in "\n\t") and code != 127 and not 0x202A <= code <= 0x202E and not 0x2066 <= code <= 0x2069
    )
