"""Where the age of each unit of a foreign table begins on its running clock: at 0, or at the unit's first reading."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spc.log.wear_table import WearUnit

__all__ = ["with_origins"]


def with_origins(units: Sequence[WearUnit], *, clock_kind: str) -> tuple[tuple[WearUnit, ...], str]:
    """Say from which clock value on each unit's age counts.

    Parameters
    ----------
    units : sequence of WearUnit
        From `spc.log.wear_table.read_wear_table`, rows in any order.
    clock_kind : str
        A key of `spc.log.wear_table.CLOCKS`.

    Returns
    -------
    tuple of (tuple of WearUnit, str)
        The units with their `origin`, and what a person should know of it; '' = age counts from 0, or as was asked.

    Notes
    -----
    A clock that "runs" is a meter (machine hours, a date as a number) where most units begin further from 0 than any of
    them lasts: as an age it would put all that was read into its last part, and no shape of wear goes by it. Our own
    rule.
    """
    began = [float(u.clock.min()) if u.clock.size else 0.0 for u in units]
    if clock_kind != "meter":
        lasted = max((float(np.ptp(u.clock)) for u in units if u.clock.size), default=0.0)
        far = sum(start > lasted > 0 for start in began)
        if clock_kind != "runs" or 2 * far <= len(units):
            return tuple(units), ""
    remark = ""
    if clock_kind == "runs":
        remark = (
            f"the clock is taken as a meter, a unit's age to count from its first reading: {far} of {len(units)} "
            f"units begin further from 0 than any lasts, {lasted:g} (--clock-kind age says otherwise)"
        )
    return tuple(replace(u, origin=start) for u, start in zip(units, began, strict=True)), remark
