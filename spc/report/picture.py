"""Figures drawn from their data, as SVG for pages and as PNG for print; the same figure gives the same bytes."""

import io
import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from spc.report.content import Figure, Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["COLOUR", "draw_png", "draw_svg"]

WIDTH_IN, HEIGHT_IN = 6.6, 2.9
_MOST_VECTORS = 700  # with more intervals than this they are drawn as one small picture inside the drawing
_DPI = 170
_PLACE = (0.095, 0.165, 0.895, 0.735)  # left, bottom, width, height of the axes: fixed, so that a drawing is set once

# Okabe and Ito (2008), colours told apart by nearly all eyes; widths and dashes differ as well, never colour alone.
# Every mark stands out from white paper by 3 to 1 or more (WCAG 2.1, 1.4.11); the limit, which does not from readings,
# has a white edge where it crosses them.
COLOUR = {"data": "#0072B2", "law": "#000000", "limit": "#D55E00", "mark": "#555555", "faint": "#767676"}
_FILLING, _READING = 0.35, 0.75  # opacity of what an edge goes round, and of readings that lie over one another
_READING_PT = (1.8, 1.0)  # width of one of few readings, and of many
_EDGE_PT = 0.9  # of white on either side of the limit
_LINE = {"law": ("-", 1.4), "limit": ("-", 2.2), "mark": ("--", 1.0), "data": ("-", 1.0), "faint": ("-", 0.8)}

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "svg.fonttype": "none",
    "text.parse_math": False,
    "text.usetex": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "axes.formatter.use_mathtext": False,
    "path.simplify": True,
}


def draw_svg(figure: Figure, *, decimal: str = ".") -> str:
    """Draw a figure as an `<svg>` element fit to stand inside a page.

    Parameters
    ----------
    figure : Figure
    decimal : str
        Decimal mark of the numbers on the axes.

    Returns
    -------
    str
        Ids begin with the figure's name, so that several drawings can share a page.
    """
    text = _draw(figure, decimal, "svg").decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    prefix = re.sub(r"\W", "-", figure.name)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', text)
    text = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{prefix}-\2"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", text)
    return text.strip()


def draw_png(figure: Figure, *, decimal: str = ".") -> bytes:
    """Draw a figure as a PNG picture for print."""
    return _draw(figure, decimal, "png")


@lru_cache(maxsize=8)  # reports of one batch share the picture of the faces read more than once
def _draw(figure: Figure, decimal: str, kind: str) -> bytes:
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Sheet

    canvas = FigureCanvasSVG if kind == "svg" else FigureCanvasAgg
    with matplotlib.rc_context(_STYLE | {"svg.hashsalt": figure.name}):
        sheet = Sheet(figsize=(WIDTH_IN, HEIGHT_IN))
        canvas(sheet)
        axes = sheet.add_axes(_PLACE)
        for series in figure.series:
            _add(axes, series)
        axes.set_xlabel(figure.x_label)
        axes.set_ylabel(figure.y_label)
        axes.margins(x=0.01)
        axes.set_ylim(bottom=0.0)
        axes.grid(axis="y", color="#dddddd", linewidth=0.5)
        axes.set_axisbelow(True)
        if decimal != ".":
            for axis in (axes.xaxis, axes.yaxis):
                axis.set_major_formatter(lambda value, _: f"{value:g}".replace(".", decimal))
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=5, frameon=False, fontsize=7.5)
        file = io.BytesIO()
        metadata = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
        sheet.savefig(file, format=kind, dpi=_DPI, metadata=metadata)
    return file.getvalue()


def _add(axes: "Axes", series: Series) -> None:
    from matplotlib.colors import to_rgba
    from matplotlib.patheffects import withStroke

    colour = COLOUR[series.role]
    dash, width = _LINE[series.role]
    line: dict[str, Any] = {"color": colour, "linestyle": dash, "linewidth": width}
    if series.role == "limit":
        edge = withStroke(linewidth=width + 2 * _EDGE_PT, foreground="white")
        line |= {"path_effects": [edge], "zorder": 1.5}  # over readings and under every other line
    if series.kind == "bars":
        widths = [b - a for a, b in zip(series.x, series.x2, strict=True)]
        axes.bar(
            series.x, series.y, widths, align="edge", color=to_rgba(colour, _FILLING), edgecolor=colour,
            linewidth=0.6, label=series.label,
        )  # fmt: skip
    elif series.kind == "intervals":
        many = len(series.x) > _MOST_VECTORS
        axes.vlines(
            series.x, series.y, series.y2, colors=colour, linewidth=_READING_PT[many], alpha=_READING,
            capstyle="round", label=series.label, rasterized=many, zorder=1,
        )  # fmt: skip
    elif series.kind == "upright":
        for at, x in enumerate(series.x):
            axes.axvline(x, label=series.label if at == 0 else None, **line)
    else:
        axes.plot(series.x, series.y, label=series.label, **line)
