"""Lines of text on PDF pages: measured, wrapped and set one by one, in a font that is carried inside the file.

Set by hand because a report's tables are long and its names may be anything: what the font has no shape for is shown as
a replacement mark and counted, and writing from right to left is set in its order.
"""

import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from spc.report.render import check_paper

__all__ = ["FONTS", "LINE", "MARGIN_MM", "Sheet"]

MARGIN_MM = 16.0
_BOTTOM_MM = 17.0
LINE = 1.34  # line height over letter height
_MM_PER_PT = 25.4 / 72
FONTS = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "M": "DejaVuSansMono.ttf"}
_MISSING = "\ufffd"
_RIGHT_TO_LEFT = ("R", "AL", "RLE", "RLO", "RLI", "AN")


class Sheet:
    """A PDF under way: a cursor that goes down the page and begins a new one where a line has no room."""

    def __init__(self, paper: str, *, scale: float = 1.0) -> None:
        import matplotlib
        from fpdf import FPDF

        self.scale = scale  # of letters and gaps
        self.width_mm, self.height_mm = check_paper(paper)
        self.inner_mm = self.width_mm - 2 * MARGIN_MM
        self.bottom_mm = self.height_mm - _BOTTOM_MM
        self.pdf: Any = FPDF(unit="mm", format=(self.width_mm, self.height_mm))
        self.pdf.set_auto_page_break(False)
        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        for style, file in FONTS.items():
            self.pdf.add_font(f"face{style}", "", folder / file)
        self.missing = 0  # characters that their font has no shape for
        self.turned = False  # whether anything is written from right to left
        self._widths: dict[str, dict[str, float]] = {style: {} for style in FONTS}
        self.y = 0.0
        self.new_page()

    def finish(self) -> bytes:
        """Write the file and let go of its fonts."""
        data = bytes(self.pdf.output())
        self.close()
        return data

    def close(self) -> None:
        """Let go of the fonts without writing anything."""
        for font in self.pdf.fonts.values():
            font.ttfont.close()

    def new_page(self) -> None:
        """Begin a page."""
        self.pdf.add_page()
        self.y = MARGIN_MM

    def need(self, height_mm: float) -> None:
        """Begin a page unless so much room is left on this one."""
        if self.y + height_mm > self.bottom_mm:
            self.new_page()

    def line_mm(self, size: float) -> float:
        """Height of a line of letters of so many points."""
        return size * self.scale * LINE * _MM_PER_PT

    def gap(self, height_mm: float) -> None:
        """Leave room."""
        self.y += height_mm * self.scale

    def put(self, text: str, x_mm: float, size: float, style: str = "", *, right_mm: float | None = None) -> None:
        """Set one line with its feet at the cursor's line; with `right_mm`, ending there."""
        if not text:
            return
        if right_mm is not None:
            x_mm = right_mm - self.measure(text, size, style)
        self.pdf.set_font(f"face{style}", "", size * self.scale)
        self.pdf.text(x_mm, self.y + 0.78 * self.line_mm(size), self._ordered(text))

    def paragraph(
        self, text: str, size: float, style: str = "", *, indent_mm: float = 0.0, after_mm: float = 1.6
    ) -> None:
        """Set a paragraph over the width of the page, going on to the next page where it must."""
        height = self.line_mm(size)
        for line in self.wrap(text, self.inner_mm - indent_mm, size, style):
            self.need(height)
            self.put(line, MARGIN_MM + indent_mm, size, style)
            self.y += height
        self.gap(after_mm)

    def rule(self, *, grey: int = 0, weight_mm: float = 0.25) -> None:
        """Draw a line across the page at the cursor."""
        self.pdf.set_draw_color(grey)
        self.pdf.set_line_width(weight_mm)
        self.pdf.line(MARGIN_MM, self.y, self.width_mm - MARGIN_MM, self.y)

    def clean(self, text: str, style: str = "") -> str:
        """Give what can be set of a text: one space for white space, a mark for what the font has no shape for."""
        kept = []
        have = self.pdf.fonts[f"face{style}".lower()].cmap
        for char in unicodedata.normalize("NFC", text):
            if char in "\n\r\t\v\f\u2028\u2029":
                kept.append(" ")
            elif unicodedata.category(char) in ("Cc", "Cf", "Cs", "Co", "Cn") or char in "\ufe0f\ufe0e":
                continue  # controls, marks that turn the line, variation marks: nothing to see
            elif ord(char) in have:
                kept.append(char)
            else:
                kept.append(_MISSING)
                self.missing += 1
        return "".join(kept)

    def measure(self, text: str, size: float, style: str = "") -> float:
        """Width of a clean text in millimetres."""
        known = self._widths[style]
        total = 0.0
        for char in text:
            if char not in known:
                self.pdf.set_font(f"face{style}", "", 1000)
                known[char] = self.pdf.get_string_width(char) / 1000
            total += known[char]
        return total * size * self.scale

    def wrap(self, text: str, width_mm: float, size: float, style: str = "") -> list[str]:
        """Cut a text into lines; a word longer than a line is cut where the line ends."""
        lines, line, used = [], "", 0.0
        space = self.measure(" ", size, style)
        for word in self._pieces(self.clean(text, style), width_mm, size, style):
            width = self.measure(word, size, style)
            if line and used + space + width > width_mm:
                lines.append(line)
                line, used = "", 0.0
            line, used = (f"{line} {word}", used + space + width) if line else (word, width)
        return [*lines, line] if line or not lines else lines

    def _pieces(self, text: str, width_mm: float, size: float, style: str) -> Iterator[str]:
        for word in text.split():
            while self.measure(word, size, style) > width_mm:
                fits = 1
                while fits < len(word) and self.measure(word[: fits + 1], size, style) <= width_mm:
                    fits += 1
                yield word[:fits]
                word = word[fits:]
            if word:
                yield word

    def _ordered(self, line: str) -> str:
        """Put a line into the order in which it is seen."""
        if not any(unicodedata.bidirectional(char) in _RIGHT_TO_LEFT for char in line):
            return line
        from fpdf.bidi import BidiParagraph
        from fpdf.enums import TextDirection

        self.turned = True
        return str(BidiParagraph(text=line, base_direction=TextDirection.LTR).get_reordered_string())
