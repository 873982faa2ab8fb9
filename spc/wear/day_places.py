"""Where in a day a cycle began, as the readings of that day tell: of times that are a date alone."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.lifetime import Array
from spc.wear.part_offsets import without_parts
from spc.wear.restarts import PlacedRestart, place_restart

__all__ = ["DAY_US", "FirstReadings"]

DAY_US = 86_400_000_000
_FARTHEST = 200  # rows looked at on either side of the day; our own rule


@dataclass(frozen=True, slots=True)
class FirstReadings:
    """First flatness of every face, in order; arrays of shape (n_faces,)."""

    lapped: NDArray[np.bool_]  # the row is a lapping, not a second reading
    sign: Array  # logarithm of the flatness; NaN = not read, or not at the first attempt
    part: NDArray[np.intp]

    @classmethod
    def of(cls, faces: pd.DataFrame, order: NDArray[np.int64]) -> Self:
        """Take them from a faces frame whose rows are laid out in `order`."""
        lapped = (faces["kind"] == "face").to_numpy(bool)[order]
        low, high = (faces[f"flatness_{end}_um"].to_numpy(np.float64)[order] for end in ("low", "high"))
        known = lapped & (faces["attempt"].to_numpy()[order] <= 1) & np.isfinite(high) & (low + high > 0)
        sign = np.log((low + high) / 2, out=np.full(order.size, np.nan), where=known)
        return cls(lapped, sign, pd.factorize(faces["part"])[0][order])

    def begun_within(self, low: int, first: int, last: int, high: int) -> PlacedRestart | None:
        """Tell where among the faces of a day a lap began anew.

        Parameters
        ----------
        low, high : int
            First row of the cycle before, and one past the last of the one that began.
        first, last : int
            It began before one of these rows.

        Returns
        -------
        PlacedRestart or None
            By rows; None where the readings do not tell one place from the others.
        """
        low, high = max(low, first - _FARTHEST), min(high, last + _FARTHEST)
        read = low + np.flatnonzero(np.isfinite(self.sign[low:high]))
        begin, end = np.searchsorted(read, (first, last)).tolist()
        age = np.cumsum(self.lapped[low:high]).astype(np.float64)[read - low]
        stretch = np.repeat((0, 1, 2), (begin, end - begin, read.size - end))
        found = place_restart(age, without_parts(self.sign[read], age, stretch, self.part[read]), begin, end)

        def row(place: int) -> int:
            return first if place == begin else last if place == end else int(read[place])

        return found and PlacedRestart(row(found.place), row(found.earliest), row(found.latest))
