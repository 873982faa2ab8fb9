"""A number as typed: decimal point or comma, thousands marks, fractions and mixed numbers; exact, or refused."""

import re
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["DECIMALS", "Number", "decimal_evidence", "parse_number", "tidy"]

DECIMALS: tuple[str, ...] = (".", ",", "")  # '' = not decided

_LONGEST = 64  # characters; no reading needs more
_VULGAR = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅓": "1/3", "⅔": "2/3", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
    "⅕": "1/5", "⅖": "2/5", "⅗": "3/5", "⅘": "4/5", "⅙": "1/6", "⅚": "5/6", "⅒": "1/10",
}  # fmt: skip
_SAME = str.maketrans(
    {
        **{c: "-" for c in "‐‑‒–—―−"},
        **{c: " " for c in "\u00a0\u2002\u2003\u2007\u2009\u200a\u202f\t"},
        **{c: "'" for c in "’‘´`"},
        **{c: "µ" for c in "\u03bc"},
        **{c: '"' for c in "″”“"},
        "⁄": "/",
        "∕": "/",
        "…": "...",
    }
)
_FRACTION = re.compile(r"(?:(\d{1,6})[ -])?(\d{1,6}) ?/ ?(\d{1,6})")
_PLAIN = re.compile(r"(\d+|\d{1,3}(?:[ ']\d{3})+|)(?:([.,])(\d*))?(?:[eE]([+-]?\d{1,4}))?")
_SIMPLE = re.compile(r"([0-9]{1,9})(?:([.,])([0-9]{0,9}))?")  # most cells of most logs
_GROUPED = re.compile(r"\d{1,3}(?:([.,])\d{3})(?:\1\d{3})*")
_WORDS = re.compile(r"[+-]?(?:nan|inf|infinity|unendlich|infini)", re.I)


@dataclass(frozen=True, slots=True)
class Number:
    """One typed number."""

    value: Fraction
    digit: Fraction  # the smallest step its notation shows: one unit of the last digit, or 1/denominator
    remark: str  # '' or how it was understood


def tidy(text: str) -> str:
    """Text with dashes, spaces, quotes and one-character fractions in their plain form, ends trimmed."""
    plain = text.translate(_SAME)
    for mark, fraction in _VULGAR.items():
        if mark in plain:
            plain = plain.replace(mark, f" {fraction} ")
    return re.sub(r" {2,}", " ", plain).strip()


def decimal_evidence(text: str) -> str:
    """Which decimal mark a typed number proves: '.', ',', '' (none), or '?' (a mark that could be either)."""
    plain = tidy(text).lstrip("<>=≤≥~≈+-")
    points, commas = plain.count("."), plain.count(",")
    if not (points or commas) or not re.fullmatch(r"[\d.,]+(?:[eE][+-]?\d+)?", plain):
        return ""
    if points and commas:
        return "." if plain.rindex(".") > plain.rindex(",") else ","
    mark = "." if points else ","
    if max(points, commas) > 1:
        return "," if points else "."  # only a thousands mark repeats
    whole, _, tail = plain.partition(mark)
    return "?" if len(tail) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0" else mark


def parse_number(text: str, *, decimal: str = ".") -> Number:
    """Read one typed number exactly.

    Parameters
    ----------
    text : str
        "0.5", "0,6", "1.234,5", "1 1/2", "1½", "3/4", "1'234.5", "6e-4"; a sign may lead.
    decimal : {".", ",", ""}
        The file's decimal mark, '' when nothing decides it.

    Returns
    -------
    Number

    Raises
    ------
    ValueError
        If it is no number, not finite, absurdly large, or could mean two different numbers ("1,200" undecided).
    """
    if decimal not in DECIMALS:
        raise ValueError(f"`decimal` must be '.', ',' or '', got {decimal!r}")
    if len(text) > _LONGEST:
        raise ValueError(f"is not a number: {len(text)} characters long")
    simple = _SIMPLE.fullmatch(text)
    if simple and (simple.group(2) or decimal) == decimal:
        tail = simple.group(3) or ""
        bottom = 10 ** len(tail)
        return Number(Fraction(int(simple.group(1) + tail), bottom), Fraction(1, bottom), "")
    plain = tidy(text)
    if not plain:
        raise ValueError("is empty")
    if _WORDS.fullmatch(plain):
        raise ValueError(f"is not a finite number: {text.strip()!r}")
    sign = -1 if plain[0] == "-" else 1
    body = plain[1:].lstrip() if plain[0] in "+-" else plain
    fraction = _FRACTION.fullmatch(body)
    if fraction:
        whole, top, bottom = (int(g) if g else 0 for g in fraction.groups())
        if bottom == 0 or (fraction.group(1) and top >= bottom):
            raise ValueError(f"is not a fraction: {text.strip()!r}")
        return Number(sign * (whole + Fraction(top, bottom)), Fraction(1, bottom), "")
    return _decimal(body, sign, decimal, text.strip())


def _decimal(body: str, sign: int, decimal: str, typed: str) -> Number:
    remark = ""
    if "." in body and "," in body:
        mark = "." if body.rindex(".") > body.rindex(",") else ","
        group = "," if mark == "." else "."
        whole = body[: body.rindex(mark)]
        if body.count(mark) > 1 or not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(group)}\d{{3}})+", whole):
            raise ValueError(f"is not a number: {typed!r}")
        if decimal and decimal != mark:
            remark = f"{typed} read with decimal {mark} although the file uses {decimal}"
        body, decimal = whole.replace(group, "") + body[body.rindex(mark) :], mark
    grouped = _GROUPED.fullmatch(body)
    if grouped and body[0] != "0":
        mark = grouped.group(1)
        if body.count(mark) > 1:
            if mark == decimal:
                raise ValueError(f"is not a number: {typed!r}")
            body = body.replace(mark, "")
        elif not decimal:
            raise ValueError(
                f"{typed!r} could be {body.replace(mark, '')} or {body.replace(mark, '.')}; "
                "set the file's decimal mark in the column map"
            )
        elif mark != decimal:
            body = body.replace(mark, "")
            remark = f"{typed} read as {body} ({mark} between thousands)"
    shape = _PLAIN.fullmatch(body)
    if not shape or not (shape.group(1) or shape.group(3)):
        raise ValueError(f"is not a number: {typed!r}")
    whole, mark, tail, power = shape.group(1), shape.group(2), shape.group(3) or "", int(shape.group(4) or 0)
    if mark and decimal and mark != decimal:
        remark = f"{typed} read with decimal {mark} although the file uses {decimal}"
    if abs(power) > 30:
        raise ValueError(f"is beyond any length or time: {typed!r}")
    digits = re.sub(r"[ ']", "", whole) + tail
    digit = Fraction(10) ** (power - len(tail))
    value = int(digits) * digit
    if value > 10**12:
        raise ValueError(f"is beyond any length or time: {typed!r}")
    return Number(sign * value, digit, remark)
