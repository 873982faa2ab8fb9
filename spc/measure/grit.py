"""Grit as typed: its normal form, and its size in micrometres where the scale is known.

"600" alone is no size: F600 is 9.3 um, P600 25.8 um, and mesh and JIS numbers are other scales again. A bare number is
kept as text with no size unless a header, a unit or the site says that bare numbers are micrometres.
"""

import math
import re
from dataclasses import dataclass

from spc.measure.number import parse_number, tidy

__all__ = ["FEPA_F_UM", "FEPA_P_UM", "Grit", "parse_grit"]

# ISO 8486-2 / FEPA 42 micro grits, median ds50 by sedimentation; values from memory.
FEPA_F_UM: dict[int, float] = {
    230: 53.0, 240: 44.5, 280: 36.5, 320: 29.2, 360: 22.8, 400: 17.3, 500: 12.8, 600: 9.3, 800: 6.5, 1000: 4.5,
    1200: 3.0, 1500: 2.0, 2000: 1.2,
}  # fmt: skip
# ISO 6344 / FEPA 43 coated grits, average; from memory, most seen again in trade pages. P280 and P600 are printed
# 52.5 and 25.75 elsewhere, and an older set has the macro grits up to 9 um lower.
FEPA_P_UM: dict[int, float] = {
    12: 1815.0, 16: 1324.0, 20: 1000.0, 24: 764.0, 30: 642.0, 36: 538.0, 40: 425.0, 50: 336.0, 60: 269.0, 80: 201.0,
    100: 162.0, 120: 125.0, 150: 100.0, 180: 82.0, 220: 68.0, 240: 58.5, 280: 52.2, 320: 46.2, 360: 40.5, 400: 35.0,
    500: 30.2, 600: 25.8, 800: 21.8, 1000: 18.3, 1200: 15.3, 1500: 12.6, 2000: 10.3, 2500: 8.4,
}  # fmt: skip

_UM_WORDS = r"um|µm|µ|mic|mics|micron|microns|mikron|mikrometer|micromètres?|micrometers?|micrometres?"
_MESH_WORDS = r"mesh|grit|körnung|kornung|korn|maschen|grain|grains"


@dataclass(frozen=True, slots=True)
class Grit:
    """One grit."""

    text: str  # normal form: "15 um", "F600", "P1200", "JIS 2000", "600 mesh", or "15" with its scale unknown
    size_um: float  # NaN where the scale is unknown or has no table here
    remark: str


def parse_grit(text: str, *, unit: str = "", decimal: str = ".") -> Grit:
    """Read a grit as typed.

    Parameters
    ----------
    text : str
        "15", "15 um", "15µ", "F600", "P1200", "#600", "600 mesh", "JIS 2000", "6-12 um" (a range counts its middle).
    unit : {"", "um", "F", "P", "JIS", "mesh"}
        Scale of a bare number, as the header or the site states it; '' = nobody does.
    decimal : {".", ",", ""}
        The file's decimal mark.

    Returns
    -------
    Grit

    Raises
    ------
    ValueError
        If it is no grit; the message is a half sentence that follows the column's name.

    References
    ----------
    FEPA F: ISO 8486-2; FEPA P: ISO 6344 (sizes as noted beside the tables).
    """
    plain = tidy(text)
    if not plain or len(plain) > 40:
        raise ValueError("is empty" if not plain else f"is not a grit: {len(plain)} characters long")
    key = re.sub(r"\s+", " ", plain.lower())
    sized = re.fullmatch(rf"([\d.,/ ]*\d)(?: ?- ?([\d.,]*\d))? ?(?:{_UM_WORDS})\.?", key)
    if sized:
        return _micron(sized.group(1), sized.group(2), decimal)
    fepa = re.fullmatch(r"(?:fepa )?([fp])[ -]?(\d{1,4})(?: grit)?", key)
    if fepa:
        return _graded(fepa.group(1).upper(), int(fepa.group(2)))
    jis = re.fullmatch(r"jis ?#? ?(\d{1,5})", key)
    if jis:
        return Grit(f"JIS {int(jis.group(1))}", math.nan, "JIS grit numbers have no size table here; size left open")
    mesh = re.fullmatch(rf"(?:#|(?:{_MESH_WORDS}) ?)(\d{{1,5}})|(\d{{1,5}}) ?(?:{_MESH_WORDS}|#)", key)
    if mesh:
        return _mesh(int(mesh.group(1) or mesh.group(2)))
    bare = re.fullmatch(r"([\d.,]*\d)(?: ?- ?([\d.,]*\d))?", key)
    if not bare:
        raise ValueError(f"is not a grit: {text.strip()!r}; write 15 um, F600, P1200, 600 mesh or JIS 2000")
    if unit == "um":
        return _micron(bare.group(1), bare.group(2), decimal)
    number = parse_number(bare.group(1), decimal=decimal).value
    if unit in ("F", "P", "JIS", "mesh") and number.denominator == 1 and not bare.group(2):
        whole = int(number)
        if unit == "JIS":
            return parse_grit(f"JIS {whole}")
        return _mesh(whole) if unit == "mesh" else _graded(unit, whole)
    if number <= 0:
        raise ValueError(f"is not a grit: {text.strip()!r}; it must be greater than 0")
    kept = f"{float(number):g}" if not bare.group(2) else key
    return Grit(kept, math.nan, f"grit {kept} has no scale (um, F, P, mesh, JIS differ); size left open")


def _micron(low: str, high: str | None, decimal: str) -> Grit:
    number = parse_number(low, decimal=decimal)
    size, remark = float(number.value), number.remark
    text = f"{size:g} um"
    if high:
        end = float(parse_number(high, decimal=decimal).value)
        text, remark = f"{size:g}-{end:g} um", f"grit range {size:g}-{end:g} um counted at its middle"
        size = (size + end) / 2
    if not 0 < size <= 5000:
        raise ValueError(f"is not a grit size: {size:g} um; it must be above 0 and at most 5000")
    return Grit(text, size, remark)


def _graded(letter: str, number: int) -> Grit:
    table = FEPA_F_UM if letter == "F" else FEPA_P_UM
    name = f"{letter}{number}"
    if number not in table:
        return Grit(name, math.nan, f"grit {name} is not in the FEPA {letter} table; size left open")
    return Grit(name, table[number], "")


def _mesh(number: int) -> Grit:
    if number <= 0:
        raise ValueError("is not a grit: mesh 0")
    return Grit(f"{number} mesh", math.nan, "mesh numbers differ by standard; size left open")
