"""A reading as the interval it stands for, in micrometres, with the text as typed.

A reading r on a scale of step w says only that the true value lies in [max(0, r - w/2), r + w/2]. "<0.5" is
[0, 0.5], a range is what was written, "2+" has no upper end, "~1" is one whole step either way. Never a point.
"""

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from spc.measure.length import lamp, um_per, unit_name
from spc.measure.number import parse_number, tidy

__all__ = ["BAND_STEPS", "Reading", "Typed", "as_reading", "finest_step", "parse_reading", "parse_typed"]

BAND_STEPS: tuple[Fraction, ...] = tuple(Fraction(1, n) for n in (1, 2, 4, 3, 8, 10, 20, 100, 1000, 10000, 1000000))

_FLAT = frozenset({"flat", "trace", "traces", "eben", "plan", "spur", "spuren", "plat", "plate", "nil"})
_SIGNS = {
    "convex": "convex", "cvx": "convex", "konvex": "convex", "convexe": "convex", "crown": "convex",
    "crowned": "convex", "ballig": "convex", "bombé": "convex", "bombe": "convex", "high": "convex",
    "concave": "concave", "ccv": "concave", "cnc": "concave", "konkav": "concave", "dish": "concave",
    "dished": "concave", "hohl": "concave", "creux": "concave", "hollow": "concave", "low": "concave",
    "twist": "twist", "twisted": "twist", "saddle": "twist", "sattel": "twist", "verdreht": "twist", "vrillé": "twist",
    "selle": "twist", "flat": "flat", "eben": "flat", "plan": "flat", "plat": "flat",
}  # fmt: skip
_ONE = r"(?:\d+ \d+ ?/ ?\d+|\d+ ?/ ?\d+|[.,]?\d(?:[\d.,']*\d)?(?:[eE][+-]?\d+)?)"
_BOUND = re.compile(r"(<=|>=|<|>|≤|≥|=<|=>|under|below|over|above|unter|über|max\.?|min\.?)\s*(.+)", re.I)
_ABOUT = re.compile(r"(~|≈|∼|ca\.?|circa|about|approx\.?|etwa|env\.?|environ)\s*(.+)", re.I)
_RANGE = re.compile(rf"({_ONE})\s*(?:-|\.{{2,3}}|to|bis|à|/(?=\s)|(?<=\s)/)\s*({_ONE})", re.I)
_MARGIN = re.compile(rf"({_ONE})\s*(?:±|\+/-|\+-)\s*({_ONE})")


