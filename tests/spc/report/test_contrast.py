"""What a report draws and writes is seen: contrast in the colours that stand in the files themselves."""

import io
import re

import numpy as np
import pypdf
import pytest
from PIL import Image
from pypdf.generic import ContentStream

from spc.report.content import Figure, Series
from spc.report.html import write_html
from spc.report.pdf import write_pdf
from spc.report.picture import COLOUR, draw_png
from tests.dashboard.test_theme import contrast

WHITE = "#FFFFFF"
TEXT, MARK = 4.5, 3.0  # WCAG 2.1, 1.4.3 and 1.4.11
X = (0.0, 1.0, 2.0)


def drawn(*series):
    """Pixels inside the axes of a figure with these marks, (rows, columns, 3)."""
    figure = Figure("one", "One", "", "", "x", "y", series)
    pixels = np.asarray(Image.open(io.BytesIO(draw_png(figure))).convert("RGB"))
    tall, wide, _ = pixels.shape
    return pixels[int(0.16 * tall) : int(0.8 * tall), int(0.12 * wide) : int(0.98 * wide)]


def strongest(pixels, ground=WHITE):
    colours = np.unique(pixels.reshape(-1, 3), axis=0)
    return max(contrast("#" + bytes(colour).hex(), ground) for colour in colours)


@pytest.mark.parametrize(
    ("kind", "role"),
    [("bars", "data"), ("intervals", "data"), ("upright", "mark"), *(("line", role) for role in COLOUR)],
)
def test_every_mark_of_a_picture_is_seen_on_its_paper(kind, role):
    y = (0.5, 0.6, 0.7)
    series = Series("m", kind, role, X, y, x2=(0.4, 1.4, 2.4), y2=(0.9, 1.0, 1.1))
    assert strongest(drawn(series)) >= MARK


@pytest.mark.parametrize(
    ("kind", "role"), [("bars", "law"), ("bars", "limit"), ("bars", "mark"), ("intervals", "limit")]
)
def test_a_line_is_seen_where_it_crosses_readings(kind, role):
    x = tuple(np.linspace(0.0, 2.0, 300 if kind == "intervals" else 3))
    readings = Series("r", kind, "data", x, (1.0,) * len(x), x2=tuple(v + 1.0 for v in x), y2=(0.0,) * len(x))
    pixels = drawn(readings, Series("l", "line", role, (0.0, 2.0), (0.5, 0.5))).astype(int)
    line = abs(pixels - [int(COLOUR[role][at : at + 2], 16) for at in (1, 3, 5)]).sum(axis=2) <= 12
    rows = np.flatnonzero(line.mean(axis=1) > 0.3)
    assert rows.size, "the line is not drawn over the readings"
    across = int(np.flatnonzero(line[rows[0]])[line[rows[0]].sum() // 2])  # in a dash, amid the readings
    for beside in (pixels[rows[0] - 4 : rows[0], across], pixels[rows[-1] + 1 : rows[-1] + 5, across]):
        assert strongest(beside.astype(np.uint8), COLOUR[role]) >= MARK


def test_every_word_and_bar_of_the_pdf_is_seen(content):
    reader = pypdf.PdfReader(io.BytesIO(write_pdf(content)))
    words = bars = 0
    for page in reader.pages:
        colour = "#000000"
        rectangle = False
        for operands, operator in ContentStream(page.get_contents(), reader).operations:
            if operator in (b"g", b"rg"):
                parts = [float(part) for part in operands] * (3 if operator == b"g" else 1)
                colour = "#" + "".join(f"{round(255 * part):02x}" for part in parts)
            elif operator in (b"Tj", b"TJ"):
                assert contrast(colour, WHITE) >= TEXT, colour
                words += 1
            elif operator == b"re":
                rectangle = True
            elif operator == b"f" and rectangle:
                assert contrast(colour, WHITE) >= MARK, colour
                bars += 1
                rectangle = False
    assert words > 100 and bars


def test_every_word_and_bar_of_the_page_is_seen(content):
    style = re.search(r"<style>(.*?)</style>", write_html(content).decode(), re.S)[1]
    texts = re.findall(r"(?<![-\w])color: (#\w+)", style)
    grounds = [WHITE, *re.findall(r"background: (#\w+)", style)]
    bars = re.findall(r"border(?:-left)?: [\d.]+mm solid (#\w+)|border: 1pt solid (#D\w+)", style)
    assert len(texts) >= 3 and bars

    def full(colour):
        return colour if len(colour) == 7 else "#" + "".join(2 * part for part in colour[1:])

    assert min(contrast(full(text), full(ground)) for text in texts for ground in grounds) >= TEXT
    assert min(contrast(full(a or b), WHITE) for a, b in bars) >= MARK
