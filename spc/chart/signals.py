"""Where one rule of a chart spoke, and in which words."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Signals", "beyond_limits"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Signals:
    """All places at which one rule spoke."""

    rule: str  # short name of the rule, our own word
    words: str  # the rule in words
    index: NDArray[np.intp]  # positions in the readings as given, ascending
    side: NDArray[np.int8]  # +1 high, -1 low, 0 neither


def beyond_limits(value: Array, lower: Array, upper: Array, *, rule: str, words: str) -> Signals:
    """Return the points strictly beyond a limit; a point exactly on a limit does not signal."""
    high = value > upper
    low = value < lower
    index = np.flatnonzero(high | low)
    side = np.where(high[index], 1, -1).astype(np.int8)
    return Signals(rule=rule, words=words, index=index, side=side)
