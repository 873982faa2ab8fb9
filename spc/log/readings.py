"""Reading columns of a log: text, unit and lamp of each row to intervals in micrometres, each distinct case once."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.columns import FieldSource
from spc.measure.length import lamp, um_per, unit_name
from spc.measure.reading import Typed, as_reading, finest_step, parse_typed
from spc.settings import Settings

__all__ = ["ReadingColumn", "read_length", "read_readings"]

_Read = TypeVar("_Read")
_PLAIN = re.compile(r"([0-9]{1,9})(?:([.,])([0-9]{0,9}))?")


@dataclass(frozen=True, slots=True)
class ReadingColumn:
    """One characteristic's readings by distinct case; `codes` leads from rows to cases."""

    codes: NDArray[np.int32]  # (n_rows,)
    low_um: NDArray[np.float64]  # (n_cases,)
    high_um: NDArray[np.float64]
    unit: NDArray[np.object_]
    lamp: NDArray[np.object_]
    shape: NDArray[np.object_]
    faults: list[str]  # half sentences
    remarks: list[str]
    steps: list[str]  # file-level sentences: which reading step was used and why


def read_readings(
    text: Coded, *, field: str, source: FieldSource, settings: Settings, decimal: str, unit: Coded | None = None,
    lamps: Coded | None = None, sound: NDArray[np.bool_] | None = None,
) -> ReadingColumn:  # fmt: skip
    """Read one characteristic's column.

    Parameters
    ----------
    text : Coded
        The cells.
    field : str
        Characteristic, one of `spc.log.lexicon.READINGS`.
    source : FieldSource
        Unit, lamp, step and sign as the header or the column map states them.
    settings : Settings
        The site's defaults; used only where the row and the column say nothing.
    decimal : str
        The file's decimal mark.
    unit, lamps : Coded, optional
        Unit and lamp columns of the file.
    sound : ndarray of bool, shape (n_rows,), optional
        Rows that show how fine the column is read; left out, all. A line of totals, with nothing to say which lap,
        says nothing of it.

    Returns
    -------
    ReadingColumn
    """
    key = text.codes.astype(np.int64) + 1
    for other in (unit, lamps):
        if other is not None:
            key = key * (len(other.texts) + 1) + other.codes + 1
    codes, cases = pd.factorize(key)
    rest = cases.copy()
    lamp_cell = unit_cell = np.full(len(cases), "", dtype=object)
    if lamps is not None:
        rest, at = np.divmod(rest, len(lamps.texts) + 1)
        lamp_cell = lamps.objects()[at - 1]
    if unit is not None:
        rest, at = np.divmod(rest, len(unit.texts) + 1)
        unit_cell = unit.objects()[at - 1]
    cells = text.objects()[rest - 1]
    n = len(cases)
    faults, remarks = [""] * n, [""] * n
    typed: list[Typed | None] = [None] * n
    resolved: list[tuple[str, str, float | None]] = [("", "", None)] * n
    plain: dict[int, tuple[int, int]] = {}  # case -> digits and decimals of a plain number; exact, and 30 times faster
    asked: dict[tuple[str, str], tuple[str, str, float | None, str] | None] = {}
    for case, cell in enumerate(cells):
        if cell == "":
            continue
        number = _PLAIN.fullmatch(cell)
        if number and (number.group(2) or decimal) == decimal:
            key_of = (unit_cell[case], lamp_cell[case])
            if key_of not in asked:
                asked[key_of] = _unit_and_lamp_or_none(*key_of, field, source, settings)
            answer = asked[key_of]
            if answer is not None and answer[0] != "band":
                tail = number.group(3) or ""
                plain[case] = int(number.group(1) + tail), len(tail)
                resolved[case], remarks[case] = answer[:3], answer[3]
                continue
        try:
            typed[case] = one = parse_typed(cell, decimal=decimal)
            found = _unit_and_lamp(one.unit, unit_cell[case], lamp_cell[case], field, source, settings)
            resolved[case], remarks[case] = found[:3], found[3]
        except ValueError as error:
            minus = typed[case]
            negative = minus is not None and minus.sign < 0 and not source.negative
            typed[case], faults[case] = None, f"{error}; and is negative ({cell})" if negative else str(error)
    shown = np.ones(n, dtype=bool) if sound is None else np.bincount(codes[sound], minlength=n) > 0
    steps, said = _steps(typed, plain, resolved, field, source, settings, shown.tolist())
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    units, names, shapes = (np.full(n, "", dtype=object) for _ in range(3))
    for case, one_typed in enumerate(typed):
        if one_typed is None:
            continue
        name, lamp_name, nm = resolved[case]
        try:
            reading = as_reading(
                one_typed, text=cells[case], unit=name, step=steps[name], wavelength_nm=nm, lamp_name=lamp_name,
                zero_means=settings.zero_means or "half step", negative=source.negative,
            )  # fmt: skip
        except ValueError as error:
            faults[case] = str(error)
            continue
        low[case], high[case] = reading.low_um, reading.high_um
        units[case], names[case], shapes[case] = reading.unit, reading.lamp, reading.shape
        remarks[case] = "; ".join(r for r in (remarks[case], reading.remark) if r)
    _plain_intervals(plain, resolved, steps, settings, source, low, high, units, shapes)
    return ReadingColumn(codes.astype(np.int32), low, high, units, names, shapes, faults, remarks, said)


