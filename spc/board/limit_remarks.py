"""Part numbers that a lap has done lately without a flatness limit: nothing said of faces left speaks for them."""

import numpy as np
import pandas as pd

from spc.board.cell_view import upper_limit_um
from spc.log.name_list import name_list

__all__ = ["limit_remarks"]

_NAMED = 3


def limit_remarks(faces: pd.DataFrame, limits: pd.DataFrame) -> tuple[str, ...]:
    """Say which part numbers among the faces have no flatness limit, where others have one.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Newest faces of one lap.
    limits : DataFrame
        Limits frame, the rows in force.

    Returns
    -------
    tuple of str
        One sentence at most. Where no part number has a limit the forecast itself is refused and says so.
    """
    limit = upper_limit_um(faces["part"], limits)
    without = faces["part"][np.isnan(limit)]
    if without.empty or len(without) == len(faces):
        return ()
    names = [str(name) or "parts without a number" for name in without.value_counts().index]
    more = f"{len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return (
        f"No flatness limit is set for {name_list(names[:_NAMED], more=more)} ({len(without)} of the last {len(faces)} "
        "faces): faces left speak for the others only. Set it with `lapcell parts set`.",
    )
