"""How large the type of the wall may be so that every lap is on it: reckoned from how much there is to say."""

import math
import re
from dataclasses import dataclass

__all__ = ["WallFit", "fit_wall"]

# Sizes of the type, in hundredths of the width of the screen, and the shape of a screen on a wall.
_LARGEST, _SMALLEST, _STEP = 2.0, 0.9, 0.05
_HEIGHT = 56.25  # of the screen, in the same hundredths: 16 to 9
_LEAST_PX = 10  # for a screen of few pixels: on a wall it is as wide as any other, and its type as large
# Heights in rem as `wall.css` sets them, and the width of a letter, of the heading and of the rest, with what is lost
# at line ends; beside the sentence stand the other columns.
_TITLE_LETTER, _LETTER, _BESIDE = 0.8, 0.52, 44.0
_ROW, _ROW_LINE, _ROW_PAD = 4.3, 1.76, 0.7
_REST, _NOTICE_PAD, _NOTICE_LINE, _FOOT = 2.9, 1.6, 1.6, 3.0
_TAG = re.compile(r"<[^>]*>")


@dataclass(frozen=True, slots=True)
class WallFit:
    """How the wall is drawn."""

    type_vw: float  # size of the type, hundredths of the width of the screen
    rows: int  # laps in need that have a row of their own; those after them share one line

    @property
    def style(self) -> str:
        """The size of the type as a style element."""
        size = f"max({_LEAST_PX}px, min({self.type_vw:.2f}vw, {100 * self.type_vw / _HEIGHT:.2f}vh))"
        return f"<style>html {{ font-size: {size} !important; }}</style>"


def fit_wall(headline: str, notices: list[str], rows: list[str], rests: int) -> WallFit:
    """Reckon the type and the rows of a wall.

    Parameters
    ----------
    headline : str
    notices : list of str
        What stands in frames, as text or HTML.
    rows : list of str
        The sentences of the laps in need, the neediest first.
    rests : int
        Lines of laps that need nobody.

    Returns
    -------
    WallFit
        The largest type with which all rows are on the screen; where none is large enough to be read, as many rows as
        there is room for.
    """
    for kept in range(len(rows), -1, -1):
        folded = kept < len(rows)
        for step in range(1 if folded else round((_LARGEST - _SMALLEST) / _STEP) + 1):
            size = _SMALLEST if folded else _LARGEST - _STEP * step
            if size * _tall(headline, notices, rows[:kept], rests + folded, across=100.0 / size) <= _HEIGHT:
                return WallFit(size, kept)
    return WallFit(_SMALLEST, 0)


def _tall(headline: str, notices: list[str], rows: list[str], rests: int, *, across: float) -> float:
    """Height of a wall in rem that is `across` rem wide."""

    def lines(text: str, letter: float, beside: float) -> int:
        return math.ceil(max(len(_TAG.sub("", text)), 1) * letter / max(across - beside, 10.0))

    top = 3.0 + 2.4 * lines(headline, _TITLE_LETTER, 5.0)
    framed = sum(_NOTICE_PAD + _NOTICE_LINE * lines(text, _LETTER, 6.0) for text in notices)
    said = sum(max(_ROW, _ROW_PAD + _ROW_LINE * lines(text, 1.1 * _LETTER, _BESIDE)) for text in rows)
    return top + framed + said + _REST * rests + _FOOT
