"""The unit a length is said in, and sentences brought from the unit they are written in to another."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from spc.measure.reading import parse_typed

__all__ = ["MICROMETRE", "ShownLength", "said_in", "told_apart", "typed_words", "written_out"]

_DIGITS = 3
_MOST_DIGITS = 9
_NUMBER = r"\d[\d,]*(?:\.\d+)?(?:e[+-]\d+)?"


@dataclass(frozen=True, slots=True)
class ShownLength:
    """The unit a length is said in."""

    name: str  # 'bands', 'um' or 'uin'
    um_per_unit: float


MICROMETRE = ShownLength("um", 1.0)


def typed_words(text: str, unit: str) -> str:
    """Say a reading as it was typed, with its unit behind the number.

    Parameters
    ----------
    text : str
        As typed, with a point or a comma: '1', '<0,5', '1-1.5', '2+'.
    unit : str
        A name of `spc.measure.length.UNITS`, which one written in the text goes before; '' = not known.

    Returns
    -------
    str
        '1 band', 'under 0.5 bands', '1 to 1.5 bands', '2 bands or more'; a word, or what is no reading, as it stands.
    """
    try:
        typed = parse_typed(text.replace(",", "."))
    except ValueError:
        return text
    if typed.kind == "flat":
        return text
    number = f"{'-' if typed.sign < 0 else ''}{float(typed.high):g}"
    if typed.kind == "range":
        number = f"{float(typed.low):g} to {number}"
    name = typed.unit or unit
    if name == "band" and number != "1":
        name = "bands"
    before = {"below": "under ", "about": "about "}.get(typed.kind, "")
    return f"{before}{number}{f' {name}' if name else ''}{' or more' if typed.kind == 'above' else ''}"


def told_apart(value: float, limit: float) -> tuple[str, str]:
    """Write a value and its limit with three digits, or as many more as show which of the two is beyond.

    Parameters
    ----------
    value, limit : float

    Returns
    -------
    tuple of (str, str)
        '1.22' and '0.9', or '1.2213' and '1.2208'.
    """
    for digits in range(_DIGITS, _MOST_DIGITS + 1):
        pair = written_out(value, digits), written_out(limit, digits)
        if pair[0] != pair[1]:
            return pair
    return written_out(value), written_out(limit)


def written_out(value: float, digits: int = _DIGITS) -> str:
    """Write a length with so many digits, or as many more as stand before the mark: never with an exponent."""
    text = f"{value:.{digits}g}"
    return f"{value:,.0f}" if "e+" in text else text


def said_in(text: str, unit: ShownLength, *, written: ShownLength = MICROMETRE, keep_digits: bool = False) -> str:
    """Say the lengths of a sentence about form in the unit shown; grit stays as it is.

    Parameters
    ----------
    text : str
        'half of the faces at 0.294 um or under, from 0.147 to 0.441 um'.
    unit : ShownLength
    written : ShownLength
        The unit the sentence is written in.
    keep_digits : bool, default False
        Say a number in as many digits as it is written in, three at least: what `told_apart` told apart stays so.

    Notes
    -----
    Only for sentences whose lengths in that unit are all of form (flatness, parallelism, squareness) or of grit.
    """
    if unit == written:
        return text

    def other(number: str) -> str:
        digits = len(re.sub(r"e.*|[.,]", "", number).lstrip("0")) if keep_digits else 0
        value = float(number.replace(",", "")) * written.um_per_unit / unit.um_per_unit
        return f"{value:,.0f}" if value >= 1000 else written_out(value, max(_DIGITS, digits))

    return _lengths(written.name).sub(lambda found: _said(found, unit, other), text)


@cache
def _lengths(name: str) -> re.Pattern[str]:
    words = "bands?" if name == "bands" else re.escape(name)
    return re.compile(
        rf"(?<![\w.,])(?<!grit )(?:(?P<first>{_NUMBER})(?P<join> to | and ))?(?P<last>{_NUMBER}) {words}"
        r"(?![\w/])(?! grit)"
    )


def _said(found: re.Match[str], unit: ShownLength, other: Callable[[str], str]) -> str:
    first, join = found["first"], found["join"] or ""
    last = other(found["last"])
    if first is None:
        return f"{last} band" if (last, unit.name) == ("1", "bands") else f"{last} {unit.name}"
    between = join == " to " or found.string[: found.start()].endswith("between ")
    return f"{other(first) if between else first}{join}{last} {unit.name}"
