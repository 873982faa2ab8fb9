"""One part number that takes longer on several laps at once, other parts on them as ever: told as that part.

Minutes and removal rate are charted lap by lap, so that one part that has become harder calls every lap it is run on.
"""

import math
from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.chart.replay import Replayed
from spc.chart.stream import SIGNS
from spc.log.name_list import name_list
from spc.wear.sign_moves import RECENT_FACES

__all__ = ["MOVED_SIGNS", "MovedPart", "moved_part"]

MOVED_SIGNS = ("minutes", "removal rate")
FEWEST_LAPS = 2  # on one lap alone a part cannot be told from the lap [our rule]
FAR, NEAR = 4.0, 2.0  # standard errors: of the part on all these laps, and of all other parts there [our choice]


class MovedPart(NamedTuple):
    """A part number that moved on several laps."""

    part: str
    laps: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What it is told as."""
        named = name_list(self.laps)
        return f"{self.part} takes longer lately on {named}, other parts there as ever: look at {self.part} first."


class _Lately(NamedTuple):
    """Scores of the last faces of one part on one lap, towards the bad."""

    faces: int
    total: float


def moved_part(view: CellView, cell: CellCharts) -> MovedPart | None:
    """Find the part number that moved on several laps, None where there is none.

    Parameters
    ----------
    view : CellView
    cell : CellCharts

    Returns
    -------
    MovedPart or None

    Notes
    -----
    Our own rule, on the scores of the last `RECENT_FACES` faces of each lap, minutes and rate each by itself: summed
    over the laps on which a part leans to the bad, at least two, its faces lie over 4 standard errors off, and all
    faces of other parts on those laps within 2. Scores are standard normal while nothing moves.
    """
    charts = [cell.charts[str(lap), sign] for sign in MOVED_SIGNS for lap in view.laps["lap"]]
    return view.memo.once("", "moved part", charts, lambda: _moved(view, cell))


def _moved(view: CellView, cell: CellCharts) -> MovedPart | None:
    found: tuple[float, MovedPart] | None = None
    for sign in MOVED_SIGNS:
        each = {}
        for lap in view.laps["lap"].tolist():
            chart = cell.charts[lap, sign]
            each[lap] = view.memo.once(lap, f"parts lately {sign}", (chart,), partial(_lately, chart.replayed))
        for part in dict.fromkeys(name for own in each.values() for name in own if name):
            laps = tuple(lap for lap, own in each.items() if part in own and _off([own[part]]) > 1.0)
            far = _off([each[lap][part] for lap in laps])
            rest = [one for lap in laps for name, one in each[lap].items() if name != part]
            if len(laps) < FEWEST_LAPS or far <= max(FAR, found[0] if found else 0.0) or not rest:
                continue
            if _off(rest) < NEAR:
                found = far, MovedPart(part, laps)
    return None if found is None else found[1]


def _lately(judged: Replayed) -> dict[str, _Lately]:
    towards = 1.0 if SIGNS[judged.stream.sign].side == "upper" else -1.0
    last = slice(max(0, len(judged.stream) - RECENT_FACES), None)
    z, part = towards * judged.z[last], judged.stream.part[last]
    known = ~np.isnan(z)
    return {
        str(name): _Lately(int(np.count_nonzero(known & (part == name))), float(z[known & (part == name)].sum()))
        for name in dict.fromkeys(part[known].tolist())
    }


def _off(told: Sequence[_Lately]) -> float:
    """How far some scores lie off together, in standard errors."""
    faces = sum(one.faces for one in told)
    return sum(one.total for one in told) / math.sqrt(faces) if faces else 0.0