def _plain_intervals(
    plain: dict[int, tuple[int, int]], resolved: list[tuple[str, str, float | None]], steps: dict[str, Fraction],
    settings: Settings, source: FieldSource, low: NDArray[np.float64], high: NDArray[np.float64],
    units: NDArray[np.object_], shapes: NDArray[np.object_],
) -> None:  # fmt: skip
    """Fill in r - w/2 and r + w/2 of plain numbers, as `as_reading` has them, in whole numbers rounded once."""
    factors = {unit: um_per(unit) for unit in steps if unit != "band"}
    whole_zero = settings.zero_means == "whole step"
    positive = {"concave": "convex", "convex": "concave"}.get(source.negative, "")
    signed = source.negative == "deviation"
    for case, (digits, decimals) in plain.items():
        unit = resolved[case][0]
        step, factor = steps[unit], factors[unit]
        ten = 10**decimals
        bottom = 2 * step.denominator * ten * factor.denominator
        middle, half = 2 * digits * step.denominator, step.numerator * ten
        if digits == 0 and not signed:
            low[case], high[case] = 0.0, (1 + whole_zero) * half * factor.numerator / bottom
        else:
            least = middle - half if signed else max(0, middle - half)
            low[case], high[case] = least * factor.numerator / bottom, (middle + half) * factor.numerator / bottom
            shapes[case] = positive if digits else ""
        units[case] = unit


def _unit_and_lamp_or_none(
    unit_cell: str, lamp_cell: str, field: str, source: FieldSource, settings: Settings
) -> tuple[str, str, float | None, str] | None:
    try:
        return _unit_and_lamp("", unit_cell, lamp_cell, field, source, settings)
    except ValueError:
        return None


def read_length(cell: str, *, source: FieldSource, decimal: str) -> float:
    """Read a plain signed length (lap form before and after, ring position) in micrometres, a range by its middle.

    Raises
    ------
    ValueError
        With a half sentence.
    """
    typed = parse_typed(cell, decimal=decimal)
    if typed.kind == "above":
        raise ValueError(f"has no upper end: {cell!r}; write a number")
    name = typed.unit or (unit_name(source.unit) if source.unit else "")
    if not name:
        raise ValueError(f"has no unit: {cell!r}; put the unit in the header, the cell or the column map")
    if name == "band" and not source.lamp:
        raise ValueError(f"is in bands but no lamp is known: {cell!r}; name the lamp in the header or the column map")
    nm = lamp(source.lamp).wavelength_nm if name == "band" else None
    low = Fraction(0) if typed.kind == "below" else typed.low
    return float(typed.sign * (low + typed.high) / 2 * um_per(name, wavelength_nm=nm))


def _unit_and_lamp(
    in_cell: str, unit_cell: str, lamp_cell: str, field: str, source: FieldSource, settings: Settings
) -> tuple[str, str, float | None, str]:
    remarks: list[str] = []
    default = {"flatness": settings.flatness_unit, "finish": settings.finish_unit}.get(field, "")
    if in_cell:
        name = in_cell
        stated = _said_plainly(unit_name, unit_cell) if unit_cell else source.unit
        if stated and stated != name:
            remarks.append(f"{field} in {name} as the cell says, not {stated}")
    elif unit_cell:
        name = _said_plainly(unit_name, unit_cell)
    elif source.unit:
        name = source.unit
    elif default:
        name = default
        remarks.append(f"{field} unit {name} by the site's settings")
    else:
        raise ValueError(
            "has no unit; put it in the header, in a unit column, in a column map or as the site's default"
        )
    if name != "band":
        return name, "", None, "; ".join(remarks)
    if field == "finish":
        raise ValueError("is in bands, which measure no roughness; write um or uin")
    if lamp_cell:
        found = _said_plainly(lamp, lamp_cell)
    elif source.lamp:
        found = lamp(source.lamp)
    elif settings.lamp:
        found = lamp(settings.lamp)
        remarks.append(f"lamp {found.name} by the site's settings")
    else:
        raise ValueError(
            "is in bands but no lamp is known; name it in a lamp column, the header, a column map or the settings"
        )
    return "band", found.name, found.wavelength_nm, "; ".join(remarks)


def _said_plainly(read: Callable[[str], _Read], cell: str) -> _Read:
    """Read a cell; a refusal is told to the shop, to which its first word is no name of an argument."""
    try:
        return read(cell)
    except ValueError as error:
        raise ValueError(str(error).replace("`", "", 2)) from None


def _steps(
    typed: list[Typed | None], plain: dict[int, tuple[int, int]], resolved: list[tuple[str, str, float | None]],
    field: str, source: FieldSource, settings: Settings, shown: list[bool],
) -> tuple[dict[str, Fraction], list[str]]:  # fmt: skip
    """Find the reading step per unit, and a sentence on each; cases not `shown` count only where no other has it."""
    sound: dict[str, list[Typed]] = {}
    others: dict[str, list[Typed]] = {}
    for one, (name, _, _), counts in zip(typed, resolved, shown, strict=True):
        if one is not None:
            (sound if counts else others).setdefault(name, []).append(one)
    decimals_seen = {(resolved[case][0], decimals, shown[case]) for case, (_, decimals) in plain.items()}
    for name, decimals, counts in sorted(decimals_seen):
        digit = Fraction(1, 10**decimals)
        members = (sound if counts else others).setdefault(name, [])
        members.append(Typed("value", digit, digit, digit, 1, "", "", ""))
    groups = others | sound
    steps, said = {}, []
    for name, members in sorted(groups.items()):
        if source.step and (not source.unit or source.unit == name):
            steps[name], why = Fraction(str(source.step)), "as the column map states"
        elif name == "band" and field == "flatness" and settings.step_bands:
            steps[name], why = Fraction(str(settings.step_bands)), "as the site states"
        else:
            steps[name], why = finest_step(members, unit=name), "the finest typed in this column"
        if steps[name]:
            said.append(f"{field}: reading step {float(steps[name]):g} {name}, {why}")
        else:
            said.append(f"{field}: no reading shows the step in {name}; state it (step) so that words can be read")
    return steps, said
