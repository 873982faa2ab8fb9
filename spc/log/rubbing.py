"""Load, contact area and rubbing speed of a log: which columns hold them for sure, and what their cells say.

"load", "area" and "speed" also head batches, places and settings. Such a column counts only where a unit stands in the
header, in some cell or in the column map; else it stays in the raw text, as a mass and turns without a radius do.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from itertools import islice

from spc.log.coded import Coded
from spc.log.columns import ColumnMap, ColumnUse
from spc.log.draft import Draft, Picked
from spc.log.lexicon import ALONE
from spc.measure.rubbing import QUANTITIES, TURNS, WEIGHED, read_quantity

__all__ = ["read_rubbing", "without_doubtful"]

_LOOKED_AT = 1000  # distinct cells of a column, in which a unit would have come


def without_doubtful(
    uses: tuple[ColumnUse, ...], columns: Mapping[int, Coded], plan: ColumnMap
) -> tuple[ColumnUse, ...]:  # fmt: skip
    """Take columns that are no sure load, area or speed as not understood; those of the column map stay.

    Parameters
    ----------
    uses : tuple of ColumnUse
        From `match_columns`.
    columns : mapping of int to Coded
        Cells by position.
    plan : ColumnMap

    Returns
    -------
    tuple of ColumnUse
    """
    out = []
    for use in uses:
        why = ""
        if use.field in QUANTITIES and use.positions and use.field not in plan.columns:
            why = _doubt(use, columns[use.positions[0]])
        out.append(replace(use, field="", how=f"{use.header}: {why}, kept in the raw text") if why else use)
    return tuple(out)


def read_rubbing(draft: Draft) -> None:
    """Read load, contact area and speed with their texts; what is no such quantity is refused with its reason."""
    for name, quantity in QUANTITIES.items():
        if name not in draft.cells:
            continue
        source = draft.source(name)
        read = partial(read_quantity, name=name, unit=source.unit, radius_mm=source.radius_mm, decimal=draft.decimal)
        codes, values = draft.numbers(name, read)
        draft.columns[quantity.column] = Picked(codes, values)
        draft.text(name, longest=64, as_column=f"{name}_text")


def _doubt(use: ColumnUse, cells: Coded) -> str:
    unit, words = use.source.unit, QUANTITIES[use.field].words
    if unit in WEIGHED:
        return f"{unit} is a mass; a column map with unit = '{WEIGHED[unit]}' says that its weight is the load"
    if unit == TURNS:
        return "a speed in rpm needs radius_mm in a column map"
    if unit or use.header.strip().lower() not in ALONE or _any_unit(cells, use.field):
        return ""
    return f"no unit in the header or the cells says that it is a {words}; a column map can"


def _any_unit(cells: Coded, name: str) -> bool:
    return any(_has_unit(str(text), name) for text in islice(filter(None, cells.objects()), _LOOKED_AT))


def _has_unit(text: str, name: str) -> bool:
    try:
        read_quantity(text, name)
    except ValueError:
        return False
    return True
