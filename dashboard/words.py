"""Small words of the screens: plurals, numbers, and text made safe to show as it was typed."""

import html
import math
import re
from contextvars import ContextVar
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pandas as pd

from spc.report.locale import LOCALES, TOLD, Locale

__all__ = [
    "as_typed",
    "clock_at",
    "clock_words",
    "count",
    "day_format",
    "fixed",
    "grit_words",
    "html_text",
    "join_words",
    "markdown_text",
    "marks_kept",
    "micro",
    "micro_unit",
    "moments",
    "number",
    "number_of",
    "parts_per_million",
    "percent",
    "prose",
    "share",
    "speak",
    "spoken",
]

# How this run of a page writes numbers, and the names in the log that are never broken or taken for numbers; each run
# of a page has a context of its own.
_SPOKEN: ContextVar[Locale] = ContextVar("lapcell_numbers", default=LOCALES["en"])
_NAMES: ContextVar[tuple[str, ...]] = ContextVar("lapcell_names", default=())
_WHOLE = 28  # characters of the longest name that is kept on one line

_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|<>~$:=&])")

_MOMENT = re.compile(r"^(\d{4}-\d\d-\d\d)([T ](\d\d:\d\d)(:\d\d(\.\d+)?)?( ?(Z|[+-]\d\d:?\d\d)| (UTC))?)?$")
_MICRO = re.compile(r"(?<=\d) u(m|in)\b")
_MICRO_UNIT = re.compile(r"\bu(?=(m|in)\b)")
_UNIT = re.compile(r"(?<=\d) (?=(?:bands?|min|sd|nm|mm|laps?)\b)")
_CODE = re.compile(r"`([^`]+)`")
_STAMP = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(?::\d\d(?:\.\d+)?)?(?:Z|\+00:00)")
_DAY = re.compile(r"(?<![\w-])\d{4}-\d\d-\d\d(?!\w|-|\.\w)")
_TYPED_NUMBER = re.compile(r"(?<![\d.,])(?=\d)")
_JOINED = re.compile(r"(?<![\w&;-])\w{1,12}(?:-\w{1,8}){1,3}(?!\w|-|\.\w)")


def speak(locale: Locale, names: tuple[str, ...] = ()) -> None:
    """Set how the rest of this run writes numbers and dates, and the names it keeps whole."""
    _SPOKEN.set(locale)
    _NAMES.set(names)


def spoken() -> Locale:
    """Return how this run writes numbers and dates."""
    return _SPOKEN.get()


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
    """Return a day or moment without what a person at the bench does not read: seconds, the T, the offset."""
    found = _MOMENT.match(text)
    if found is None:
        return text
    try:
        day = date.fromisoformat(found[1])
    except ValueError:
        return text
    return " ".join(part for part in (day.strftime(spoken().date_format), found[3], found[8]) if part)


def clock_at(text: str, zone: str) -> str:
    """Return an ISO moment as the clock of a zone shows it, to the minute; one without an offset stands as typed."""
    moment = datetime.fromisoformat(text)
    return clock_words(moment.astimezone(ZoneInfo(zone)).isoformat(" ", "seconds") if moment.tzinfo else text)


def day_format() -> str:
    """Return how a day is typed into a field, in the reader's marks."""
    return spoken().date_format.replace("%Y", "YYYY").replace("%m", "MM").replace("%d", "DD")


def moments(times: pd.Series, zone: str) -> pd.Series:
    """Return moments (n,) in UTC as the clock of a zone shows them, to the minute, in the reader's date marks."""
    return times.dt.tz_convert(zone).dt.strftime(f"{spoken().date_format} %H:%M")


def count(number_of: int, one: str, many: str | None = None) -> str:
    """Return '1 face', '3 faces', 'no faces'."""
    word = one if number_of == 1 else (many or f"{one}s")
    return f"{_told(spoken().count(number_of))} {word}" if number_of else f"no {word}"


