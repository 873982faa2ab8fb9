"""What a shift that one operator's or part number's faces alone moved still means for a lap in the shifts after it.

Its faces go on counting: unlike a room that moved, most of the shift was as usual. But they are not taken for the lap's
own wear in silence, nor is the lap touched for them before somebody else has read one of them again.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Carried", "carried_words", "waits_for_second_reader"]


class Carried(NamedTuple):
    """One ended shift that moved on a lap and others in the faces of one operator or part number alone."""

    start_us: int
    end_us: int
    shift: str  # in words
    read: str  # 'high' or 'low'
    laps: int  # that moved
    column: str  # 'operator' or 'part'
    name: str  # whose faces; of an operator never shown


def carried_words(rows: pd.DataFrame, carried: Iterable[Carried]) -> tuple[str, ...]:
    """Say of each such shift how many faces of the running cycle are of that operator or part number, the newest first.

    Parameters
    ----------
    rows : DataFrame, shape (n_rows, ...)
        Lappings and repeat readings of one lap, oldest first.
    carried : iterable of Carried
        Oldest first. Of one whose operator's faces somebody else has read again no more is said.
    """
    told = []
    for one in carried:
        suspect = rows[_of(rows, one)]
        if suspect.empty or (one.column == "operator" and not _unread(rows, one)):
            continue
        faces, they, are, count = "1 face", "it", "is", "counts"
        if len(suspect) > 1:
            faces, they, are, count = f"{len(suspect):,} faces", "they", "are", "count"
        what, until = f"part number {one.name}", "may say more of the part than of this lap"
        if one.column == "operator":
            named = " ".join(text for text in suspect[["part", "serial", "face"]].iloc[-1] if text)
            again = (f"one, such as {named}," if named else "one") if len(suspect) > 1 else "it"
            what, until = "one operator", f"{are} suspect until a second reader has read {again} again"
        told.append(
            f"{faces} of this cycle ({one.shift}) {are} of {what} whose faces alone read {one.read} then, on "
            f"{one.laps:,} laps: {they} {count}, and {until}."
        )
    return tuple(told[::-1])


def waits_for_second_reader(rows: pd.DataFrame, carried: Iterable[Carried]) -> bool:
    """Whether faces of the running cycle are suspect for their operator and nobody else has read one of them again.

    Parameters
    ----------
    rows : DataFrame, shape (n_rows, ...)
        Lappings and repeat readings of one lap, oldest first.
    carried : iterable of Carried
    """
    return any(one.column == "operator" and _unread(rows, one) for one in carried)


def _unread(rows: pd.DataFrame, one: Carried) -> bool:
    suspect = rows[_of(rows, one)]
    others = rows[((rows["kind"] == "repeat") & ~rows["operator"].isin(["", one.name])).to_numpy()]
    others = others[others["sort_us"] >= one.start_us]  # before it, another face of that name
    of = ["part", "serial", "face"]
    again = pd.MultiIndex.from_frame(suspect[of]).isin(pd.MultiIndex.from_frame(others[of]))
    return len(suspect) > 0 and not again.any()


def _of(rows: pd.DataFrame, one: Carried) -> NDArray[np.bool_]:
    """Mark the lappings of the running cycle that are of that shift and that operator or part number."""
    at = rows["sort_us"].to_numpy(np.int64)
    now = rows["cycle"].to_numpy() == (rows["cycle"].iloc[-1] if len(rows) else 0)
    of = (rows[one.column] == one.name).to_numpy() & (rows["kind"] == "face").to_numpy()
    return np.asarray(now & of & (at >= one.start_us) & (at < one.end_us), dtype=bool)
