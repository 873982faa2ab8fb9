"""What the trade knows and a log can show without saying it: remarks on a lap's readings, each with its switch.

All of it is common practice, no source; none of it changes a reading, a signal or a state.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from spc.settings import Settings

__all__ = ["trade_remarks"]

_SOURCE = "(common practice, no source)"


def trade_remarks(faces: pd.DataFrame, moved: Mapping[str, str], settings: Settings) -> tuple[str, ...]:
    """Remark on one lap.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Newest rows of the lap, kind 'face'.
    moved : mapping of str to str
        Sign -> direction, as `spc.board.causes.Pattern.states`.
    settings : Settings
        Its guards 'shiny_not_flat' and 'part_covered' switch the remarks.

    Returns
    -------
    tuple of str
        A sentence each.
    """
    told = []
    if settings.guard_on("shiny_not_flat") and moved.get("finish") == "down" and moved.get("minutes") == "up":
        told.append(
            "Finish got better while minutes a face grew: that is often a glazed lap that shines and no longer cuts. "
            f"Shiny is not flat: read flatness and removal before trusting the look {_SOURCE}."
        )
    share = faces["coverage"].to_numpy(np.float64)
    partly = share[share < 1.0]
    if settings.guard_on("part_covered") and partly.size:
        least, most = f"{partly.min():.0%}", f"{partly.max():.0%}"
        span = least if least == most else f"{least} to {most}"
        which = "1 face was" if partly.size == 1 else f"{partly.size:,} faces were"
        told.append(
            f"{which} read with a flat that covered {span} of them: the rest was not read, and edges fall off first "
            f"{_SOURCE}."
        )
    return tuple(told)