@dataclass(frozen=True, slots=True)
class Typed:
    """What the characters of one cell say, before any unit or step is applied."""

    kind: str  # 'value', 'range', 'below', 'above', 'about', 'flat' (a word)
    low: Fraction
    high: Fraction
    digit: Fraction  # finest step its notation shows; 0 where it shows none
    sign: int  # -1 typed negative, 1 otherwise
    unit: str  # unit written in the cell, '' if none
    shape: str  # 'convex', 'concave', 'twist', 'flat' written in the cell, '' if none
    remark: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading as an interval; the true value lies in [`low_um`, `high_um`] as far as the reading can tell."""

    low_um: float
    high_um: float  # may be inf ("2+")
    text: str  # as typed
    unit: str  # one of spc.measure.length.UNITS
    lamp: str  # '' unless in bands
    step: float  # reading step used, in `unit`; 0 when the interval was written out
    shape: str  # '' unless the cell or its sign says so
    remark: str


def parse_typed(text: str, *, decimal: str = ".") -> Typed:
    """Read the characters of one cell.

    Parameters
    ----------
    text : str
        As typed, unit or shape word allowed behind the number.
    decimal : {".", ",", ""}
        The file's decimal mark.

    Returns
    -------
    Typed

    Raises
    ------
    ValueError
        With a half sentence that follows the column's name ("is not a number: ...").
    """
    if len(text) > 64:
        raise ValueError(f"is not a reading: {len(text)} characters long")
    plain = tidy(text)
    if not plain:
        raise ValueError("is empty")
    body, unit, shape = _strip_words(plain)
    if not body:
        if shape == "flat" or plain.lower() in _FLAT:
            return Typed("flat", Fraction(0), Fraction(0), Fraction(0), 1, unit, "flat" if shape == "flat" else "", "")
        raise ValueError(f"is not a reading: {text.strip()!r}")
    if body.lower() in _FLAT:
        flat = "flat" if body.lower() in _SIGNS else shape
        return Typed("flat", Fraction(0), Fraction(0), Fraction(0), 1, unit, flat, "")
    bound = _BOUND.fullmatch(body)
    if bound:
        number = parse_number(bound.group(2), decimal=decimal)
        _refuse_negative(number.value, text)
        word = bound.group(1).lower()
        below = "<" in word or "≤" in word or word in ("under", "below", "unter") or word.startswith("max")
        return Typed(
            "below" if below else "above", number.value, number.value, Fraction(0), 1, unit, shape, number.remark
        )
    about = _ABOUT.fullmatch(body)
    if about:
        number = parse_number(about.group(2), decimal=decimal)
        return _one("about", number.value, number.digit, unit, shape, number.remark)
    if body.endswith("+") and len(body) > 1:
        number = parse_number(body[:-1], decimal=decimal)
        _refuse_negative(number.value, text)
        return Typed("above", number.value, number.value, Fraction(0), 1, unit, shape, number.remark)
    margin = _MARGIN.fullmatch(body)
    if margin:
        middle, half = (parse_number(g, decimal=decimal) for g in margin.groups())
        low = max(Fraction(0), middle.value - half.value)
        return Typed(
            "range", low, middle.value + half.value, middle.digit, 1, unit, shape, middle.remark or half.remark
        )
    mixed = re.fullmatch(r"\d{1,3}-(\d{1,3})/(\d{1,3})", body)
    span = None if mixed and int(mixed.group(1)) < int(mixed.group(2)) else _RANGE.fullmatch(body)
    if span:
        a, b = (parse_number(g, decimal=decimal) for g in span.groups())
        remark = a.remark or b.remark or ("range typed with the larger end first" if b.value < a.value else "")
        low, high = sorted((a.value, b.value))
        if low == high:
            return _one("value", low, min(a.digit, b.digit), unit, shape, remark)
        return Typed("range", low, high, min(a.digit, b.digit), 1, unit, shape, remark)
    number = parse_number(body, decimal=decimal)
    return _one("value", number.value, number.digit, unit, shape, number.remark)


def finest_step(typed: list[Typed], *, unit: str) -> Fraction:
    """Finest step typed in one column and unit: the only evidence of the reading step when nobody states it.

    Parameters
    ----------
    typed : list of Typed
        The readings of one column that share a unit; bounds ("<0.5", "2+") and words carry no evidence.
    unit : str
        Bands go by the coarsest of 1, 1/2, 1/4, 1/3, 1/8, 1/10, ... of which all are multiples; every other unit by
        the finest last digit typed.

    Returns
    -------
    Fraction
        In `unit`; 0 when nothing shows a step.
    """
    shown = [t for t in typed if t.digit > 0]
    if not shown:
        return Fraction(0)
    if unit != "band":
        return min(t.digit for t in shown)
    values = [v for t in shown for v in (t.low, t.high)]
    for step in BAND_STEPS:
        if all((v / step).denominator == 1 for v in values):
            return step
    return min(t.digit for t in shown)


def as_reading(
    typed: Typed,
    *,
    text: str,
    unit: str,
    step: Fraction,
    wavelength_nm: float | None = None,
    lamp_name: str = "",
    zero_means: str = "half step",
    negative: str = "",
) -> Reading:
    """Apply unit, step and sign to a typed cell.

    Parameters
    ----------
    typed : Typed
    text : str
        As typed, kept.
    unit : str
        One of `spc.measure.length.UNITS`.
    step : Fraction, in `unit`
        Reading step; 0 = unknown, then only written-out intervals can be read.
    wavelength_nm : float, nm, optional
        For bands.
    lamp_name : str
        For bands, kept in the result.
    zero_means : {"half step", "whole step"}
        Whether "0" stands for [0, w/2] or [0, w].
    negative : {"", "concave", "convex", "deviation"}
        What a minus sign means: nothing (refused), a shape, or a signed deviation (kept negative).

    Returns
    -------
    Reading

    Raises
    ------
    ValueError
        If a negative value has no stated meaning, or the step is needed and unknown.
    """
    factor = um_per(unit, wavelength_nm=wavelength_nm)
    shape, signed = typed.shape, negative == "deviation"
    if typed.sign < 0 and not negative:
        raise ValueError(
            f'is negative ({text.strip()}); if the sign means the shape, say so in the column map: negative = "concave"'
        )
    if negative in ("concave", "convex") and typed.low != 0 and not shape:
        other = "convex" if negative == "concave" else "concave"
        shape = negative if typed.sign < 0 else other
    sign = typed.sign if signed else 1
    used = Fraction(0)
    if typed.kind == "range":
        low, high = typed.low, typed.high
    elif typed.kind == "below":
        low, high = Fraction(0), typed.high
    elif typed.kind == "above":
        low, high = typed.low, Fraction(-1)
    else:
        if step <= 0:
            raise ValueError("has no known reading step; set step_bands in the settings or step in the column map")
        used = step
        if typed.kind == "flat":
            low, high = Fraction(0), step
        elif typed.low == 0 and not signed:
            low, high = Fraction(0), step if zero_means == "whole step" or typed.kind == "about" else step / 2
        else:
            half = step if typed.kind == "about" else step / 2
            low, high = sign * typed.low - half, sign * typed.low + half
            low = low if signed else max(Fraction(0), low)
    high_um = math.inf if typed.kind == "above" else float(high * factor)
    return Reading(
        low_um=float(low * factor),
        high_um=high_um,
        text=text,
        unit=unit,
        lamp=lamp_name if unit == "band" else "",
        step=float(used),
        shape=shape,
        remark=typed.remark,
    )


def parse_reading(
    text: str,
    *,
    unit: str = "",
    lamp_text: str = "",
    step: float | Fraction | None = None,
    decimal: str = ".",
    zero_means: str = "half step",
    negative: str = "",
) -> Reading:
    """Read one cell on its own: the unit written in it, else `unit`; the step given, else the one it shows.

    Parameters
    ----------
    text : str
        As typed.
    unit : str
        Unit word used when the cell writes none.
    lamp_text : str
        Lamp name or wavelength, for bands.
    step : float or Fraction, in the unit, optional
        Reading step; left out, the finest step this one cell shows.
    decimal, zero_means, negative : str
        As in `parse_typed` and `as_reading`.

    Returns
    -------
    Reading

    Raises
    ------
    ValueError
        If it cannot be read; the message says why.
    """
    typed = parse_typed(text, decimal=decimal)
    if not (typed.unit or unit):
        raise ValueError(f"has no unit: {text.strip()!r}; put the unit in the header, the cell or the settings")
    name = typed.unit or unit_name(unit)
    if name == "band" and not lamp_text:
        raise ValueError(
            f"is in bands but no lamp is known: {text.strip()!r}; a lamp column, the map or the settings say it"
        )
    source = lamp(lamp_text) if name == "band" else None
    if step is not None and step <= 0:
        raise ValueError(f"`step` must be greater than 0, got {step}")
    width = finest_step([typed], unit=name) if step is None else Fraction(str(step))
    return as_reading(
        typed,
        text=text,
        unit=name,
        step=width,
        wavelength_nm=source.wavelength_nm if source else None,
        lamp_name=source.name if source else "",
        zero_means=zero_means,
        negative=negative,
    )


def _one(kind: str, value: Fraction, digit: Fraction, unit: str, shape: str, remark: str) -> Typed:
    size = abs(value)
    return Typed(kind, size, size, digit, -1 if value < 0 else 1, unit, shape, remark)


def _refuse_negative(value: Fraction, text: str) -> None:
    if value < 0:
        raise ValueError(f"is not a reading: {text.strip()!r}")


def _strip_words(plain: str) -> tuple[str, str, str]:
    """Take unit and shape words off either end: '0.5 um convex' -> ('0.5', 'um', 'convex')."""
    body, unit, shape = plain, "", ""
    for _ in range(3):
        first, _, rest = body.partition(" ")
        word = first.strip("()").lower()
        if rest and word in _SIGNS and not shape and not re.match(r"[<>~]", first):
            body, shape = rest.strip(), _SIGNS[word]
            continue
        tail = re.search(r"(?<![A-Za-zµ])(\(?[A-Za-zÀ-ÿµ\"][A-Za-zÀ-ÿµ\" .-]*\)?)$", body)
        if not tail:
            break
        words = tail.group(1).strip().strip("()").strip()
        if re.fullmatch(r"[eE]", words) or body[: tail.start()].strip() == "" and words.lower() not in _SIGNS:
            break
        known = _SIGNS.get(words.lower(), "")
        if known and not shape:
            shape = known
        elif not unit and _is_unit(words):
            unit = unit_name(words)
        else:
            last = words.rsplit(" ", 1)
            if len(last) == 2 and last[1].lower() in _SIGNS and not shape:
                body, shape = body[: len(body.rstrip(")")) - len(last[1])].strip(), _SIGNS[last[1].lower()]
                continue
            break
        body = body[: tail.start()].strip()
    return body, unit, shape


def _is_unit(word: str) -> bool:
    try:
        unit_name(word)
    except ValueError:
        return word.lower() in ("micro", "micros")
    return True
