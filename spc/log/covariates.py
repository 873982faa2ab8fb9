"""What units of a foreign wear table differ by (load, feed, metal): as numbers, and where a unit stands apart in it."""

from collections import Counter
from collections.abc import Mapping

from spc.log.wear_table import WearTable
from spc.measure.number import parse_number

__all__ = ["beyond_others", "covariate_values"]

_MOST_LEVELS = 20  # of a covariate in words
_BEYOND = 0.25  # of the others' range, by which a unit may lie outside it unremarked; our own rule


def covariate_values(table: WearTable) -> tuple[dict[str, tuple[float, ...]], tuple[str, ...]]:
    """Covariates of every unit as numbers, and remarks; words become one column per word but the first.

    A covariate that some unit lacks, or of too many words, is left out with a remark.
    """
    out: dict[str, list[float]] = {u.unit: [] for u in table.units}
    remarks = []
    for k, name in enumerate(table.covariates):
        cells = {u.unit: u.covariates[k] for u in table.units}
        why = _why_unused(cells, table.decimal)
        if why:
            remarks.append(f"covariate {name} is not used: {why}")
            continue
        numbers = _numbers(cells, table.decimal)
        if numbers is None:
            for word in sorted(set(cells.values()))[1:]:
                for unit, cell in cells.items():
                    out[unit].append(-1.0 if cell != word else 1.0)
            continue
        for unit, number in numbers.items():
            out[unit].append(number)
    return {unit: tuple(values) for unit, values in out.items()}, tuple(remarks)


def beyond_others(table: WearTable, *, unit_id: str = "") -> tuple[str, ...]:
    """Name the units whose covariate no other unit comes near: what it does to the wear there, nobody has seen.

    Parameters
    ----------
    table : WearTable
    unit_id : str
        Only this unit; '' = all of them.

    Returns
    -------
    tuple of str
        One sentence per unit and covariate that is used: a number further outside those of the other units than a
        quarter of their range, or a word that none of them has.
    """
    remarks = []
    for k, name in enumerate(table.covariates):
        cells = {u.unit: u.covariates[k] for u in table.units}
        if len(cells) < 2 or _why_unused(cells, table.decimal):
            continue
        numbers = _numbers(cells, table.decimal)
        apart = _words_apart(cells) if numbers is None else _numbers_apart(numbers)
        remarks += [f"unit {unit}: {name} {cells[unit]} {why}" for unit, why in apart if unit_id in ("", unit)]
    return tuple(remarks)


def _numbers_apart(numbers: Mapping[str, float]) -> list[tuple[str, str]]:
    ordered = sorted(numbers.values())
    found = []
    for unit, number in numbers.items():
        least = ordered[1] if number == ordered[0] else ordered[0]  # of the other units
        most = ordered[-2] if number == ordered[-1] else ordered[-1]
        beyond = max(least - number, number - most)
        if beyond > _BEYOND * (most - least) * (1 + 1e-9):
            known = f"lies outside {least:g} to {most:g}" if most > least else f"is not the {least:g}"
            found.append((unit, f"{known} of the other units: nothing is known there"))
    return found


def _words_apart(cells: Mapping[str, str]) -> list[tuple[str, str]]:
    count = Counter(cells.values())
    why = "is a value that none of the other units has: nothing is known of it"
    return [(unit, why) for unit, cell in cells.items() if count[cell] == 1]


def _why_unused(cells: Mapping[str, str], decimal: str) -> str:
    """Say why a covariate cannot be used; '' = it can."""
    if not all(cells.values()):
        return f"unit {next(unit for unit, cell in cells.items() if not cell)} has none"
    words = len(set(cells.values()))
    if _numbers(cells, decimal) is None and words > min(_MOST_LEVELS, max(len(cells) - 2, 1)):
        return f"{words} different words for {len(cells)} units"
    return ""


def _numbers(cells: Mapping[str, str], decimal: str) -> dict[str, float] | None:
    try:
        return {unit: float(parse_number(cell, decimal=decimal).value) for unit, cell in cells.items()}
    except ValueError:
        return None