def grit_words(grit: str) -> str:
    """Return a grit in its normal form as printed: '15 um' with the sign for micro, never broken over a line end."""
    return micro(grit).replace(" ", "\u00a0")


def micro(text: str) -> str:
    """Return text with the sign for micro after a number: '0.3 um' becomes '0.3 µm', never broken over a line end."""
    return _MICRO.sub(lambda found: f"\u00a0µ{found[1]}", text)


def micro_unit(unit: str) -> str:
    """Return a unit by itself with the sign for micro: 'um/min' becomes 'µm/min'."""
    return _MICRO_UNIT.sub("µ", unit)


def number(value: float, digits: int = 3) -> str:
    """Return a number with so many significant digits and no exponent; a dash if it is not known."""
    if not math.isfinite(value):
        return "\u2013"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{decimals}f}"
    return _told(spoken().sentence(text.rstrip("0").rstrip(".") if "." in text else text))


def _told(text: str) -> str:
    """Mark a number that has the reader's marks, so that a sentence it is put into does not give it others."""
    return text if spoken().name == "en" or text.isdecimal() else TOLD + text


def marks_kept(typed: str) -> str:
    """Return what was typed so that a sentence it is put into shows its numbers as typed."""
    return typed if spoken().name == "en" else _TYPED_NUMBER.sub(TOLD, typed)


def percent(share: float, digits: int = 2) -> str:
    """Return a share from 0 to 1 in hundredths, with the reader's mark; a dash if it is not known."""
    return f"{number(100 * share, digits)}{spoken().percent}" if math.isfinite(share) else "\u2013"


def number_of(things: int) -> str:
    """Return a whole number."""
    return _told(spoken().count(things))


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals."""
    return _told(spoken().number(value, decimals))


def parts_per_million(share: float) -> str:
    """Return a share in parts per million, to two digits."""
    return _told(spoken().ppm(share))


def prose(text: object) -> str:
    """Return a sentence of the board for an HTML card: escaped, the sign for micro, names and units never broken."""
    return "".join(_command(piece) if at % 2 else _sentence(piece) for at, piece in enumerate(_CODE.split(str(text))))


def _command(typed: str) -> str:
    """Return what is to be typed; a line ends between its words alone, never after the dash of an option."""
    safe = re.sub(r"[^ ]*-[^ ]*", r'<span class="lc-whole">\g<0></span>', html.escape(typed, quote=True))
    return f"<code>{safe}</code>"


def _sentence(said: str) -> str:
    names = sorted({name for name in _NAMES.get() if name and name in said}, key=len, reverse=True)
    known = "|".join(re.escape(name) for name in names)
    pieces = re.split(rf"(?<![\w-])({known})(?![\w-])", said) if names else [said]
    return "".join(_name(piece) if at % 2 else _plain(piece) for at, piece in enumerate(pieces))


def _name(name: str) -> str:
    safe = html.escape(name, quote=True)
    return f'<span class="lc-whole">{safe}</span>' if len(name) <= _WHOLE else safe


def _plain(text: str) -> str:
    text = _STAMP.sub(r"\1 \2 UTC", text)
    said = _UNIT.sub("\u00a0", spoken().sentence(micro(text)))
    safe = html.escape(_DAY.sub(lambda found: clock_words(found[0]), said), quote=True)
    safe = _JOINED.sub(lambda found: f'<span class="lc-whole">{found[0]}</span>', safe)
    return safe.replace(TOLD, "")


def share(low: float, high: float) -> str:
    """Return '3 to 12%' for a share given as an interval from 0 to 1; a dash if it is not known."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "\u2013"
    first, last = round(100 * low), round(100 * high)
    return f"{first}{spoken().percent}" if first == last else f"{first} to {last}{spoken().percent}"


def join_words(words: list[str] | tuple[str, ...]) -> str:
    """Return 'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
