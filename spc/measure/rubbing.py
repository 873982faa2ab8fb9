"""How hard, on how much and how fast a face is rubbed: load, contact area and speed as typed, in N, mm2 and m/s.

Factors are exact fractions; the one rounding happens when a `float` leaves this module. A mass is no load: kg counts as
kgf only where the column is said to be in kgf. A speed in turns counts only where the radius is known.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from spc.measure.number import parse_number, tidy

__all__ = ["QUANTITIES", "TURNS", "WEIGHED", "Quantity", "quantity_unit", "read_quantity"]

_KGF = Fraction(980665, 100_000)  # 9.80665 N, standard gravity (3rd CGPM, 1901)
_LB = Fraction(45359237, 100_000_000)  # kg, exactly (international yard and pound agreement, 1959)
_FOOT = Fraction(3048, 10_000)  # m, exactly (the same agreement)

TURNS = "rpm"
WEIGHED: dict[str, str] = {"kg": "kgf", "g": "gf", "lb": "lbf"}  # a mass, and the load that its weight is


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity that Preston's law asks for."""

    words: str  # for a person
    column: str  # of the faces frame, with its unit
    unit: str
    units: Mapping[str, Fraction]  # how many of `unit` one is
    least: float  # beyond these two it is no lapping (common practice, no source)
    most: float


QUANTITIES: dict[str, Quantity] = {
    "load": Quantity(
        "load", "load_n", "N",
        {"N": Fraction(1), "kN": Fraction(1000), "daN": Fraction(10), "kgf": _KGF, "gf": _KGF / 1000,
         "lbf": _LB * _KGF},
        0.01, 100_000.0,
    ),
    "area": Quantity(
        "contact area", "area_mm2", "mm2",
        {"mm2": Fraction(1), "cm2": Fraction(100), "m2": Fraction(1_000_000), "in2": Fraction(64516, 100)},
        0.1, 10_000_000.0,
    ),
    "speed": Quantity(
        "rubbing speed", "speed_m_per_s", "m/s",
        {"m/s": Fraction(1), "m/min": Fraction(1, 60), "mm/s": Fraction(1, 1000), "ft/min": _FOOT / 60, "ft/s": _FOOT},
        0.0001, 100.0,
    ),
}  # fmt: skip

_UNIT_WORDS: dict[str, str] = {}
for _unit, _phrases in {
    "N": "n|newton|newtons",
    "kN": "kn|kilonewton|kilonewtons",
    "daN": "dan|decanewton|dekanewton|décanewton",
    "kgf": "kgf|kg f|kp|kilopond|kilogram force|kilograms force",
    "gf": "gf|g f|gram force|grams force",
    "lbf": "lbf|lb f|lbs f|pound force|pounds force",
    "kg": "kg|kgs|kilo|kilos|kilogram|kilograms|kilogramm|kilogramme|kilogrammes",
    "g": "g|gram|grams|gramm|gramme|grammes",
    "lb": "lb|lbs|pound|pounds|pfund|livre|livres",
    "mm2": "mm2|sq mm|mm sq|qmm|square millimetres|square millimeters",
    "cm2": "cm2|sq cm|cm sq|qcm|square centimetres|square centimeters",
    "m2": "m2|sq m|qm|square metres|square meters",
    "in2": "in2|sq in|in sq|sqin|square inch|square inches",
    "m/s": "m s|m sec|mps|metres second|meters second",
    "m/min": "m min|mpm|m mn|metres minute|meters minute",
    "mm/s": "mm s|mm sec",
    "ft/min": "ft min|fpm|sfm|sfpm|feet minute",
    "ft/s": "ft s|ft sec|fps|feet second",
    TURNS: "rpm|r min|rev min|u min|tr min|upm",
}.items():
    for _phrase in _phrases.split("|"):
        _UNIT_WORDS[_phrase] = _unit

_WITH_UNIT = re.compile(r"([+-]?[\d.,' /]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(?![eE][+-]?\d)(\D.*)")


def quantity_unit(name: str, text: str) -> str:
    """Our name of a unit of a quantity, as typed or left over in a header.

    Parameters
    ----------
    name : str
        A key of `QUANTITIES`.
    text : str
        "N", "mm²", "sq. in", "m/s", "m per s", "ft/min".

    Returns
    -------
    str
        A unit of the quantity, a mass (`WEIGHED`) for a load or `TURNS` for a speed; '' for anything else.
    """
    plain = text.lower().replace("²", "2").replace("^", "")
    words = [word for word in re.split(r"[\s/.·*_-]+", plain) if word and word != "per"]
    unit = _UNIT_WORDS.get(" ".join(words), "")
    known = (*QUANTITIES[name].units, *({"load": WEIGHED, "speed": (TURNS,)}.get(name, ())))
    return unit if unit in known else ""


def read_quantity(
    text: str, name: str, *, unit: str = "", radius_mm: float | None = None, decimal: str = "."
) -> float:  # fmt: skip
    """Read a load in newton, a contact area in square millimetres or a rubbing speed in metres a second.

    Parameters
    ----------
    text : str
        One cell: "50", "50 N", "8 cm²", "0,5 m/s".
    name : str
        A key of `QUANTITIES`.
    unit : str, optional
        Unit of the column, as `quantity_unit` gives it; one in the cell goes before.
    radius_mm : float, mm, optional
        Where the face runs on the lap: what a speed in turns needs.
    decimal : str
        The file's decimal mark.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        With a half sentence, if it is no such quantity: no number, not above 0, without a unit or in a foreign one, a
        mass that is not said to be a load, turns without a radius, or beyond any lapping.
    """
    known = QUANTITIES[name]
    shown = text if len(text) <= 60 else f"{text[:57]}..."
    split = _WITH_UNIT.fullmatch(tidy(text))
    in_cell = quantity_unit(name, split.group(2)) if split else ""
    if split and not in_cell and re.match(r"[^\W\d_]|%", split.group(2)):
        units = ", ".join(known.units)
        raise ValueError(f"is in no unit of {known.words}: {shown!r}; the units are {units}")
    value = parse_number(split.group(1).strip() if split and in_cell else text, decimal=decimal).value
    said = WEIGHED.get(in_cell) == unit != ""  # the column is said to be in kgf, so kg in a cell is its weight
    used = unit if said else in_cell or unit
    if not used:
        raise ValueError(f"has no unit: {shown!r}; put the unit in the header, the cell or the column map")
    if used in WEIGHED:
        force = WEIGHED[used]
        raise ValueError(
            f"is in {used}, a mass and no load: {shown!r}; write N or {force}, or say unit = '{force}' in the column "
            "map"
        )
    if used == TURNS and radius_mm is None:
        raise ValueError(f"is in rpm and no radius is known: {shown!r}; write m/s, or give radius_mm in the column map")
    if value <= 0:
        raise ValueError(f"must be above 0: {shown!r}; correct it or leave it blank")
    if used == TURNS and radius_mm is not None:
        found = 2 * math.pi * radius_mm / 1000 * float(value / 60)
    else:
        found = float(value * known.units[used])
    if not known.least <= found <= known.most:
        raise ValueError(f"is {found:g} {known.unit}, which no {known.words} in lapping is: {shown!r}")
    return found
