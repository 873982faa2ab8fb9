"""Small words of the screens: plurals, numbers, and text made safe to show as it was typed."""

import html
import math
import re

__all__ = [
    "as_typed",
    "count",
    "grit_words",
    "html_text",
    "join_words",
    "markdown_text",
    "micro",
    "number",
    "prose",
    "share",
]

_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|<>~$:=&])")

_MOMENT = re.compile(r"^(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(:\d\d(\.\d+)?)?( ?(Z|[+-]\d\d:?\d\d))?$")
_MICRO = re.compile(r"(?<=\d) u(m|in)\b")
_JOINED = re.compile(r"(?<![\w&;-])\w{1,12}-\w{1,8}(?![\w-])")


def html_text(text: object) -> str:
    """Return text for an HTML card: every character shown as typed, quotes included."""
    return html.escape(str(text), quote=True)


def markdown_text(text: object) -> str:
    """Return text for a label that is read as Markdown: every mark shown as typed."""
    return _MARKDOWN.sub(r"\\\1", str(text)).replace("\n", " ")


def as_typed(text: object) -> str:
    """Return a reading for hover text, where the plotting library reads a few HTML marks."""
    return html.escape(str(text), quote=False)


def clock_words(text: str) -> str:
    """Return a moment as typed without what a person at the bench does not read: seconds, the T, the offset."""
    return _MOMENT.sub(r"\1 \2", text)


def count(number_of: int, one: str, many: str | None = None) -> str:
    """Return '1 face', '3 faces', 'no faces'."""
    word = one if number_of == 1 else (many or f"{one}s")
    return f"{number_of:,} {word}" if number_of else f"no {word}"


def grit_words(grit: str) -> str:
    """Return a grit in its normal form as printed: '15 um' with the sign for micro, never broken over a line end."""
    return micro(grit).replace(" ", "\u00a0")


def micro(text: str) -> str:
    """Return text with the sign for micro after a number: '0.3 um' becomes '0.3 µm', never broken over a line end."""
    return _MICRO.sub(lambda found: f"\u00a0µ{found[1]}", text)


def number(value: float, digits: int = 3) -> str:
    """Return a number with so many significant digits and no exponent; a dash if it is not known."""
    if not math.isfinite(value):
        return "\u2013"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def prose(text: object) -> str:
    """Return a sentence of the board for an HTML card: escaped, the sign for micro, names and units never broken."""
    safe = html.escape(micro(str(text)), quote=True)
    return _JOINED.sub(lambda found: f'<span class="lc-whole">{found[0]}</span>', safe)


def share(low: float, high: float) -> str:
    """Return '3 to 12 %' for a share given as an interval from 0 to 1; a dash if it is not known."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "\u2013"
    first, last = round(100 * low), round(100 * high)
    return f"{first} %" if first == last else f"{first} to {last} %"


def join_words(words: list[str] | tuple[str, ...]) -> str:
    """Return 'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
